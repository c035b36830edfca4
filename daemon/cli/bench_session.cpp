#include "daemon/cli/bench_session.hpp"

#include <spdlog/sinks/stdout_sinks.h>
#include <spdlog/spdlog.h>
#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <optional>

#include "daemon/cli/places.hpp"
#include "daemon/guardian/spawn.hpp"
#include "drivers/link/open.hpp"

namespace nightbench::cli {
namespace asio = boost::asio;

namespace {

// A message fit for one log line: blocks are counted, control characters made visible.
std::string shown(std::string_view bytes) {
  constexpr std::size_t kMost = 120;
  if (!bytes.empty() && bytes.front() == '#') {
    return "block of " + std::to_string(bytes.size()) + " bytes";
  }
  std::string out;
  for (const char c : bytes.substr(0, kMost)) {
    if (c == '\n')
      out += "\\n";
    else if (static_cast<unsigned char>(c) < 0x20 || static_cast<unsigned char>(c) > 0x7e)
      out += '?';
    else
      out += c;
  }
  if (bytes.size() > kMost) out += "... (" + std::to_string(bytes.size()) + " bytes)";
  return out;
}

void log_traffic(const std::string& instrument, const scpi::Traffic& traffic) {
  const char* arrow = traffic.kind == scpi::Traffic::Kind::sent       ? "->"
                      : traffic.kind == scpi::Traffic::Kind::received ? "<-"
                                                                      : "--";
  spdlog::info("{} {} {}", instrument, arrow, shown(traffic.bytes));
}

}  // namespace

BenchSession::BenchSession(asio::io_context* io, bench::BenchFile file)
    : own_io_(io == nullptr ? std::make_unique<asio::io_context>() : nullptr),
      io_(io == nullptr ? *own_io_ : *io),
      pool_(1),
      file_(std::move(file)) {}

void BenchSession::close() {
  if (bench_) bench_->close();
  if (simulation_) simulation_->stop();
  if (guard_ && !armed_) guard_->goodbye();
  guard_.reset();
}

BenchSession::~BenchSession() {
  close();
  // What is still suspended gets to see that its connection is gone.
  if (own_io_) {
    io_.restart();
    io_.poll();
  }
  bench_.reset();
  pool_.join();
}

Result<void> BenchSession::start() {
  if (file_.kind == bench::Kind::replay) {
    if (!own_io_) {
      Error error;
      error.kind = ErrorKind::bad_input;
      error.file = file_.file.string();
      error.message = "a recording is replayed by \"nightbench run\" alone";
      return fail(std::move(error));
    }
    TRY_ASSIGN(recording_, link::Recording::open(file_.recording));
    auto clock = std::make_unique<VirtualClock>(io_, recording_->heading().started);
    virtual_ = clock.get();
    clock_ = std::move(clock);
    return {};
  }
  clock_ = std::make_unique<RealClock>(io_);
  if (file_.kind == bench::Kind::simulated) {
    TRY_ASSIGN(simulation_, mock::server::SimulatedBench::start(file_.simulation, *clock_,
                                                                mock::server::Transport::tcp));
  }
  return {};
}

Result<std::unique_ptr<BenchSession>> BenchSession::make(const std::filesystem::path& bench_file) {
  TRY_ASSIGN(bench::BenchFile file, bench::read_bench(bench_file));
  std::unique_ptr<BenchSession> session(new BenchSession(nullptr, std::move(file)));
  TRY(session->start());
  return session;
}

Result<std::unique_ptr<BenchSession>> BenchSession::make(const std::filesystem::path& bench_file,
                                                         asio::io_context& io) {
  TRY_ASSIGN(bench::BenchFile file, bench::read_bench(bench_file));
  std::unique_ptr<BenchSession> session(new BenchSession(&io, std::move(file)));
  TRY(session->start());
  return session;
}

Result<void> BenchSession::record_to(const std::filesystem::path& file) {
  link::Heading heading;
  heading.bench = file_.name;
  heading.bench_kind = bench::name(file_.kind);
  heading.program_version = NIGHTBENCH_VERSION;
  TRY_ASSIGN(recorder_, link::Recorder::create(file, std::move(heading), *clock_));
  return {};
}

bench::LinkMaker BenchSession::links() {
  bench::LinkMaker out = bench::real_links(*clock_);
  if (simulation_) {
    out = [this, real = out](const std::string& instrument,
                             const std::string& resource) -> Result<std::unique_ptr<link::Link>> {
      if (!resource.empty()) return real(instrument, resource);
      for (const auto& [name, address] : simulation_->resources()) {
        if (name == instrument) return real(instrument, address);
      }
      Error error;
      error.kind = ErrorKind::bad_input;
      error.file = file_.file.string();
      error.pointer = "/instruments/" + instrument;
      error.message = "the simulated bench \"" + simulation_->name() + "\" has no such instrument";
      return fail(std::move(error));
    };
  }
  if (recording_) {
    out = [this](const std::string& instrument,
                 const std::string&) -> Result<std::unique_ptr<link::Link>> {
      return link::replayed(instrument, recording_, *clock_);
    };
  }
  if (!recorder_) return out;
  return [this, inner = out](const std::string& instrument,
                             const std::string& resource) -> Result<std::unique_ptr<link::Link>> {
    TRY_ASSIGN(std::unique_ptr<link::Link> link, inner(instrument, resource));
    return link::recorded(std::move(link), instrument, recorder_, *clock_);
  };
}

Awaitable<Result<bench::Bench*>> BenchSession::open() {
  CO_TRY_ASSIGN(const std::filesystem::path top, home());
  bench::BenchObserver observer;
  if (show_traffic_) {
    auto logger = spdlog::get("traffic");
    if (!logger) logger = spdlog::stderr_logger_st("traffic");
    logger->set_pattern("%H:%M:%S.%e %v");
    spdlog::set_default_logger(logger);
    observer = log_traffic;
  }
  CO_TRY_ASSIGN(bench_,
                co_await bench::Bench::open(file_, *clock_, links(), dialect_folder(top), observer));
  co_return bench_.get();
}

guardian::Order BenchSession::order(std::filesystem::path log) const {
  guardian::Order out;
  out.bench_file = std::filesystem::absolute(file_.file);
  out.watchdog = file_.guardian.watchdog;
  out.patience = file_.guardian.patience;
  out.log = log.empty() ? log : std::filesystem::absolute(log);
  out.parent = getpid();
  if (!simulation_) return out;
  for (const auto& [name, resource] : simulation_->resources()) {
    const bench::InstrumentEntry* entry = file_.named(name);
    if (entry != nullptr && entry->resource.empty()) out.resources[name] = resource;
  }
  out.patience = {};  // simulated instruments of our own end with us
  return out;
}

Awaitable<Result<bench::Bench*>> BenchSession::open_guarded(std::filesystem::path log,
                                                            std::function<void()> lost) {
  // Nothing is there that could be left on.
  if (recording_) co_return co_await open();
  CO_TRY_ASSIGN(const std::filesystem::path top, home());
  guardian::Order what = order(std::move(log));
  what.dialects = dialect_folder(top);
  CO_TRY_ASSIGN(guard_, co_await guardian::Guard::start(*clock_, guardian::guardian_program(), what));
  armed_ = false;
  guard_->on_lost(std::move(lost));
  co_return co_await open();
}

Awaitable<Result<void>> BenchSession::arm() {
  if (recording_) co_return Result<void>();
  if (!guard_) co_return fail(ErrorKind::internal, "outputs are to be enabled without a guardian");
  CO_TRY(co_await guard_->arm());
  armed_ = true;
  co_return Result<void>();
}

void BenchSession::rest() {
  if (guard_) guard_->rest();
  armed_ = false;
}

Result<int> BenchSession::run(std::function<Awaitable<Result<int>>()> work,
                              std::function<void(int count)> on_signal) {
  std::optional<Result<int>> outcome;
  asio::signal_set signals(io_, SIGINT, SIGTERM);
  int count = 0;
  std::function<void()> listen = [&] {
    signals.async_wait([&](const boost::system::error_code& failed, int) {
      if (failed) return;
      on_signal(++count);
      listen();
    });
  };
  listen();
  asio::co_spawn(io_, work(), [&](const std::exception_ptr& thrown, Result<int> result) {
    if (thrown) std::rethrow_exception(thrown);  // a bug of ours: let it be seen
    outcome = std::move(result);
    io_.stop();
  });
  if (virtual_ != nullptr) {
    virtual_->run([&outcome] { return outcome.has_value(); });
  } else {
    io_.restart();
    io_.run();
  }
  signals.cancel();
  if (!outcome) return fail(ErrorKind::internal, "the I/O loop ended before the work did");
  return *std::move(outcome);
}

}  // namespace nightbench::cli
