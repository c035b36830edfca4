#include "sequences/capture/wav.hpp"

#include <sndfile.h>

#include <algorithm>
#include <array>
#include <cstring>
#include <memory>

#include "sequences/capture/bytes.hpp"

namespace nightbench::capture {
namespace {

// What the RIFF chunks say (Microsoft, "Multimedia Programming Interface and Data Specifications
// 1.0", 1991, and WAVEFORMATEXTENSIBLE; from memory). The library repairs wrong lengths without a
// word, and it reads many more formats than a sound interface writes: so both are looked at first.
struct Header {
  std::uint16_t tag = 0;  // 1 PCM, 3 float
  std::uint16_t channels = 0;
  std::uint32_t rate_hz = 0;
  std::uint16_t frame_bytes = 0;
  std::uint16_t bits = 0;
  std::size_t data_at = 0;
  std::size_t data_bytes = 0;
};

template <typename T>
T number_at(std::string_view bytes, std::size_t at) {
  T value{};
  std::memcpy(&value, bytes.data() + at, sizeof value);
  return value;
}

Result<void> decode_format(std::string_view chunk, const std::string& name, Header& header) {
  constexpr std::uint16_t extensible = 0xFFFE;
  if (chunk.size() < 16) return refuse(name, "the format chunk is shorter than 16 bytes");
  header.tag = number_at<std::uint16_t>(chunk, 0);
  header.channels = number_at<std::uint16_t>(chunk, 2);
  header.rate_hz = number_at<std::uint32_t>(chunk, 4);
  header.frame_bytes = number_at<std::uint16_t>(chunk, 12);
  header.bits = number_at<std::uint16_t>(chunk, 14);
  if (header.tag == extensible && chunk.size() >= 26) {
    header.tag = number_at<std::uint16_t>(chunk, 24);
  }
  const bool pcm = header.tag == 1 && (header.bits == 16 || header.bits == 24 || header.bits == 32);
  const bool real = header.tag == 3 && header.bits == 32;
  if (!pcm && !real) {
    return refuse(name, "expected PCM of 16, 24 or 32 bits or float of 32 bits, found format tag " +
                            std::to_string(header.tag) + " with " + std::to_string(header.bits) +
                            " bits");
  }
  if (header.channels != 2) {
    return refuse(
        name, "expected two channels (left I, right Q), found " + std::to_string(header.channels));
  }
  if (header.frame_bytes != header.channels * header.bits / 8) {
    return refuse(name, "expected " + std::to_string(header.channels * header.bits / 8) +
                            " bytes a sample pair, the header says " +
                            std::to_string(header.frame_bytes));
  }
  return {};
}

Result<Header> decode_header(std::string_view bytes, const std::string& name) {
  if (bytes.size() < 12 || bytes.substr(0, 4) != "RIFF" || bytes.substr(8, 4) != "WAVE") {
    return refuse(name, "expected a RIFF WAVE file");
  }
  Header header;
  for (std::size_t at = 12; bytes.size() - at >= 8;) {
    const std::string_view id = bytes.substr(at, 4);
    const std::size_t claimed = number_at<std::uint32_t>(bytes, at + 4);
    const std::size_t left = bytes.size() - at - 8;
    if (claimed > left) {
      return refuse(name, "the chunk \"" + excerpt(id) + "\" claims " + std::to_string(claimed) +
                              " bytes, " + std::to_string(left) + " are left in the file");
    }
    if (id == "fmt ") TRY(decode_format(bytes.substr(at + 8, claimed), name, header));
    if (id == "data") {
      if (header.tag == 0) return refuse(name, "the samples come before the format chunk");
      header.data_at = at + 8;
      header.data_bytes = claimed;
      if (claimed == 0) return refuse(name, "the file has no samples");
      if (claimed % header.frame_bytes != 0) {
        return refuse(name, "expected a whole number of sample pairs of " +
                                std::to_string(header.frame_bytes) + " bytes, found " +
                                std::to_string(claimed) + " bytes");
      }
      return header;
    }
    at += 8 + std::min(left, claimed + claimed % 2);  // chunks are padded to even lengths
  }
  return refuse(name, "expected a data chunk, found none");
}

// A file for libsndfile that has nothing but format and samples: it is known to run in circles on
// other chunks that lie about their length.
class Memory {
 public:
  Memory(const Header& header, std::string_view samples) : samples_(samples) {
    const auto put = [&](std::size_t at, const auto& value) {
      std::memcpy(head_.data() + at, &value, sizeof value);
    };
    const auto data_bytes = static_cast<std::uint32_t>(samples.size());
    const std::uint32_t bytes_a_second = header.rate_hz * header.frame_bytes;
    std::memcpy(head_.data(), "RIFF....WAVEfmt ....................data....", 44);
    put(4, static_cast<std::uint32_t>(head_.size() - 8 + data_bytes));
    put(16, std::uint32_t{16});
    put(20, header.tag);
    put(22, header.channels);
    put(24, header.rate_hz);
    put(28, bytes_a_second);
    put(32, header.frame_bytes);
    put(34, header.bits);
    put(40, data_bytes);
  }

