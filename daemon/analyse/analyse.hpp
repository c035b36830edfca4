// `nightbench analyse`: everything that a capture file tells about a board, without a bench.
//
// The numbers are those of reading::measure_iq; this adds the files, the proof against aliasing
// from a second capture, and words. A capture that gives no reading is an outcome, not an error;
// errors are those of reading files (bad_input, storage). Blocking; no state.
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/error.hpp"
#include "sequences/capture/capture.hpp"
#include "sequences/reading/iq.hpp"

namespace nightbench::analyse {

struct AnalyseOptions {
  std::filesystem::path capture;
  // The same signal at another sample rate: proves that the tone is where it shows. Its rate must
  // differ by at least 1 %.
  std::optional<std::filesystem::path> second;
  capture::ReadOptions reading;          // rate and full scale, for files that do not state them
  std::optional<double> second_rate_hz;  // the same for the second file's rate
  // Which channels are I and Q, counted from 1.
  std::size_t i_channel = 1;
  std::size_t q_channel = 2;
  // What is known of source, LO, board and scope. rf_hz or lo_hz 0: not known. An LO that is not
  // known is taken from the capture's centre frequency when there is one and the RF is known.
  reading::IqContext context;
};

struct Quantity {
  std::string name;   // as in reading::quantities(): "image_rejection_db"
  std::string title;  // "Image rejection"
  std::string unit;   // also when there is no reading; "FS" and "FS/rtHz" are parts of full scale
  reading::Outcome outcome;
};

struct AnalyseOutcome {
  capture::Capture capture;
  std::size_t i_channel = 1;
  std::size_t q_channel = 2;
  reading::IqContext context;                 // as used
  std::optional<reading::NoReading> refused;  // the whole capture gives no reading
  std::vector<Quantity> quantities;           // in the order in which people read them
  std::vector<reading::Finding> findings;
  std::vector<std::string> remarks;          // what was assumed, and what the second capture proved
  std::optional<signal::TwoChannelFit> fit;  // for the picture; also of some refused captures

  const signal::Trace& i() const { return capture.channels[i_channel - 1]; }
  const signal::Trace& q() const { return capture.channels[q_channel - 1]; }
  const Quantity* find(std::string_view name) const;
};

Result<AnalyseOutcome> analyse(const AnalyseOptions& options);

// For the terminal: the capture, a table of quantities with U (k = 2), reasons, findings; with
// `budget` also what each U is made of. Lines of at most `width` columns; ends in a newline.
std::string as_text(const AnalyseOutcome& outcome, bool budget, int width = 80);

// One JSON object, indented, the same bytes for the same outcome; numbers that are not finite are
// null. Members: capture, context, refused, quantities (with budget), findings, remarks.
std::string as_json(const AnalyseOutcome& outcome);

// A stand-alone SVG: I and Q over time, I against Q, and the spectrum of I + jQ with the tone, its
// image and harmonics marked.
std::string as_svg(const AnalyseOutcome& outcome);

}  // namespace nightbench::analyse
