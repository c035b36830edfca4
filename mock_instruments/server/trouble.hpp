// Trouble on demand: what an instrument does wrong, and when. Seeded and scripted in the bench
// file.
//
//   {"when": {"command": 12}, "what": "drop"}
//   {"when": {"header": "WAV:DATA?", "chance": 0.01}, "what": "truncated_block", "bytes": 100}
//   {"when": {"at": "10 s"}, "what": "power_loss", "delay": "2 s"}
//
// All conditions of "when" must hold: the n-th message since the start ("command"), a text in the
// message ("header", any case), time since the start ("at"), and chance. A trouble strikes "times"
// times: once by default, without end when it has a chance. One that needs no message to answer (a
// drop, a reset, an entry, ...) and has a time alone strikes first at that very moment.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/json.hpp"
#include "mock_instruments/board/noise.hpp"

namespace nightbench::mock::server {

enum class TroubleKind : std::uint8_t {
  drop,              // the connection closes instead of the message being run
  hang,              // no answer, ever
  trickle,           // the answer comes a byte at a time, "delay" apart (10 ms)
  garbage,           // "bytes" (32) random bytes and NL in place of the answer
  truncated_block,   // the answer stops after "bytes" (half of it), without terminator
  oversized_block,   // a block that announces "bytes" (4000000000) and holds what there is
  wrong_terminator,  // the answer ends in "text" (CR) instead of NL
  late_answer,       // the answer comes "delay" (5 s) later
  reset,             // settings fall back as by *RST, before the message is run
  error_entry,       // "number" (-310) and "text" go into the error queue
  never_complete,    // pending operations never end: *OPC? is silent
  wrong_identity,    // *IDN? answers another model ("text") from now on
  power_loss,        // off and on again: settings and status lost, no connection for "delay" (2 s)
};

// The word of the bench file: "drop".
const std::string& word(TroubleKind kind);

struct Trouble {
  TroubleKind kind = TroubleKind::drop;
  std::optional<std::uint64_t> command;
  std::string header;
  std::optional<double> at_s;
  std::optional<double> chance;
  std::optional<std::uint64_t> bytes;
  std::optional<double> delay_s;
  std::optional<int> number;
  std::optional<std::string> text;
  std::uint64_t times = 1;  // 0: without end
};

Result<std::vector<Trouble>> decode_troubles(const json::Node& node);

// The troubles of one instrument, and how often each has struck.
class Troubles {
 public:
  Troubles(std::vector<Trouble> list, std::uint64_t seed);
  // Those that strike at this message; counts it. `since_start` in seconds.
  std::vector<Trouble> strike(std::string_view message, double since_start);
  // When the first strikes without a message are due, seconds since the start.
  std::vector<double> moments() const;
  // Those that are due and have not struck yet.
  std::vector<Trouble> strike_at(double since_start);
  std::uint64_t messages() const { return messages_; }
  // How often each kind has struck.
  const std::map<TroubleKind, std::uint64_t>& strikes() const { return strikes_; }
  board::Random& random() { return random_; }

 private:
  struct Entry {
    Trouble trouble;
    std::uint64_t struck = 0;
  };
  static bool needs_no_message(const Trouble& trouble);
  std::vector<Entry> list_;
  board::Random random_;
  std::uint64_t messages_ = 0;
  std::map<TroubleKind, std::uint64_t> strikes_;
};

}  // namespace nightbench::mock::server