  sf_count_t size() const { return static_cast<sf_count_t>(head_.size() + samples_.size()); }
  sf_count_t at() const { return at_; }

  sf_count_t seek(sf_count_t offset, int whence) {
    const sf_count_t base = whence == SEEK_SET ? 0 : whence == SEEK_CUR ? at_ : size();
    if (offset < -base || offset > size() - base) return -1;
    return at_ = base + offset;
  }

  sf_count_t read(char* to, sf_count_t count) {
    const sf_count_t got = std::clamp<sf_count_t>(count, 0, size() - at_);
    auto from = static_cast<std::size_t>(at_);
    const std::size_t end = from + static_cast<std::size_t>(got);
    if (from < head_.size()) {
      const std::size_t part = std::min(end, head_.size()) - from;
      std::memcpy(to, head_.data() + from, part);
      to += part;
      from += part;
    }
    if (from < end) std::memcpy(to, samples_.data() + (from - head_.size()), end - from);
    at_ += got;
    return got;
  }

 private:
  std::array<char, 44> head_{};
  std::string_view samples_;
  sf_count_t at_ = 0;
};

SF_VIRTUAL_IO memory_io() {
  SF_VIRTUAL_IO io{};
  io.get_filelen = [](void* user) { return static_cast<Memory*>(user)->size(); };
  io.seek = [](sf_count_t offset, int whence, void* user) {
    return static_cast<Memory*>(user)->seek(offset, whence);
  };
  io.read = [](void* to, sf_count_t count, void* user) {
    return static_cast<Memory*>(user)->read(static_cast<char*>(to), count);
  };
  io.write = [](const void*, sf_count_t, void*) -> sf_count_t { return 0; };
  io.tell = [](void* user) { return static_cast<Memory*>(user)->at(); };
  return io;
}

// Decodes all frames with one of the library's read functions.
template <typename T>
Result<void> decode(SNDFILE* file, sf_count_t (*read)(SNDFILE*, T*, sf_count_t), sf_count_t frames,
                    Capture& capture) {
  auto samples = std::make_shared_for_overwrite<T[]>(static_cast<std::size_t>(frames) * 2);
  const sf_count_t got = read(file, samples.get(), frames);
  if (got != frames) {
    return refuse(capture.file, "expected " + std::to_string(frames) + " sample pairs, " +
                                    std::to_string(got) + " could be decoded");
  }
  const std::span<const T> all(samples.get(), static_cast<std::size_t>(frames) * 2);
  for (std::size_t k = 0; k < 2; ++k) {
    capture.channels.push_back(signal::trace_of(all, 1 / capture.rate_hz, 0.0, 2, k));
  }
  capture.storage = samples;
  return {};
}

}  // namespace

Result<Capture> decode_wav(std::string_view bytes, std::string name, const ReadOptions& options) {
  TRY_ASSIGN(const Header header, decode_header(bytes, name));
  Capture capture;
  capture.file = name;
  capture.volts = options.full_scale_v.has_value();
  capture.format =
      "WAV, " + std::to_string(header.bits) + (header.tag == 3 ? " bits float" : " bits");
  TRY_ASSIGN(capture.rate_hz, agreed_rate(name, header.rate_hz, options));

  Memory memory(header, bytes.substr(header.data_at, header.data_bytes));
  SF_VIRTUAL_IO io = memory_io();
  SF_INFO info{};
  const std::unique_ptr<SNDFILE, int (*)(SNDFILE*)> file(
      sf_open_virtual(&io, SFM_READ, &info, &memory), sf_close);
  if (!file)
    return refuse(name, std::string("the WAV file cannot be read: ") + sf_strerror(nullptr));
  const auto frames = static_cast<sf_count_t>(header.data_bytes / header.frame_bytes);
  if (info.frames != frames || info.channels != 2) {
    return refuse(name, "expected " + std::to_string(frames) + " sample pairs, the file has " +
                            std::to_string(info.frames));
  }
  const double full_v = options.full_scale_v.value_or(1);
  double full_code = 1;  // the library scales 24 and 32 bits to this; a float holds 24 exactly
  if (header.bits == 16) {
    full_code = 32768;
    TRY(decode<short>(file.get(), sf_readf_short, frames, capture));
  } else if (header.bits == 32 && header.tag == 1) {
    TRY(decode<double>(file.get(), sf_readf_double, frames, capture));
  } else {
    TRY(decode<float>(file.get(), sf_readf_float, frames, capture));
  }
  for (signal::Trace& trace : capture.channels) {
    trace.volts_per_code = full_v / full_code;
    if (header.tag == 1) {
      const double step = header.bits == 16 ? 1 : header.bits == 24 ? 0x1p-23 : 0x1p-31;
      trace.limits = signal::ConverterLimits{-full_code, full_code - step};
    }
  }
  return checked(std::move(capture));
}

Result<Capture> read_wav(const std::filesystem::path& path, const ReadOptions& options) {
  TRY_ASSIGN(const Bytes bytes, read_bytes(path, most_sample_bytes));
  return decode_wav(bytes.text(), path.string(), options);
}

}  // namespace nightbench::capture
