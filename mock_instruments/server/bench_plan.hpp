// The simulated bench file: which instruments there are, with which errors and troubles, how they
// are wired, and which boards can be put in place. Decoding only; nothing is started.
//
// docs/reference/files.md describes the file; every error names file, JSON pointer and what was
// expected.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "drivers/base/error.hpp"
#include "drivers/base/json.hpp"
#include "mock_instruments/board/fault.hpp"
#include "mock_instruments/board/parameters.hpp"
#include "mock_instruments/instrument/instrument.hpp"
#include "mock_instruments/instrument/lo_source.hpp"
#include "mock_instruments/instrument/meter.hpp"
#include "mock_instruments/instrument/relays.hpp"
#include "mock_instruments/instrument/rf_source.hpp"
#include "mock_instruments/instrument/scope_front_end.hpp"
#include "mock_instruments/instrument/supply.hpp"
#include "mock_instruments/server/trouble.hpp"

namespace nightbench::mock::server {

struct ScopePlan {
  enum class Family : std::uint8_t { waveform, curve, trace, playback };
  Family family = Family::waveform;
  instrument::ScopeConfig config;
  // Playback: SigMF meta files, one (complex) or one a channel (real) for each record.
  std::vector<std::vector<std::filesystem::path>> recordings;
  bool exact = false;  // floating-point codes
};

// How an instrument is reached from outside this process.
enum class Front : std::uint8_t { socket, vxi11, hislip, serial, usb };

using ModelPlan =
    std::variant<instrument::RfSourceConfig, instrument::LoSourceConfig, ScopePlan,
                 instrument::MeterConfig, instrument::SupplyConfig, instrument::RelaysConfig>;

struct InstrumentPlan {
  std::string name;
  ModelPlan model;
  Front front = Front::socket;
  std::uint16_t port = 0;  // of socket, VXI-11 core channel, HiSLIP, USB/IP
  instrument::Identity identity;
  instrument::Latency latency;
  bool refuses_second_client = false;  // otherwise it waits in turn
  std::vector<Trouble> troubles;
};

struct ConnectionPlan {
  std::string port;
  std::string relays;  // empty: by hand
  int channel = 0;
  std::string place;
};

struct BoardPlan {
  std::string serial;
  board::Parameters parameters;
  std::vector<board::Fault> faults;
};

struct BenchPlan {
  std::string name;
  std::uint64_t seed = 1;
  double temperature_c = board::reference_temperature_c;
  double rf_path_loss_db = 0.0;
  std::vector<InstrumentPlan> instruments;  // in the order of their names
  std::vector<ConnectionPlan> connections;
  std::vector<BoardPlan> boards;
  std::string board;  // in place at the start; empty: none
};

// Relative paths in the file start at `folder`. Errors: bad_input.
Result<BenchPlan> decode_bench(const json::Node& root, const std::filesystem::path& folder);

}  // namespace nightbench::mock::server
