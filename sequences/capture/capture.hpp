// A capture from a file: the samples as they were stored, and views of its channels.
//
// Reads SigMF recordings (sigmf.hpp), CSV (csv.hpp) and two-channel WAV (wav.hpp). The samples are
// read once and stay in the file's own format; the channels are views of them. Every file that
// says something untrue is refused with an Error that names the file, what was expected and what
// was found: a capture that was returned holds at least two samples a channel, all finite, at a
// known rate. Errors: bad_input for what the file says, storage for what the disk does.
// Reading is blocking; distinct captures may be read from several threads.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/error.hpp"
#include "sequences/signal/samples.hpp"

namespace nightbench::capture {

// Largest files that are read; larger ones are refused before anything is allocated.
inline constexpr std::uint64_t most_sample_bytes = std::uint64_t{1} << 30;  // SigMF data, WAV
inline constexpr std::uint64_t most_csv_bytes = std::uint64_t{256} << 20;
inline constexpr std::size_t fewest_samples = 2;
inline constexpr std::size_t most_channels = 64;
inline constexpr double highest_rate_hz = 1e12;  // SigMF 1.2 schema, core:sample_rate

struct ReadOptions {
  // For files that do not state their rate. Refused when a file states another one.
  std::optional<double> rate_hz;
  // Volts that full scale stands for (peak), for files whose samples are no volts: integer codes
  // and WAV. None: 1, and Capture::volts is false.
  std::optional<double> full_scale_v;
};

struct Capture {
  std::string file;    // the path that was read
  std::string format;  // "SigMF cf32_le", "WAV, 24 bits", "CSV"
  double rate_hz = 0.0;
  std::optional<double> centre_hz;  // what 0 Hz of the samples stands for: the LO, where stated
  std::string description;          // as in the file; may be empty
  std::string datetime;             // of the first sample, as in the file; may be empty
  bool volts = true;                // false: amplitudes are parts of an unknown full scale
  bool hash_checked = false;        // the file carried a hash of its samples, and it agreed

  // All of one length and rate. Complex samples give two: I, then Q.
  std::vector<signal::Trace> channels;
  // Keeps what the channels point at; copies of a Capture share it.
  std::shared_ptr<const void> storage;

  std::size_t samples() const { return channels.empty() ? 0 : channels.front().size; }
};

// Reads by the name's ending: .sigmf-meta, .sigmf-data or the stem that both share; .csv; .wav.
Result<Capture> read_capture(const std::filesystem::path& path, const ReadOptions& options = {});

// Names of the formats, for help texts.
const char* formats();

}  // namespace nightbench::capture
