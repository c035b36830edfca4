// A dialect: how the operations of a role are said to one SCPI command family. A JSON file, no
// code:
//
//   {
//     "dialect": "meter-scpi",                 the name bench files use
//     "role": "meter",
//     "title": "Digital meter, SCPI-1999 command set",
//     "identity": "regular expression",        optional: which *IDN? answers it fits
//     "commands": {                            operation -> text, or a list sent in order
//       "configure_dc_volts": ":CONF:VOLT:DC {range_v}", ...
//     },
//     "confirm": "read_back" | "complete" | "errors",
//     "resolution": {"frequency": "1 mHz", "level": "0.01 dB", "phase": ..., "amplitude": ...},
//     "settle": "20 ms",                       after a change, before the output can be trusted
//     "scope": {"family": "waveform" | "curve" | "trace", "format": "int16" ..., "byte_order":
//       "little" | "big", "bits": 8, "channels": 2, "divisions": 10, "complete": "opc" | "poll",
//       "done": "0", "poll_every": "20 ms", "points_most": 4194304},     scopes only
//     "quirks": {"chaining": false, "message_most": 64, "gap": "5 ms", "leading_colon": false,
//       "error_queue": false, "complete_query": false, "terminator": "cr lf",
//       "usb_request_most": 64, "usb_clear_at_open": false, "usb_check_tags": false,
//       "y_origin_in_counts": true, "trigger_in_x_zero": true}
//   }
//
// Operations and placeholders are fixed per role (operations_of); unknown ones are refused with
// file and JSON pointer, missing required ones too.
#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/link/usbtmc/session.hpp"
#include "drivers/scpi/session.hpp"

namespace nightbench::json {
class Node;
}

namespace nightbench::instrument {

enum class Role : std::uint8_t { rf_source, lo_source, scope, meter, supply, relays };
const char* name(Role role);  // "rf_source" ...
std::optional<Role> role_named(std::string_view word);
const std::vector<Role>& all_roles();

// How a setting is known to have taken effect. The error queue is read in every case.
enum class Confirm : std::uint8_t {
  read_back,  // the setting is asked back and compared within the resolution
  complete,   // *OPC?
  errors,     // the error queue only
};

// Largest difference between set and read-back values that is not a failure.
struct Resolution {
  double frequency_hz = 0.01;
  double level_db = 0.01;
  double phase_deg = 0.01;
  double amplitude_v = 0.001;
  double voltage_v = 0.001;
  double current_a = 0.001;
};

enum class ScopeFamily : std::uint8_t { waveform, curve, trace };  // how samples are read out
enum class WireFormat : std::uint8_t { int8, uint8, int16, uint16, float32 };

struct ScopeTraits {
  ScopeFamily family = ScopeFamily::waveform;
  WireFormat format = WireFormat::int16;
  bool big_endian = false;
  int bits = 8;            // of the converter; its end codes mean "clipped"
  int channels = 2;        // that can be switched off
  double divisions = 1;    // {scale_v} = full scale / divisions, for scopes set in volts a division
  bool poll = false;       // completion by asking `is_complete` until `done` comes, else *OPC?
  std::string done = "0";  // what `is_complete` answers in the end
  Duration poll_every = std::chrono::milliseconds(20);
  bool y_origin_in_counts = false;  // waveform: v = (raw - yorigin - yreference) * yincrement
  bool trigger_in_x_zero = false;   // curve: PT_OFF is for information, XZERO holds it already
  std::size_t points_most = 1U << 22;
};

struct Quirks {
  bool chaining = true;            // several commands in one message
  std::size_t message_most = 200;  // bytes of one chained message
  Duration gap{};                  // least time between messages
  bool leading_colon = true;
  bool error_queue = true;
  bool complete_query = true;
  std::string terminator = "\n";  // "\n" or "\r\n"
  link::usbtmc::Options usb;      // when it is reached over USB
};

// Values for placeholders.
using Values = std::map<std::string, std::string, std::less<>>;

class Dialect {
 public:
  const std::string& name() const { return name_; }
  Role role() const { return role_; }
  const std::string& title() const { return title_; }
  const std::string& identity_pattern() const { return identity_; }
  // Whether an *IDN? answer fits; always true without a pattern.
  bool fits(std::string_view identity) const;
  Confirm confirm() const { return confirm_; }
  const Resolution& resolution() const { return resolution_; }
  Duration settle() const { return settle_; }
  const ScopeTraits& scope() const { return scope_; }
  const Quirks& quirks() const { return quirks_; }

  bool has(std::string_view operation) const { return commands_.contains(operation); }
  // The commands of an operation with placeholders filled in; empty for an operation it lacks.
  // A placeholder without a value is a bug of the caller and throws std::logic_error.
  std::vector<std::string> say(std::string_view operation, const Values& values = {}) const;
  // Options for a session with such an instrument.
  scpi::Options session_options(std::optional<Duration> timeout = {}) const;

 private:
  friend Result<Dialect> decode_dialect(const json::Node& node);
  std::string name_;
  Role role_ = Role::meter;
  std::string title_;
  std::string identity_;
  std::map<std::string, std::vector<std::string>, std::less<>> commands_;
  Confirm confirm_ = Confirm::complete;
  Resolution resolution_;
  Duration settle_{};
  ScopeTraits scope_;
  Quirks quirks_;
};

struct Operation {
  std::string name;
  bool query;  // its text asks: the header ends in '?'
  bool required;
  std::vector<std::string> placeholders;  // allowed in its text
};
// Everything a dialect of `role` may say (for scopes: in any family).
const std::vector<Operation>& operations_of(Role role);

// Errors: bad_input with file and JSON pointer.
Result<Dialect> decode_dialect(const json::Node& node);
Result<Dialect> read_dialect(const std::filesystem::path& file);
// `which`: a name looked up as <folder>/<name>.json, or a path that ends in ".json". Errors:
// bad_input with the nearest name when there is none such.
Result<Dialect> find_dialect(const std::filesystem::path& folder, std::string_view which);
// Every dialect of the folder, in the order of their names.
Result<std::vector<Dialect>> read_dialects(const std::filesystem::path& folder);
// The one of `role` whose identity pattern fits an *IDN? answer; patterns go before none.
const Dialect* dialect_for(const std::vector<Dialect>& dialects, Role role,
                           std::string_view identity);

}  // namespace nightbench::instrument
