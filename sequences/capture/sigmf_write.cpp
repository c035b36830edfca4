#include <algorithm>
#include <array>
#include <cmath>
#include <nlohmann/json.hpp>

#include "sequences/capture/bytes.hpp"
#include "sequences/capture/sigmf.hpp"

namespace nightbench::capture {
namespace {

Result<std::string> interleaved(const SigmfContent& content, const std::string& file) {
  const std::size_t channels = content.channels.size();
  const std::size_t samples = content.channels.front().size;
  if (samples > most_sample_bytes / (sizeof(float) * channels)) {
    return refuse(file, "the capture is larger than the " + std::to_string(most_sample_bytes) +
                            " bytes that can be read again");
  }
  std::string bytes(samples * channels * sizeof(float), '\0');
  auto* const out = reinterpret_cast<float*>(bytes.data());
  constexpr std::size_t block = 4096;
  std::array<double, block> volts{};
  for (std::size_t k = 0; k < channels; ++k) {
    for (std::size_t first = 0; first < samples; first += block) {
      const std::size_t count = std::min(block, samples - first);
      signal::read_volts(content.channels[k], first, std::span(volts).first(count));
      for (std::size_t n = 0; n < count; ++n) {
        const auto value = static_cast<float>(volts[n]);
        if (!std::isfinite(value)) {
          return refuse(file, "sample " + std::to_string(first + n) + " of channel " +
                                  std::to_string(k + 1) + " is no finite number");
        }
        out[(first + n) * channels + k] = value;
      }
    }
  }
  return bytes;
}

Result<void> refuse_odd(const SigmfContent& content, const std::string& file) {
  const auto& channels = content.channels;
  if (channels.empty() || channels.size() > most_channels) {
    return refuse(file, "expected 1 to 64 channels, found " + std::to_string(channels.size()));
  }
  if (content.complex && channels.size() != 2) {
    return refuse(file, "expected two channels for complex samples, found " +
                            std::to_string(channels.size()));
  }
  for (const signal::Trace& each : channels) {
    if (each.size != channels.front().size || each.dt_s != channels.front().dt_s) {
      return refuse(file, "expected channels of one length and one sample rate");
    }
  }
  if (channels.front().size < fewest_samples) {
    return refuse(file, "expected at least 2 samples a channel");
  }
  const double rate_hz = 1 / channels.front().dt_s;
  if (!(rate_hz > 0) || !(rate_hz <= highest_rate_hz)) {
    return refuse(file, "expected a sample rate above 0 and at most 1e12 Hz");
  }
  return {};
}

// 1 / dt, without the last digit that two divisions lose.
double rate_of(double dt_s) {
  const double rate_hz = 1 / dt_s;
  const double whole = std::round(rate_hz);
  return std::fabs(rate_hz - whole) < 4e-16 * whole ? whole : rate_hz;
}

std::string meta_text(const SigmfContent& content, const std::string& hash) {
  using Json = nlohmann::ordered_json;
  Json global = {{"core:datatype", content.complex ? "cf32_le" : "rf32_le"},
                 {"core:version", "1.2.0"},
                 {"core:sample_rate", rate_of(content.channels.front().dt_s)},
                 {"core:num_channels", content.complex ? 1 : content.channels.size()},
                 {"core:sha512", hash}};
  if (!content.description.empty()) global["core:description"] = content.description;
  if (!content.recorder.empty()) global["core:recorder"] = content.recorder;
  Json segment = {{"core:sample_start", 0}};
  if (content.centre_hz) segment["core:frequency"] = *content.centre_hz;
  if (content.started) segment["core:datetime"] = iso8601(*content.started);
  const Json meta = {
      {"global", global}, {"captures", Json::array({segment})}, {"annotations", Json::array()}};
  // A description may come from an instrument; bytes that are no UTF-8 become U+FFFD.
  return meta.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace

Result<std::filesystem::path> write_sigmf(const std::filesystem::path& stem,
                                          const SigmfContent& content) {
  std::filesystem::path base = stem;
  if (base.extension() == ".sigmf-meta" || base.extension() == ".sigmf-data") {
    base.replace_extension();
  }
  const std::filesystem::path meta_file = base.string() + ".sigmf-meta";
  const std::filesystem::path data_file = base.string() + ".sigmf-data";
  TRY(refuse_odd(content, data_file.string()));
  TRY_ASSIGN(const std::string bytes, interleaved(content, data_file.string()));
  TRY_ASSIGN(const std::string hash, sha512(bytes));
  TRY_ASSIGN(auto data, NewFile::write(data_file, bytes));
  TRY_ASSIGN(auto meta, NewFile::write(meta_file, meta_text(content, hash)));
  TRY(data.commit());
  TRY(meta.commit());
  return meta_file;
}

}  // namespace nightbench::capture
