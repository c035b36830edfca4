#include "mock_instruments/server/simulated_bench.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cmath>
#include <complex>
#include <numbers>
#include <optional>

#include "drivers/base/json.hpp"
#include "drivers/link/resource.hpp"
#include "mock_instruments/instrument/recorded_waves.hpp"
#include "mock_instruments/instrument/scope.hpp"
#include "mock_instruments/server/bench_plan.hpp"
#include "mock_instruments/server/service.hpp"
#include "mock_instruments/server/service_device.hpp"
#include "mock_instruments/transport/hislip_server.hpp"
#include "mock_instruments/transport/pseudo_terminal.hpp"
#include "mock_instruments/transport/usbip_server.hpp"
#include "mock_instruments/transport/usbtmc_instrument.hpp"
#include "mock_instruments/transport/vhci.hpp"
#include "mock_instruments/transport/vxi11_server.hpp"

namespace nightbench::mock::server {
namespace asio = boost::asio;
using asio::ip::tcp;

namespace {

std::uint64_t seed_for(std::uint64_t seed, std::string_view name, std::uint64_t purpose) {
  std::uint64_t hash = 0xcbf29ce484222325U ^ (seed * 0x9E3779B97F4A7C15U) ^ purpose;
  for (const char c : name) hash = (hash ^ static_cast<unsigned char>(c)) * 0x100000001b3U;
  return board::Random(hash).next();
}

constexpr double kNominalSupply = 10.0;

double wrapped(double degrees) {
  return std::remainder(degrees, 360.0);
}

}  // namespace

struct Entry {
  std::shared_ptr<Service> service;
  // What it is reached by: one of these, with Transport::tcp.
  std::unique_ptr<tcp::acceptor> acceptor;
  std::unique_ptr<transport::Vxi11Server> vxi11;
  std::unique_ptr<transport::HislipServer> hislip;
  std::string serial_resource;
  std::shared_ptr<transport::UsbtmcInstrument> usb;
  std::unique_ptr<transport::UsbipServer> usbip;
  instrument::Scope* scope = nullptr;
  instrument::Supply* supply = nullptr;
  instrument::LoSource* lo = nullptr;
};

struct SimulatedBench::State : std::enable_shared_from_this<SimulatedBench::State> {
  State(Clock& outer, BenchPlan its_plan)
      : clock(outer), plan(std::move(its_plan)), world(outer.now()) {}

  Result<void> make_instruments();
  Result<std::unique_ptr<instrument::Instrument>> make_scope(const ScopePlan& scope,
                                                             instrument::Setup setup);
  Result<void> wire();
  Result<void> listen();
  Result<void> listen_on_socket(Entry& entry, std::uint16_t port);
  Result<void> open_front(Entry& entry, const InstrumentPlan& how);
  Result<void> place(std::string_view serial);
  Entry* find(std::string_view name);

