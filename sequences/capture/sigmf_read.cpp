#include <bit>

#include "sequences/capture/bytes.hpp"
#include "sequences/capture/sigmf.hpp"

namespace nightbench::capture {
namespace {

static_assert(std::endian::native == std::endian::little, "samples are used as they are stored");

struct Stored {
  std::size_t bytes;
  double lowest, highest, zero, full;  // codes; full 0: no converter
};

Stored stored(Number number) {
  switch (number) {
    case Number::int8:
      return {1, -128, 127, 0, 128};
    case Number::uint8:
      return {1, 0, 255, 128, 128};
    case Number::int16:
      return {2, -32768, 32767, 0, 32768};
    case Number::float32:
      return {4, 0, 0, 0, 0};
    case Number::float64:
      return {8, 0, 0, 0, 0};
  }
  return {1, 0, 0, 0, 0};
}

signal::Codes codes(Number number, const std::byte* at) {
  switch (number) {
    case Number::int8:
      return reinterpret_cast<const std::int8_t*>(at);
    case Number::uint8:
      return reinterpret_cast<const std::uint8_t*>(at);
    case Number::int16:
      return reinterpret_cast<const std::int16_t*>(at);
    case Number::float32:
      return reinterpret_cast<const float*>(at);
    case Number::float64:
      return reinterpret_cast<const double*>(at);
  }
  return static_cast<const float*>(nullptr);
}

// "name" of name.sigmf-meta, name.sigmf-data or name itself; a stem may hold dots.
std::string stem_of(const std::filesystem::path& path) {
  std::string text = path.string();
  for (const std::string_view ending : {".sigmf-meta", ".sigmf-data"}) {
    if (text.ends_with(ending)) return text.substr(0, text.size() - ending.size());
  }
  return text;
}

Result<std::uint64_t> count_samples(const SigmfMeta& meta, const std::string& meta_file,
                                    const std::string& data_file, std::size_t data_bytes) {
  const std::size_t frame = stored(meta.number).bytes * meta.components();
  if (data_bytes % frame != 0) {
    return refuse(data_file, "expected a whole number of samples of " + std::to_string(frame) +
                                 " bytes (" + meta.datatype + ", " +
                                 std::to_string(meta.num_channels) +
                                 (meta.num_channels == 1 ? " channel" : " channels") + "), found " +
                                 std::to_string(data_bytes) + " bytes");
  }
  const std::uint64_t samples = data_bytes / frame;
  if (samples < fewest_samples) {
    return refuse(data_file,
                  "expected at least 2 samples a channel, found " + std::to_string(samples));
  }
  if (meta.claimed_samples > samples) {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = meta_file;
    error.pointer = meta.claim;
    error.message = "speaks of samples up to " + std::to_string(meta.claimed_samples) +
                    ", the data file has " + std::to_string(samples);
    return fail(std::move(error));
  }
  return samples;
}

}  // namespace

Result<Capture> read_sigmf(const std::filesystem::path& path, const ReadOptions& options) {
  const std::string stem = stem_of(path);
  const std::string meta_file = stem + ".sigmf-meta";
  const std::string data_file = stem + ".sigmf-data";
  constexpr std::uint64_t most_meta_bytes = 16U << 20;
  TRY_ASSIGN(const Bytes text, read_bytes(meta_file, most_meta_bytes));
  TRY_ASSIGN(const SigmfMeta meta, decode_sigmf_meta(text.text(), meta_file));
  TRY_ASSIGN(const double rate_hz, agreed_rate(meta_file, meta.rate_hz, options));
  TRY_ASSIGN(const Bytes data, read_bytes(data_file, most_sample_bytes));
  TRY_ASSIGN(const std::uint64_t samples, count_samples(meta, meta_file, data_file, data.size));
  if (meta.sha512) {
    TRY_ASSIGN(const std::string found, sha512(data.text()));
    if (found != *meta.sha512) {
      return refuse(data_file, "the SHA-512 is not the one in the meta file: expected " +
                                   meta.sha512->substr(0, 16) + "..., found " +
                                   found.substr(0, 16) + "...");
    }
  }

  Capture capture;
  capture.file = data_file;
  capture.format = "SigMF " + meta.datatype;
  capture.rate_hz = rate_hz;
  capture.centre_hz = meta.centre_hz;
  capture.description = meta.description;
  capture.datetime = meta.datetime;
  capture.hash_checked = meta.sha512.has_value();
  const Stored format = stored(meta.number);
  const bool is_code = format.full != 0;
  capture.volts = !is_code || options.full_scale_v.has_value();
  for (std::size_t k = 0; k < meta.components(); ++k) {
    signal::Trace trace;
    trace.codes = codes(
        meta.number, data.data.get() + format.bytes * (meta.components() * meta.first_sample + k));
    trace.size = static_cast<std::size_t>(samples - meta.first_sample);
    trace.stride = static_cast<std::ptrdiff_t>(meta.components());
    trace.dt_s = 1 / rate_hz;
    if (is_code) {
      trace.volts_per_code = options.full_scale_v.value_or(1) / format.full;
      trace.offset_v = -format.zero * trace.volts_per_code;
      trace.limits = signal::ConverterLimits{format.lowest, format.highest};
    }
    capture.channels.push_back(trace);
  }
  capture.storage = data.data;
  return checked(std::move(capture));
}

}  // namespace nightbench::capture
