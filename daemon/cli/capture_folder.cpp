#include "daemon/cli/capture_folder.hpp"

#include <array>
#include <cstdio>
#include <system_error>

#include "sequences/capture/sigmf.hpp"
#include "sequences/engine/context.hpp"

namespace nightbench::cli {

CaptureFolder::CaptureFolder(std::filesystem::path folder, std::uintmax_t most_bytes)
    : folder_(std::move(folder)), left_bytes_(most_bytes) {}

Result<std::string> CaptureFolder::keep(const script::Action& action,
                                        const engine::PairCapture& capture) {
  constexpr std::uintmax_t kMetaBytes = 2000;  // more than a meta file takes
  std::uintmax_t bytes = kMetaBytes;
  capture::SigmfContent content;
  for (const instrument::ChannelCapture& channel : capture.samples.channels) {
    content.channels.push_back(engine::trace_of(channel));
    bytes += channel.points() * sizeof(float);
  }
  if (bytes > left_bytes_) {
    left_bytes_ = 0;  // smaller captures after a large one would leave gaps that look like faults
    return std::string();
  }
  std::error_code failed;
  std::filesystem::create_directories(folder_, failed);
  if (failed) {
    Error error;
    error.kind = ErrorKind::storage;
    error.file = folder_.string();
    error.number = failed.value();
    error.message = "the folder for captures cannot be made: " + failed.message();
    return fail(std::move(error));
  }
  content.description = "I and Q outputs, volts; RF " +
                        format(action.intent.rf_hz, Unit::hertz, 10) + ", LO " +
                        format(action.intent.lo_hz(), Unit::hertz, 10) + ", " +
                        format(action.intent.level_dbm, Unit::dbm);
  content.recorder = "nightbench";
  content.centre_hz = action.intent.harmonic * action.intent.lo_hz();
  std::array<char, 40> name{};
  std::snprintf(name.data(), name.size(), "point-%06llu",
                static_cast<unsigned long long>(action.ordinal));
  TRY_ASSIGN(const std::filesystem::path meta,
             capture::write_sigmf(folder_ / name.data(), content));
  left_bytes_ -= bytes;
  return meta.filename().string();
}

}  // namespace nightbench::cli
