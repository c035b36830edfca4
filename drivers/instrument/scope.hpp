// The oscilloscope (or digitizer): two or more channels recorded at once, read out as codes.
//
// Three families of read-out, chosen by the dialect: "waveform" (a preamble of ten fields, then a
// block), "curve" (single preamble fields, then a block), "trace" (SCPI-1999: volts as a block).
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "drivers/instrument/capture.hpp"
#include "drivers/instrument/instrument.hpp"
#include "drivers/instrument/preamble.hpp"

namespace nightbench::instrument {

struct ChannelSetup {
  int channel = 1;
  double full_scale_v = 1;  // bottom to top of the converter's range
  double offset_v = 0;      // voltage in the middle of the range
  bool dc_coupled = true;
  bool operator==(const ChannelSetup&) const = default;
};

struct ScopeSetup {
  std::vector<ChannelSetup> channels;  // the others are switched off
  double sample_rate_hz = 1e6;
  std::size_t points = 10000;  // of each channel
  bool edge_trigger = false;   // false: start at once
  int trigger_channel = 1;
  double trigger_level_v = 0;
  int averages = 1;  // acquisitions averaged by the instrument
  bool operator==(const ScopeSetup&) const = default;
};

// As read back: instruments round to 1-2-5 steps and share their memory between channels.
struct ScopeActual {
  std::vector<ChannelSetup> channels;  // in the order of the setup
  double sample_rate_hz = 0;
  std::size_t points = 0;
  int averages = 1;
  Duration acquisition_time() const;  // points / rate, once for each average
};

class Scope final : public Instrument {
 public:
  using Instrument::Instrument;

  // Sends what differs from the known state, then reads everything back. Errors: device, also when
  // the instrument gives no usable answer; the result may differ from the request and must be
  // looked at.
  Awaitable<Result<ScopeActual>> apply(ScopeSetup setup);
  // Starts a single acquisition. Errors: bad_input before apply(); refused when the scope was
  // connected anew since, so that apply() is due again.
  Awaitable<Result<void>> arm();
  // Waits for it, at most acquisition time plus the session's timeout; then the error queue.
  Awaitable<Result<void>> complete();
  // Reads the record of each channel. Errors: bad_data when a preamble makes no sense or does not
  // agree with the bytes that came.
  Awaitable<Result<Capture>> fetch(std::vector<int> channels);
  // Reads all channels of the setup, and makes sure that they were recorded as set up.
  Awaitable<Result<Capture>> collect();
  // arm, complete, collect. Errors: bad_input before apply().
  Awaitable<Result<Capture>> acquire();

  void forget() override;
  const std::optional<ScopeActual>& actual() const { return actual_; }

 private:
  std::vector<std::string> changes(const ScopeSetup& setup) const;
  Awaitable<Result<ScopeActual>> read_actual(ScopeSetup setup);
  Awaitable<Result<void>> poll_complete(TimePoint deadline);
  Awaitable<Result<ChannelCapture>> fetch_channel(ChannelSetup channel);
  Awaitable<Result<Preamble>> read_preamble(int channel);

  std::optional<ScopeSetup> known_;
  std::optional<ScopeActual> actual_;
};

}  // namespace nightbench::instrument
