// A whole bench in this process: simulated instruments around one simulated receiver board, each
// behind a raw SCPI socket, VXI-11, HiSLIP or USB/IP on loopback, behind a pseudo-terminal, or
// behind an in-memory stream.
//
// Everything runs on the clock's io_context, one coroutine a client, so that with a VirtualClock
// and memory streams a bench is bit-identical for one bench file (its seed) and one order of
// commands. Call from that io_context's thread only. A bench answers while the io_context runs.
//
// File: mock_instruments/benches/*.json, decoded strictly (bad_input with file and JSON pointer).
// Instruments take input lines of at most 64 kB and one client at a time; a second one waits in
// turn or is refused, as the file says.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/link/stream.hpp"

namespace nightbench::mock::server {

struct BenchPlan;

enum class Transport : std::uint8_t {
  tcp,     // loopback sockets and pseudo-terminals, as the file says (port 0: any free one)
  memory,  // no sockets; clients in this process use memory_stream()
};

// What the simulated bench is really doing, for tests and for the guard that switches off.
struct Truth {
  bool rf_on = false;  // RF reaches the board's input
  double rf_hz = 0.0;  // as it is, with the source's own error
  double rf_dbm = 0.0;
  bool lo_on = false;
  double lo_hz = 0.0;
  bool supply_on = false;  // an output that feeds the board is on and has not tripped
  bool supply_tripped = false;
  double supply_v = 0.0;  // at the board
  double supply_a = 0.0;
  std::string board;  // serial number; empty when none is in place
};

// What ideal instruments would read at I and Q of the board in place: with supply and LO phase as
// they are, or at 10 V and 90 deg when they are off.
struct BoardTruth {
  double if_hz = 0.0;  // RF - LO, signed; 0 without a signal
  double i_v = 0.0;    // peak
  double q_v = 0.0;
  double i_phase_deg = 0.0;  // at time 0 of the run, -180 to 180
  double q_phase_deg = 0.0;
  double q_after_i_deg = 0.0;  // phase of Q minus phase of I, -180 to 180: -90 when Q lags
  double gain_ratio = 0.0;     // Q over I
  double image_rejection_db = 0.0;
  bool clipped = false;  // an output meets its rail
};

// The errors drawn for one scope channel on its present range: reading = gain * true + offset.
struct ScopeChannelTruth {
  double gain = 1.0;
  double offset_v = 0.0;
  double skew_s = 0.0;  // this channel samples so much later than it says
};

class SimulatedBench {
 public:
  // Reads `file` and starts its instruments. `clock` must outlive the bench. Errors: bad_input (the
  // file), refused (a port is taken).
  static Result<std::unique_ptr<SimulatedBench>> start(const std::filesystem::path& file,
                                                       Clock& clock, Transport transport);
  // The same from the file's text; `name` stands for it in messages, and relative paths inside it
  // start at `folder`.
  static Result<std::unique_ptr<SimulatedBench>> start_text(std::string_view text, std::string name,
                                                            const std::filesystem::path& folder,
                                                            Clock& clock, Transport transport);
  // Calls stop().
  ~SimulatedBench();
  SimulatedBench(const SimulatedBench&) = delete;
  SimulatedBench& operator=(const SimulatedBench&) = delete;

  const std::string& name() const;
  // Instrument name and VISA resource name, in the order of the names; "TCPIP::127.0.0.1::40001::
  // SOCKET" with sockets, the forms of the other transports with those (VXI-11 with the port of its
  // core channel, since there is no port mapper), "MEMORY::<instrument>" otherwise.
  std::vector<std::pair<std::string, std::string>> resources() const;
  // The instruments with USB: their names and the ports where USB/IP serves them.
  std::vector<std::pair<std::string, std::uint16_t>> usbip_ports() const;
  // Plugs those instruments into this machine's virtual host controller. Errors: refused when it
  // has none, or may not be used.
  Result<void> attach_usb();
  // A new connection to an instrument, as a client in this process sees it; with both transports.
  // bad_input when there is no such instrument, refused when it takes no second client.
  Result<std::unique_ptr<link::Stream>> memory_stream(std::string_view instrument);

  // The boards of the file, and putting one in place (bad_input when unknown; empty: none).
  std::vector<std::string> boards() const;
  Result<void> place_board(std::string_view serial);
  // The virtual hand: moves a port ("scope/1", "meter", "generator") to a test point ("i_out");
  // empty takes it off. bad_input for an unknown instrument or test point.
  Result<void> attach(std::string_view port, std::string_view test_point);
  // Where a port is; empty when nowhere.
  std::string attached(std::string_view port) const;
  // Room temperature from now on (the file's "temperature" at the start).
  void set_temperature(double celsius);

  Truth truth() const;
  // Levels in dBm at the generator's terminals, before the file's rf_path loss.
  BoardTruth board_truth(double rf_hz, double lo_hz, double level_dbm) const;
  // bad_input when `scope` is no scope or has no such channel (1, 2, ...).
  Result<ScopeChannelTruth> scope_truth(std::string_view scope, int channel) const;
  // Program messages that an instrument has taken since the start; 0 for an unknown one.
  std::uint64_t messages(std::string_view instrument) const;

  // How often each kind of trouble has struck an instrument, by the word of the bench file.
  std::map<std::string, std::uint64_t> strikes(std::string_view instrument) const;

  // Time since the start in which at least one instrument kept its user waiting (imposed_time.hpp).
  Duration imposed() const;

  // Closes all connections and listeners at once. Coroutines end when the io_context runs next.
  void stop();

 private:
  struct State;
  static Result<std::unique_ptr<SimulatedBench>> start_plan(BenchPlan plan, Clock& clock,
                                                            Transport transport);
  explicit SimulatedBench(std::shared_ptr<State> state);
  std::shared_ptr<State> state_;
};

// Opens the whole simulated bench of `file` on loopback in real time, writes "name<TAB>resource"
// lines through `say`, one an instrument, and serves until SIGINT or SIGTERM. Instruments with USB
// are plugged into this machine's vhci_hcd where that can be; else a third column says where USB/IP
// serves them. Runs its own
// io_context; returns 0, or the error that kept it from starting.
Result<int> serve(const std::filesystem::path& file,
                  const std::function<void(const std::string& line)>& say);

}  // namespace nightbench::mock::server