  Clock& clock;
  BenchPlan plan;
  instrument::World world;
  std::vector<Entry> entries;
  ImposedTime imposed;
  Transport transport = Transport::memory;
  bool stopped = false;
};

namespace {

// Keeps the state alive while its acceptor waits.
Awaitable<void> accept_clients([[maybe_unused]] std::shared_ptr<void> state,
                               std::shared_ptr<Service> service, tcp::acceptor& acceptor,
                               Clock& clock) {
  constexpr auto kPause = std::chrono::milliseconds(50);
  while (acceptor.is_open()) {
    boost::system::error_code failed;
    tcp::socket socket =
        co_await acceptor.async_accept(asio::redirect_error(asio::use_awaitable, failed));
    if (!acceptor.is_open()) break;
    if (failed)
      co_await sleep_for(clock, kPause);  // out of descriptors, or a client gone again
    else
      service->admit(link::tcp_stream(std::move(socket), clock));
  }
}

}  // namespace

Entry* SimulatedBench::State::find(std::string_view name) {
  const auto found =
      std::ranges::find_if(entries, [name](const Entry& e) { return e.service->name() == name; });
  return found == entries.end() ? nullptr : &*found;
}

Result<std::unique_ptr<instrument::Instrument>> SimulatedBench::State::make_scope(
    const ScopePlan& scope, instrument::Setup setup) {
  std::unique_ptr<instrument::WaveSource> waves;
  const bool playback = scope.family == ScopePlan::Family::playback;
  if (playback) {
    std::vector<instrument::Recording> recordings;
    for (const auto& files : scope.recordings) {
      TRY_ASSIGN(auto recording, instrument::read_recording(files));
      recordings.push_back(std::move(recording));
    }
    waves = instrument::recorded_waves(std::move(recordings));
  } else {
    waves = instrument::board_waves(world, setup.name, seed_for(plan.seed, setup.name, 2));
  }
  switch (scope.family) {
    case ScopePlan::Family::curve:
      return std::make_unique<instrument::ScopeCurve>(world, std::move(setup), scope.config,
                                                      std::move(waves));
    case ScopePlan::Family::trace:
      return std::make_unique<instrument::ScopeTrace>(world, std::move(setup), scope.config,
                                                      std::move(waves));
    default:
      break;
  }
  auto made = std::make_unique<instrument::ScopeWaveform>(world, std::move(setup), scope.config,
                                                          std::move(waves));
  made->front_end().exact = scope.exact;
  return made;
}

Result<void> SimulatedBench::State::make_instruments() {
  for (const InstrumentPlan& each : plan.instruments) {
    const instrument::Setup setup{each.name, each.identity, each.latency,
                                  seed_for(plan.seed, each.name, 1)};
    Entry entry;
    std::unique_ptr<instrument::Instrument> made;
    if (const auto* rf = std::get_if<instrument::RfSourceConfig>(&each.model)) {
      made = std::make_unique<instrument::RfSource>(world, setup, *rf);
    } else if (const auto* lo = std::get_if<instrument::LoSourceConfig>(&each.model)) {
      auto source = std::make_unique<instrument::LoSource>(world, setup, *lo);
      entry.lo = source.get();
      made = std::move(source);
    } else if (const auto* scope = std::get_if<ScopePlan>(&each.model)) {
      TRY_ASSIGN(made, make_scope(*scope, setup));
      entry.scope = dynamic_cast<instrument::Scope*>(made.get());
    } else if (const auto* meter = std::get_if<instrument::MeterConfig>(&each.model)) {
      made = std::make_unique<instrument::Meter>(world, setup, *meter);
    } else if (const auto* supply = std::get_if<instrument::SupplyConfig>(&each.model)) {
      auto source = std::make_unique<instrument::Supply>(world, setup, *supply);
      entry.supply = source.get();
      made = std::move(source);
    } else {
      made = std::make_unique<instrument::Relays>(world, setup,
                                                  std::get<instrument::RelaysConfig>(each.model));
    }
    entry.service = std::make_shared<Service>(
        std::move(made), clock, Troubles(each.troubles, seed_for(plan.seed, each.name, 3)),
        each.refuses_second_client);
    entry.service->set_owner(weak_from_this());
    entry.service->set_imposed(&imposed);
    entries.push_back(std::move(entry));
  }
  return {};
}

Result<void> SimulatedBench::State::wire() {
  world.temperature_c = plan.temperature_c;
  world.rf_path_loss_db = plan.rf_path_loss_db;
  for (const ConnectionPlan& each : plan.connections) {
    if (each.relays.empty()) {
      TRY(world.wiring.attach(each.port, each.place));
    } else {
      TRY(world.wiring.route(each.port, each.relays, each.channel, each.place));
    }
  }
  return place(plan.board);
}

Result<void> SimulatedBench::State::place(std::string_view serial) {
  if (serial.empty()) {
    world.place(nullptr, "");
    return {};
  }
  const auto found = std::ranges::find(plan.boards, serial, &BoardPlan::serial);
  if (found == plan.boards.end()) {
    std::vector<std::string> known;
    for (const BoardPlan& each : plan.boards) known.push_back(each.serial);
    std::string message =
        "the simulated bench \"" + plan.name + "\" has no board \"" + std::string(serial) + '"';
    if (const auto close = json::nearest(serial, known))
      message += "; did you mean \"" + *close + "\"?";
    return fail(ErrorKind::bad_input, message);
  }
  TRY_ASSIGN(board::Board made, board::Board::make(found->parameters, found->faults));
  world.place(std::make_unique<board::Board>(std::move(made)), found->serial);
  return {};
}

Result<void> SimulatedBench::State::listen_on_socket(Entry& entry, std::uint16_t port) {
  boost::system::error_code failed;
  const tcp::endpoint where(asio::ip::address_v4::loopback(), port);
  auto acceptor = std::make_unique<tcp::acceptor>(clock.context());
  acceptor->open(where.protocol(), failed);
  if (!failed) acceptor->set_option(tcp::acceptor::reuse_address(true), failed);
  if (!failed) acceptor->bind(where, failed);
  if (!failed) acceptor->listen(asio::socket_base::max_listen_connections, failed);
  if (failed) {
    Error error;
    error.kind = ErrorKind::refused;
    error.number = failed.value();
    error.message =
        "cannot listen on 127.0.0.1 port " + std::to_string(port) + ": " + failed.message();
    return fail(std::move(error));
  }
  entry.acceptor = std::move(acceptor);
  return {};
}

Result<void> SimulatedBench::State::open_front(Entry& entry, const InstrumentPlan& how) {
  const std::weak_ptr<State> self = weak_from_this();
  const std::string& name = how.name;
  const auto drop = [self, name] {
    const std::shared_ptr<State> state = self.lock();
    Entry* const found = state ? state->find(name) : nullptr;
    if (found == nullptr) return;
    if (found->vxi11) found->vxi11->drop_clients();
    if (found->hislip) found->hislip->drop_clients();
    if (found->usbip) found->usbip->detach();
  };
  switch (how.front) {
    case Front::socket:
      return listen_on_socket(entry, how.port);
    case Front::vxi11: {
      transport::Vxi11ServerOptions options;
      options.port = how.port;
      TRY_ASSIGN(entry.vxi11,
                 transport::Vxi11Server::start(std::make_shared<ServiceDevice>(entry.service, drop),
                                               clock, options));
      return {};
    }
    case Front::hislip: {
      transport::HislipServerOptions options;
      options.port = how.port;
      TRY_ASSIGN(entry.hislip,
                 transport::HislipServer::start(
                     std::make_shared<ServiceDevice>(entry.service, drop), clock, options));
      return {};
    }
    case Front::serial: {
      TRY_ASSIGN(transport::PseudoTerminal terminal, transport::open_pseudo_terminal(clock));
      entry.serial_resource = terminal.resource();
      entry.service->admit(std::move(terminal.stream));
      return {};
    }
    case Front::usb: {
      transport::UsbIdentity identity;
      identity.maker = how.identity.maker;
      identity.model = how.identity.model;
      identity.serial = how.identity.serial;
      entry.usb = transport::UsbtmcInstrument::start(
          std::make_shared<ServiceDevice>(entry.service, drop), clock, identity);
      transport::UsbipServerOptions options;
      options.port = how.port;
      TRY_ASSIGN(entry.usbip, transport::UsbipServer::start(entry.usb, entry.usb->function(),
                                                            identity, clock, options));
      return {};
    }
  }
  return {};
}

Result<void> SimulatedBench::State::listen() {
  for (std::size_t i = 0; i < entries.size(); ++i) {
    Result<void> opened = open_front(entries[i], plan.instruments[i]);
    if (!opened) {
      Error error = std::move(opened).error();
      error.instrument = entries[i].service->name();
      return fail(std::move(error));
    }
  }
  for (Entry& entry : entries) {
    if (entry.acceptor == nullptr) continue;
    asio::co_spawn(clock.context(),
                   accept_clients(shared_from_this(), entry.service, *entry.acceptor, clock),
                   asio::detached);
  }
  return {};
}

SimulatedBench::SimulatedBench(std::shared_ptr<State> state) : state_(std::move(state)) {}
SimulatedBench::~SimulatedBench() {
  stop();
}

Result<std::unique_ptr<SimulatedBench>> SimulatedBench::start(const std::filesystem::path& file,
                                                              Clock& clock, Transport transport) {
  TRY_ASSIGN(const json::Node root, json::read_file(file));
  TRY_ASSIGN(BenchPlan plan, decode_bench(root, file.parent_path()));
  return start_plan(std::move(plan), clock, transport);
}

Result<std::unique_ptr<SimulatedBench>> SimulatedBench::start_text(
    std::string_view text, std::string name, const std::filesystem::path& folder, Clock& clock,
    Transport transport) {
  TRY_ASSIGN(const json::Node root, json::parse(text, std::move(name)));
  TRY_ASSIGN(BenchPlan plan, decode_bench(root, folder));
  return start_plan(std::move(plan), clock, transport);
}

Result<std::unique_ptr<SimulatedBench>> SimulatedBench::start_plan(BenchPlan plan, Clock& clock,
                                                                   Transport transport) {
  auto state = std::make_shared<State>(clock, std::move(plan));
  state->transport = transport;
  std::unique_ptr<SimulatedBench> bench(new SimulatedBench(state));
  TRY(state->make_instruments());
  TRY(state->wire());
  if (transport == Transport::tcp) {
    TRY(state->listen());
  }
  return bench;
}

const std::string& SimulatedBench::name() const {
  return state_->plan.name;
}

std::vector<std::pair<std::string, std::string>> SimulatedBench::resources() const {
  std::vector<std::pair<std::string, std::string>> out;
  for (const Entry& entry : state_->entries) {
    std::string resource = "MEMORY::" + entry.service->name();
    if (entry.acceptor != nullptr) {
      boost::system::error_code closed;
      const auto where = entry.acceptor->local_endpoint(closed);
      resource = "TCPIP::127.0.0.1::" + std::to_string(closed ? 0 : where.port()) + "::SOCKET";
    } else if (entry.vxi11 != nullptr) {
      resource = "TCPIP::127.0.0.1," + std::to_string(entry.vxi11->core_port()) + "::inst0::INSTR";
    } else if (entry.hislip != nullptr) {
      resource = "TCPIP::127.0.0.1::hislip0," + std::to_string(entry.hislip->port()) + "::INSTR";
    } else if (!entry.serial_resource.empty()) {
      resource = entry.serial_resource;
    } else if (entry.usb != nullptr) {
      const transport::UsbIdentity& identity = entry.usb->identity();
      link::UsbResource usb;
      usb.vendor = identity.vendor;
      usb.product = identity.product;
      usb.serial = identity.serial;
      resource = link::normalised(link::Resource(usb));
    }
    out.emplace_back(entry.service->name(), std::move(resource));
  }
  return out;
}

std::vector<std::pair<std::string, std::uint16_t>> SimulatedBench::usbip_ports() const {
  std::vector<std::pair<std::string, std::uint16_t>> out;
  for (const Entry& entry : state_->entries) {
    if (entry.usbip != nullptr) out.emplace_back(entry.service->name(), entry.usbip->port());
  }
  return out;
}

Result<void> SimulatedBench::attach_usb() {
  for (Entry& entry : state_->entries) {
    if (entry.usbip == nullptr) continue;
    TRY_ASSIGN(std::unique_ptr<link::Stream> stream,
               transport::attach_to_vhci(entry.usbip->record(), state_->clock));
    entry.usbip->attach(std::move(stream));
  }
  return {};
}

Result<std::unique_ptr<link::Stream>> SimulatedBench::memory_stream(std::string_view name) {
  Entry* entry = state_->find(name);
  if (entry == nullptr) {
    return fail(ErrorKind::bad_input, "the simulated bench \"" + state_->plan.name +
                                          "\" has no instrument \"" + std::string(name) + '"');
  }
  auto [here, there] = link::memory_streams(state_->clock);
  if (!entry->service->admit(std::move(there))) {
    return fail(ErrorKind::refused, "the instrument takes no further client");
  }
  return std::move(here);
}

std::vector<std::string> SimulatedBench::boards() const {
  std::vector<std::string> out;
  for (const BoardPlan& each : state_->plan.boards) out.push_back(each.serial);
  return out;
}

Result<void> SimulatedBench::place_board(std::string_view serial) {
  return state_->place(serial);
}

Result<void> SimulatedBench::attach(std::string_view port, std::string_view test_point) {
  const std::string name(port.substr(0, port.find('/')));
  if (state_->find(name) == nullptr) {
    return fail(ErrorKind::bad_input, "the simulated bench \"" + state_->plan.name +
                                          "\" has no instrument \"" + name + '"');
  }
  return state_->world.wiring.attach(port, test_point);
}

std::string SimulatedBench::attached(std::string_view port) const {
  return state_->world.wiring.place(port);
}

void SimulatedBench::set_temperature(double celsius) {
  state_->world.temperature_c = celsius;
}

Truth SimulatedBench::truth() const {
  const TimePoint now = state_->clock.now();
  const board::Stimulus stimulus = state_->world.stimulus(now);
  Truth out;
  out.rf_on = stimulus.rf_on;
  out.rf_hz = stimulus.rf_hz;
  out.rf_dbm = stimulus.rf_dbm;
  out.lo_on = stimulus.lo_on;
  out.lo_hz = stimulus.lo_hz;
  out.board = state_->world.serial();
  for (const Entry& entry : state_->entries) {
    if (entry.supply == nullptr) continue;
    for (int k = 1; k <= entry.supply->outputs(); ++k) {
      const auto terminals = entry.supply->terminals(k, now);
      out.supply_tripped = out.supply_tripped || terminals.tripped;
      if (!entry.supply->feeds_board(k) || !terminals.on) continue;
      out.supply_on = true;
      out.supply_v = terminals.volts;
      out.supply_a = terminals.amperes;
    }
  }
  return out;
}

BoardTruth SimulatedBench::board_truth(double rf_hz, double lo_hz, double level_dbm) const {
  BoardTruth out;
  instrument::World& world = state_->world;
  if (world.board() == nullptr) return out;
  board::Stimulus stimulus = world.stimulus(state_->clock.now());
  if (!stimulus.supply_on) {
    stimulus.supply_on = true;
    stimulus.supply_v = kNominalSupply;
  }
  if (!stimulus.lo_on) {
    const board::Stimulus usual;
    stimulus.lo_high_v = usual.lo_high_v;
    stimulus.lo_phase_deg = usual.lo_phase_deg;
  }
  stimulus.rf_on = true;
  stimulus.lo_on = true;
  stimulus.rf_hz = rf_hz;
  stimulus.lo_hz = lo_hz;
  stimulus.rf_dbm = level_dbm - world.rf_path_loss_db;
  const board::IqResponse at = world.board()->iq_response(stimulus);
  constexpr double kDegrees = 180.0 / std::numbers::pi;
  const std::complex<double> j(0.0, 1.0);
  out.if_hz = at.if_hz;
  out.i_v = std::abs(at.i_v);
  out.q_v = std::abs(at.q_v);
  out.i_phase_deg = kDegrees * std::arg(at.i_v);
  out.q_phase_deg = kDegrees * std::arg(at.q_v);
  out.q_after_i_deg = wrapped(out.q_phase_deg - out.i_phase_deg);
  out.gain_ratio = out.q_v / out.i_v;
  // Image rejection from the two phasors (harmonic-free): |I + jQ| over |I - jQ|, either way round.
  const double ratio = std::norm(at.i_v + j * at.q_v) / std::norm(at.i_v - j * at.q_v);
  out.image_rejection_db = std::fabs(10.0 * std::log10(ratio));
  out.clipped = at.i_clipped || at.q_clipped;
  return out;
}

Result<ScopeChannelTruth> SimulatedBench::scope_truth(std::string_view scope, int channel) const {
  const Entry* entry = state_->find(scope);
  if (entry == nullptr || entry->scope == nullptr || channel < 1 ||
      channel > entry->scope->front_end().config().channels) {
    return fail(ErrorKind::bad_input, "no scope \"" + std::string(scope) + "\" with a channel " +
                                          std::to_string(channel));
  }
  instrument::ScopeFrontEnd& front = entry->scope->front_end();
  return ScopeChannelTruth{front.gain(channel), front.offset_error_v(channel),
                           front.skew_s(channel)};
}

std::uint64_t SimulatedBench::messages(std::string_view name) const {
  const Entry* entry = state_->find(name);
  return entry == nullptr ? 0 : entry->service->messages();
}

std::map<std::string, std::uint64_t> SimulatedBench::strikes(std::string_view name) const {
  std::map<std::string, std::uint64_t> out;
  const Entry* entry = state_->find(name);
  if (entry == nullptr) return out;
  for (const auto& [kind, count] : entry->service->troubles().strikes()) out[word(kind)] = count;
  return out;
}

Duration SimulatedBench::imposed() const {
  return state_->imposed.total(state_->clock.now());
}

void SimulatedBench::stop() {
  if (state_->stopped) return;
  state_->stopped = true;
  for (Entry& entry : state_->entries) {
    boost::system::error_code ignored;  // closing is final either way
    if (entry.acceptor != nullptr) entry.acceptor->close(ignored);
    entry.vxi11.reset();
    entry.hislip.reset();
    entry.usbip.reset();
    if (entry.usb != nullptr) entry.usb->stop();
    entry.service->stop();
  }
}

}  // namespace nightbench::mock::server
