// Recordings in place of a board: what a scope serves when it plays given waveforms.
//
// SigMF files (the open format of recorded samples, version 1.2): "<name>.sigmf-meta" beside
// "<name>.sigmf-data", datatype cf32_le (I to channel 1, Q to channel 2) or a pair of rf32_le
// files.
#pragma once

#include <filesystem>
#include <memory>
#include <vector>

#include "drivers/base/error.hpp"
#include "mock_instruments/instrument/scope_front_end.hpp"

namespace nightbench::mock::instrument {

struct Recording {
  double rate_hz = 0.0;
  std::vector<std::vector<float>> channels;  // volts
};

// Reads one recording from one cf32_le or from one rf32_le file a channel. At most 64 MiB each.
// Errors: bad_input with the file, storage when it cannot be read.
Result<Recording> read_recording(const std::vector<std::filesystem::path>& meta_files);

// Serves the recordings one after another, a record each, and begins anew at the end. `recordings`
// must not be empty.
std::unique_ptr<WaveSource> recorded_waves(std::vector<Recording> recordings);

}  // namespace nightbench::mock::instrument
