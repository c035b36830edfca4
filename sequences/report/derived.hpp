// Quantities that need more than one point of a run: over the band, over level, over IF offset,
// over time, and both sides of the LO. Computed from the record alone. Pure.
#pragma once

#include <string>
#include <vector>

#include "sequences/record/run.hpp"

namespace nightbench::report {

// One derived reading and what it was derived from ("IF 5 kHz above LO, -40 dBm").
struct Derived {
  record::Reading reading;
  std::string over;
};

// In a fixed order: ripple and -3 dB edges of the conversion gain over RF per offset and level (3
// points or more); 1 dB compression over level per RF and offset (5 levels or more); IF corner over
// offset per RF (6 offsets of one sign or more); LO phase error told apart from delay, worst over
// RF, where both sides were measured; LO frequency error, where the RF stood on both sides of one LO
// setting; the response beside each multiple of the LO that was measured, over that beside the LO;
// drift per hour of gain balance, phase error and conversion
// gain where a point was repeated over half an hour or more. What cannot be derived is left out,
// except that an edge outside of the swept band says so.
std::vector<Derived> derive(const record::Run& run);

}  // namespace nightbench::report
