// What holds for every capture that a reader returns.
#pragma once

#include "sequences/capture/capture.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

inline void require_sound(const capture::Capture& capture) {
  require(capture.rate_hz > 0 && capture.rate_hz <= capture::highest_rate_hz, "a rate");
  require(capture.samples() >= capture::fewest_samples, "enough samples");
  for (const signal::Trace& trace : capture.channels) {
    require(trace.size == capture.samples(), "channels of one length");
    require(signal::extremes(trace).first_bad == trace.size, "finite samples");
  }
}

}  // namespace nightbench::fuzz
