// What a run has to say about the board: every reading that a fault book can speak of, on the
// book's scales.
//
//   questions                "orientation_u1"       yes/no
//   resistances              "via_0"                decimal logarithm of ohms, 1 ohm at least; an
//                                                   open circuit is 1 Gohm
//   DC volts                 "mid_rail"             parts of the middle of its limits
//   supply                   "supply_current"       parts of its upper limit
//                            "supply_voltage"       parts of what the board type asks for
//                            "supply_trip"          yes/no
//   pairs                    "lo.phase", ".balance" degrees and dB as read
//                            "lo.level_1", "_2"     dB over what the source would give: the open
//                                                   circuit's peak, or a square wave's fundamental
//                            "lo.frequency"         parts of its upper limit
//   I and Q                  "i_level", "q_level"   dB over what the board type's conversion gain
//                                                   promises; "q_level" only where I is silent or Q
//                                                   is; at an IF up to 10 kHz
//                            "i_rolloff", "q_rolloff"  dB from an IF up to 10 kHz to one around 20 kHz
//                            "gain_balance"         dB
//                            "quadrature"           Q less I, turned so that a good board reads +90
//                                                   on both sides of the LO
//                            "i_offset", "q_offset" parts of the outputs' bias
//                            "gain_slope"           dB per 100 kHz of RF, where there are two
//                            "iq_clipped", "iq_unsteady"  yes/no: refused captures
//
// Readings of one kind at neighbouring intermediate frequencies (within an octave) count once, by
// their median: the same fault shows in all of them. What was skipped or lost to an instrument is
// no evidence. Pure.
#pragma once

#include <string>
#include <vector>

#include "sequences/diagnosis/expectation.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/board_type.hpp"

namespace nightbench::diagnosis {

struct Observation {
  std::string reading;  // as above
  std::string check;    // the measurement it belongs to: "via_0", "lo", "outputs", "power", ...
  std::string title;    // for people
  std::string shown;    // "-5.01 dB", "no line"
  Seen seen;
  double if_hz = 0;     // of the pair; 0 where there is none
  bool missed = false;  // a limit
};

std::vector<Observation> evidence_of(const record::Run& run, const script::BoardType& type);

// Ids of measurements that I and Q come from.
inline constexpr const char* kOutputs = "outputs";
inline constexpr const char* kPower = "power";

}  // namespace nightbench::diagnosis
