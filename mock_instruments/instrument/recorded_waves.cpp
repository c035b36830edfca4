#include "mock_instruments/instrument/recorded_waves.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <fstream>
#include <utility>

#include "drivers/base/json.hpp"

namespace nightbench::mock::instrument {
namespace {

constexpr std::size_t kMostBytes = std::size_t{64} << 20;

class RecordedWaves final : public WaveSource {
 public:
  explicit RecordedWaves(std::vector<Recording> recordings) : recordings_(std::move(recordings)) {}

  std::vector<double> volts(int channel, TimePoint, double, double, std::size_t n) override {
    const auto index = static_cast<std::size_t>(channel) - 1;
    const Recording& now = recordings_[at_];
    if (index >= now.channels.size()) return std::vector<double>(n, 0.0);
    const std::vector<float>& all = now.channels[index];
    return {all.begin(), all.begin() + static_cast<std::ptrdiff_t>(std::min(n, all.size()))};
  }
  double mean_volts(int channel, TimePoint) override {
    const auto index = static_cast<std::size_t>(channel) - 1;
    const Recording& now = recordings_[at_];
    if (index >= now.channels.size() || now.channels[index].empty()) return 0.0;
    double sum = 0.0;
    for (const float each : now.channels[index]) sum += static_cast<double>(each);
    return sum / static_cast<double>(now.channels[index].size());
  }
  void advance() override { at_ = (at_ + 1) % recordings_.size(); }
  std::optional<double> fixed_rate_hz() const override { return recordings_[at_].rate_hz; }

 private:
  std::vector<Recording> recordings_;
  std::size_t at_ = 0;
};

std::unexpected<Error> refuse(const std::filesystem::path& file, ErrorKind kind,
                              std::string message) {
  Error error;
  error.kind = kind;
  error.file = file.string();
  error.message = std::move(message);
  return fail(std::move(error));
}

Result<std::string> read_bytes(const std::filesystem::path& file) {
  std::ifstream stream(file, std::ios::binary);
  std::error_code missing;
  const auto size = std::filesystem::file_size(file, missing);
  if (!stream || missing) return refuse(file, ErrorKind::storage, "cannot be read");
  if (size > kMostBytes) return refuse(file, ErrorKind::bad_input, "is larger than 64 MiB");
  std::string out(static_cast<std::size_t>(size), '\0');
  stream.read(out.data(), static_cast<std::streamsize>(out.size()));
  if (static_cast<std::size_t>(stream.gcount()) != out.size()) {
    return refuse(file, ErrorKind::storage, "cannot be read");
  }
  return out;
}

float little_float(const std::string& bytes, std::size_t at) {
  std::uint32_t bits = 0;
  for (std::size_t i = 4; i-- > 0;) bits = bits << 8 | static_cast<unsigned char>(bytes[at + i]);
  return std::bit_cast<float>(bits);
}

Result<Recording> read_one(const std::filesystem::path& meta) {
  TRY_ASSIGN(const json::Node root, json::read_file(meta));
  TRY_ASSIGN(json::Fields top, json::Fields::of(root, "a SigMF file"));
  TRY_ASSIGN(const json::Node global_node, top.need("global"));
  // Files of others: what we do not know in them is no mistake, so finish() is not asked.
  TRY_ASSIGN(json::Fields global, json::Fields::of(global_node, "SigMF's \"global\""));
  TRY_ASSIGN(const std::string type, global.text("core:datatype"));
  Recording out;
  TRY_ASSIGN(out.rate_hz, global.number("core:sample_rate"));
  if (!(out.rate_hz > 0)) {
    return refuse(meta, ErrorKind::bad_input, "the sample rate must be above 0");
  }
  if (type != "cf32_le" && type != "rf32_le") {
    return refuse(meta, ErrorKind::bad_input,
                  "expected the datatype cf32_le or rf32_le, found " + type);
  }
  std::filesystem::path data = meta;
  data.replace_extension(".sigmf-data");
  TRY_ASSIGN(const std::string bytes, read_bytes(data));
  const std::size_t width = type == "cf32_le" ? 2 : 1;
  if (bytes.empty() || bytes.size() % (4 * width) != 0) {
    return refuse(data, ErrorKind::bad_input, "is no whole number of samples");
  }
  out.channels.resize(width);
  for (std::size_t i = 0; i < bytes.size() / 4; ++i) {
    const float value = little_float(bytes, 4 * i);
    if (!std::isfinite(value)) {
      return refuse(data, ErrorKind::bad_input, "holds a sample that is no number");
    }
    out.channels[i % width].push_back(value);
  }
  return out;
}

}  // namespace

Result<Recording> read_recording(const std::vector<std::filesystem::path>& meta_files) {
  Recording out;
  for (const std::filesystem::path& file : meta_files) {
    TRY_ASSIGN(Recording one, read_one(file));
    const bool fits = out.channels.empty() || (out.rate_hz == one.rate_hz &&
                                               out.channels[0].size() == one.channels[0].size());
    if (!fits) {
      return refuse(file, ErrorKind::bad_input, "differs from its pair in rate or length");
    }
    out.rate_hz = one.rate_hz;
    for (auto& channel : one.channels) out.channels.push_back(std::move(channel));
  }
  return out;
}

std::unique_ptr<WaveSource> recorded_waves(std::vector<Recording> recordings) {
  return std::make_unique<RecordedWaves>(std::move(recordings));
}

}  // namespace nightbench::mock::instrument
