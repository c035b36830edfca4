#include "tests/fault_study/cases.hpp"

#include <array>
#include <cmath>

namespace nightbench::testing {
namespace {

using Random = std::mt19937_64;

// Not the library's distributions, which differ from one machine to another.
double uniform(Random& random, double from, double to) {
  return from + (to - from) * static_cast<double>(random() >> 11) * 0x1.0p-53;
}
double log_uniform(Random& random, double from, double to) {
  return std::exp(uniform(random, std::log(from), std::log(to)));
}
int pick(Random& random, int from, int to) {
  return from + static_cast<int>(random() % static_cast<std::uint64_t>(to - from + 1));
}
bool coin(Random& random) { return (random() >> 33 & 1U) != 0; }

std::string fault(const std::string& word, const std::string& members = "") {
  return "{\"fault\": \"" + word + "\"" + (members.empty() ? "" : ", " + members) + "}";
}
std::string text(double value) { return std::to_string(value); }
int phase(Random& random) { return 90 * pick(random, 0, 3); }
const char* channel(bool q) { return q ? "q" : "i"; }

// One in two builders notices.
DrawnFault reversed(Random& random, const char* word, const char* id, const char* question) {
  DrawnFault out{fault(word), {id}, {}};
  if (coin(random)) out.seen_by_eye = {question};
  return out;
}

DrawnFault winding_reversed(Random& random) {
  return {fault("winding-reversed", std::string("\"winding\": \"") +
                                        (coin(random) ? "phase_half" : "antiphase_half") + "\""),
          {"splitter_half_reversed"},
          {}};
}

DrawnFault via_open(Random& random) {
  static constexpr std::array kPins{3, 4, 5, 6, 10, 11, 12, 13};
  const int pin = kPins[static_cast<std::size_t>(pick(random, 0, 7))];
  return {fault("via-open", "\"pin\": " + std::to_string(pin)),
          {"via_open_" + std::to_string(pin)},
          {}};
}

// Neighbours on the package: a bridge with a broken track, or a slip in the wiring.
DrawnFault pins_interchanged(Random& random) {
  static constexpr std::array<std::array<int, 2>, 6> kPairs{
      {{6, 5}, {5, 4}, {4, 3}, {13, 12}, {12, 11}, {11, 10}}};
  const auto& pins = kPairs[static_cast<std::size_t>(pick(random, 0, 5))];
  const std::string a = std::to_string(pins[0]), b = std::to_string(pins[1]);
  return {fault("pins-interchanged", "\"pin\": " + a + ", \"other_pin\": " + b),
          {"pins_interchanged_" + a + "_" + b},
          {}};
}

DrawnFault pairs_swapped(Random& random) {
  static constexpr std::array<std::array<int, 2>, 6> kPairs{
      {{0, 90}, {0, 180}, {0, 270}, {90, 180}, {90, 270}, {180, 270}}};
  const auto& both = kPairs[static_cast<std::size_t>(pick(random, 0, 5))];
  const std::string a = std::to_string(both[0]), b = std::to_string(both[1]);
  return {fault("pairs-swapped", "\"phase\": " + a + ", \"other_phase\": " + b),
          {"pairs_swapped_" + a + "_" + b},
          {}};
}

DrawnFault at_capacitor(Random& random, const char* word, const std::string& id,
                        const std::string& more = "") {
  const std::string where = std::to_string(phase(random));
  return {fault(word, "\"phase\": " + where + more), {id + "_" + where}, {}};
}

// The two capacitors of a channel cannot be told apart from outside; the book names the channel.
DrawnFault at_channel(Random& random, const char* word, const std::string& id,
                      const std::string& more = "") {
  const int where = phase(random);
  return {fault(word, "\"phase\": " + std::to_string(where) + more),
          {id + (where % 180 == 0 ? "_i" : "_q")},
          {}};
}

DrawnFault capacitor_off_value(Random& random) {
  const double factor = coin(random) ? uniform(random, 0.35, 0.7) : uniform(random, 1.4, 2.2);
  return at_channel(random, "capacitor-off-value", "capacitor_value",
                    ", \"factor\": " + text(factor));
}

DrawnFault splitter_end_open(Random& random) {
  switch (pick(random, 0, 2)) {
    case 0: return {fault("splitter-end-open", "\"winding\": \"primary\""), {"rf_open"}, {}};
    case 1:
      return {fault("splitter-end-open", "\"winding\": \"phase_half\""),
              {"splitter_phase_open"},
              {}};
    default:
      return {fault("splitter-end-open", "\"winding\": \"antiphase_half\""),
              {"splitter_antiphase_open"},
              {}};
  }
}

DrawnFault lo_missing(Random& random) {
  const int pin = coin(random) ? 14 : 2;
  return {fault("lo-missing", "\"pin\": " + std::to_string(pin) +
                                  ", \"stuck_high\": " + (coin(random) ? "true" : "false")),
          {"lo_missing_" + std::to_string(pin)},
          {}};
}

DrawnFault lo_phase_error(Random& random) {
  const double degrees = (coin(random) ? 1 : -1) * uniform(random, 4, 20);
  return {fault("lo-phase-error", "\"degrees\": " + text(degrees)), {"lo_phase_error"}, {}};
}

DrawnFault lo_duty(Random& random) {
  static constexpr std::array kPins{0, 14, 2};
  const int pin = kPins[static_cast<std::size_t>(pick(random, 0, 2))];
  const double factor = 0.5 + (coin(random) ? 1 : -1) * uniform(random, 0.04, 0.1);
  return {fault("lo-duty", "\"pin\": " + std::to_string(pin) + ", \"factor\": " + text(factor)),
          {pin == 0 ? std::string("lo_duty") : "lo_duty_" + std::to_string(pin)},
          {}};
}

DrawnFault op_amp_dead(Random& random) {
  const char* which = channel(coin(random));
  return {fault("op-amp-dead", std::string("\"channel\": \"") + which + "\""),
          {std::string("op_amp_dead_") + which},
          {}};
}

DrawnFault op_amp_input_open(Random& random) {
  const char* which = channel(coin(random));
  const bool minus = coin(random);
  return {fault("op-amp-input-open", std::string("\"channel\": \"") + which +
                                         "\", \"inverting\": " + (minus ? "true" : "false")),
          {std::string(minus ? "minus_open_" : "plus_open_") + which},
          {}};
}

DrawnFault gain_resistor_off(Random& random) {
  const char* which = channel(coin(random));
  const bool minus = coin(random);
  const double factor = coin(random) ? uniform(random, 0.45, 0.87) : uniform(random, 1.15, 2.1);
  return {fault("gain-resistor-off", std::string("\"channel\": \"") + which +
                                         "\", \"inverting\": " + (minus ? "true" : "false") +
                                         ", \"factor\": " + text(factor)),
          {std::string(minus ? "gain_resistor_" : "plus_resistor_") + which},
          {}};
}

// Where ohms in series do something that the bench can see at all.
DrawnFault cold_joint(Random& random) {
  struct Place {
    const char* joint;
    const char* id;
    double least_ohm, most_ohm;
  };
  static constexpr std::array kPlaces{
      Place{"rf_in", "rf_loss", 50, 500},          Place{"phase_end", "splitter_joint", 20, 1000},
      Place{"antiphase_end", "splitter_joint", 20, 1000}, Place{"path_0", "path_joint_0", 20, 1000},
      Place{"path_90", "path_joint_90", 20, 1000}, Place{"path_180", "path_joint_180", 20, 1000},
      Place{"path_270", "path_joint_270", 20, 1000}, Place{"i_minus_input", "minus_joint_i", 80, 1000},
      Place{"q_minus_input", "minus_joint_q", 80, 1000}, Place{"supply", "supply_joint", 50, 300}};
  const Place& place = kPlaces[static_cast<std::size_t>(pick(random, 0, kPlaces.size() - 1))];
  const double ohm = log_uniform(random, place.least_ohm, place.most_ohm);
  return {fault("cold-joint",
                std::string("\"joint\": \"") + place.joint + "\", \"ohm\": " + text(ohm)),
          {place.id},
          {}};
}

DrawnFault filter_detuned(Random& random) {
  const double factor = coin(random) ? uniform(random, 0.85, 0.92) : uniform(random, 1.08, 1.15);
  return {fault("filter-detuned", "\"factor\": " + text(factor)), {"filter_detuned"}, {}};
}

DrawnFault supply_short(Random& random) {
  static constexpr std::array kRails{"supply_in", "op_amp", "switch_logic"};
  const int rail = pick(random, 0, 2);
  return {fault("supply-short", std::string("\"rail\": \"") + kRails[static_cast<std::size_t>(rail)] +
                                    "\", \"ohm\": " + text(log_uniform(random, 0.1, 30))),
          {rail == 2 ? "switch_supply_short" : "supply_short"},
          {}};
}

}  // namespace

const std::vector<FaultCase>& fault_cases() {
  static const std::vector<FaultCase> kCases{
      {"switch-reversed", "noticed by eye on every second board",
       [](Random& r) { return reversed(r, "switch-reversed", "switch_reversed", "orientation_u1"); }},
      {"op-amp-reversed", "noticed by eye on every second board",
       [](Random& r) { return reversed(r, "op-amp-reversed", "op_amp_reversed", "orientation_u2"); }},
      {"winding-reversed", "either half of the secondary", winding_reversed},
      {"via-open", "any switch output", via_open},
      {"pins-interchanged", "neighbouring switch outputs", pins_interchanged},
      {"pairs-swapped", "any two pairs", pairs_swapped},
      {"capacitor-open", "any",
       [](Random& r) { return at_capacitor(r, "capacitor-open", "capacitor_open"); }},
      {"capacitor-shorted", "any",
       [](Random& r) { return at_capacitor(r, "capacitor-shorted", "capacitor_shorted"); }},
      {"capacitor-off-value", "any, 0.35 to 0.7 or 1.4 to 2.2 of its value; its channel counts", capacitor_off_value},
      {"capacitor-path-open", "any",
       [](Random& r) { return at_capacitor(r, "capacitor-path-open", "path_open"); }},
      {"splitter-end-open", "primary or either end", splitter_end_open},
      {"bias-off", "",
       [](Random&) { return DrawnFault{fault("bias-off"), {"bias_off"}, {}}; }},
      {"bias-low", "0.3 to 0.85 of its value",
       [](Random& r) {
         return DrawnFault{fault("bias-low", "\"factor\": " + text(uniform(r, 0.3, 0.85))),
                           {"bias_wrong"},
                           {}};
       }},
      {"supply-low", "0.4 to 0.9 of what is applied",
       [](Random& r) {
         return DrawnFault{fault("supply-low", "\"factor\": " + text(uniform(r, 0.4, 0.9))),
                           {"supply_low"},
                           {}};
       }},
      {"regulator-dead", "",
       [](Random&) { return DrawnFault{fault("regulator-dead"), {"regulator_dead"}, {}}; }},
      {"lo-missing", "either pin, stuck low or high", lo_missing},
      {"lo-swapped", "",
       [](Random&) { return DrawnFault{fault("lo-swapped"), {"lo_swapped"}, {}}; }},
      {"lo-in-phase", "",
       [](Random&) { return DrawnFault{fault("lo-in-phase"), {"lo_in_phase"}, {}}; }},
      {"lo-phase-error", "4 to 20 deg either way", lo_phase_error},
      {"lo-duty", "either or both lines, 40 to 46 % or 54 to 60 %", lo_duty},
      {"op-amp-dead", "I or Q", op_amp_dead},
      {"op-amp-input-open", "I or Q, either input", op_amp_input_open},
      {"gain-resistor-off", "I or Q, either side, 0.45 to 0.87 or 1.15 to 2.1 of its value",
       gain_resistor_off},
      {"cold-joint", "RF input, splitter ends, paths, inverting inputs, supply; 20 ohm to 1 kohm",
       cold_joint},
      {"filter-detuned", "8 to 15 % either way", filter_detuned},
      {"supply-short", "any rail, 0.1 to 30 ohm", supply_short},
  };
  return kCases;
}

}  // namespace nightbench::testing
