// The bench file: the instruments present, how each is reached, the wiring, the limits that keep
// board and people safe, and what the data sheets say about accuracy. Decoding only; nothing is
// opened.
#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/instrument/dialect.hpp"

namespace nightbench::json {
class Node;
}

namespace nightbench::bench {

enum class Kind : std::uint8_t { instruments, simulated, replay };
const char* name(Kind kind);

struct InstrumentEntry {
  std::string name;
  instrument::Role role = instrument::Role::meter;
  std::string dialect;   // name or path
  std::string resource;  // VISA resource name as written; "" when the kind of bench gives the link
  Duration timeout = std::chrono::seconds(3);
  std::optional<Duration> settle;
  std::string calibrated;  // ISO 8601 dates, "" when unknown
  std::string calibration_due;
  std::string identity;  // regular expression, "" for any
  std::optional<int> channel;
};

// An instrument's port that is wired to a test point, maybe through a relay channel; or a probe
// that a person moves.
struct Connection {
  std::string instrument;
  std::optional<int> port;           // "scope/1": 1
  std::string relay_instrument;      // "" without a relay
  std::optional<int> relay_channel;  // "relays/101": 101
  std::string at;                    // the test point; "" for a probe moved by hand
  bool by_hand = false;              // a meter moved by hand has two tips, red and black
};

// "scope/1", "meter"
std::string port_name(const Connection& connection);

struct RfPath {
  double loss_db = 0;              // from the source's connector to rf_in, positive
  double loss_uncertainty_db = 0;  // limits, +-
};

struct SafeLimits {
  double rf_level_most_dbm = 0;
  double supply_voltage_most_v = 0;
  double supply_current_most_a = 0;
};

// What a supply's own read-out is good for: +-(fraction of the reading + a fixed part).
struct SupplyAccuracy {
  double reading = 0.01;
  double floor = 0;  // volts or amperes
};

// Type B terms, all as the +- limits of a data sheet (a rectangular distribution; GUM 4.3.7).
// Relative ones are fractions: "2 %" is 0.02, "5 ppm" is 5e-6.
struct Uncertainty {
  double scope_gain = 0;        // of a channel
  double scope_gain_match = 0;  // between two channels
  double scope_skew_s = 0;      // between two channels
  double time_base = 0;
  double rf_frequency = 0;
  double lo_frequency = 0;
  double rf_level_db = 0;
  double meter_dc_reading = 0;  // of the value
  double meter_dc_range = 0;    // of the range's full scale
  double meter_input_ohm = 10e6;
  // "meter_ohms": {"reading": "0.2 %", "range": "0.1 %", "floor": "0.2 ohm"}; the floor holds the
  // leads and the contact of hand-held tips (common practice, no source).
  double meter_ohms_reading = 0.002;
  double meter_ohms_range = 0.001;
  double meter_ohms_floor = 0.2;
  SupplyAccuracy supply_voltage{0.005,
                                0.02};  // "supply_voltage": {"reading": "0.5 %", "floor": "20 mV"}
  SupplyAccuracy supply_current{0.01,
                                0.001};  // "supply_current": {"reading": "1 %", "floor": "1 mA"}
  double probe_gain = 0;
  double probe_load_ohm = 0;  // 0: none
  double probe_load_farad = 0;
};

// What is done when an instrument lets us down, from the member "trouble".
struct TroubleSettings {
  int tries = 3;                                     // of one point, the first included
  Duration patience = std::chrono::seconds(60);      // how long one point waits for an instrument
  Duration give_up_after = std::chrono::minutes(10); // away so long in one go, it is lost
  Duration look_again = std::chrono::minutes(5);     // how often a lost one is looked for
  int supply_restores_most = 3;                      // in one run; more stop the board
};

// A reference point repeated through a run, from the member "drift".
struct DriftSettings {
  Duration every = std::chrono::minutes(10);  // zero: never
  double limit = 1.0;  // of the reference reading's U: a greater change is a finding
};

// The small process that switches off when the program cannot, from the member "guardian".
struct GuardianSettings {
  Duration watchdog = std::chrono::seconds(10);  // silence allowed while outputs may be on
  Duration patience = std::chrono::minutes(10);  // how long it goes on trying to switch off
};

struct BenchFile {
  std::filesystem::path file;
  std::string name;
  Kind kind = Kind::instruments;
  std::filesystem::path simulation;          // kind simulated; made absolute against the bench file
  std::filesystem::path recording;           // kind replay; likewise
  std::vector<InstrumentEntry> instruments;  // in the order of the file
  std::vector<Connection> connections;
  RfPath rf_path;
  SafeLimits safe;
  Uncertainty uncertainty;
  TroubleSettings trouble;
  DriftSettings drift;
  GuardianSettings guardian;
  double match_good_for_days = 30;  // how long a measured channel match is used

  // The entry of a role, or null. (The decoder refuses a role that is filled twice.)
  const InstrumentEntry* with_role(instrument::Role role) const;
  const InstrumentEntry* named(std::string_view name) const;
  // The connection of an instrument of `role` to a test point, or null.
  const Connection* where(instrument::Role role, std::string_view test_point) const;
  // The probes of an instrument of `role` that a person moves, in the order of the file.
  std::vector<Connection> by_hand(instrument::Role role) const;
  // Every relay channel the connections use.
  std::vector<int> relay_channels() const;
};

// Errors: bad_input with file, JSON pointer and what was expected.
Result<BenchFile> decode_bench(const json::Node& node);
Result<BenchFile> read_bench(const std::filesystem::path& file);

}  // namespace nightbench::bench
