#include "daemon/nightbenchd/program.hpp"

#include <spdlog/spdlog.h>
#include <sys/resource.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <csignal>
#include <cstdlib>
#include <fstream>

#include "daemon/cli/places.hpp"
#include "daemon/http/api.hpp"
#include "daemon/nightbenchd/logs.hpp"
#include "daemon/nightbenchd/notify.hpp"
#include "daemon/nightbenchd/plans.hpp"
#include "daemon/nightbenchd/session_house.hpp"

namespace nightbench::daemon {
namespace asio = boost::asio;
namespace fs = std::filesystem;

namespace {

constexpr Duration kLastWords = std::chrono::seconds(1);  // for answers under way at the end

fs::path state_of(const Config& config) {
  if (!config.state.empty()) return config.state;
  // Given by the service manager (systemd.exec(5), StateDirectory=).
  if (const char* given = std::getenv("STATE_DIRECTORY"); given != nullptr && *given == '/') {
    return fs::path(std::string(given).substr(0, std::string(given).find(':')));
  }
  return cli::default_out();
}

Result<http::Access> access_of(const Config& config) {
  http::Access access;
  access.requests_per_s = config.requests_per_s;
  access.burst = config.burst;
  if (!config.token_file.empty()) {
    TRY_ASSIGN(access.token, read_token(config.token_file));
  }
  return access;
}

// Every connection is a descriptor; the soft limit is often below what the configuration allows.
void make_room_for(std::size_t connections) {
  rlimit limit{};
  if (getrlimit(RLIMIT_NOFILE, &limit) != 0) return;
  const rlim_t wanted = connections + 256;
  if (limit.rlim_cur >= wanted) return;
  limit.rlim_cur = std::min(wanted, limit.rlim_max);
  if (setrlimit(RLIMIT_NOFILE, &limit) != 0) spdlog::warn("the limit of open files stays low");
}

class Program {
 public:
  Program(Options options, Config config, http::Access access,
          std::unique_ptr<store::SqliteJournal> journal, std::unique_ptr<store::SqliteQueue> queue)
      : options_(std::move(options)),
        config_(std::move(config)),
        clock_(io_),
        journal_(std::move(journal)),
        queue_store_(std::move(queue)),
        events_(io_),
        live_(events_),
        person_(clock_, events_),
        desk_(*queue_store_, clock_, events_),
        room_(io_, journal_->file()),
        house_(io_, config_.bench, config_.answers, state_of(config_) / "guardian.log"),
        worker_({clock_, house_, make_plan, *journal_, desk_, events_, live_, person_, room_,
                 state_of(config_), NIGHTBENCH_VERSION}),
        gate_(clock_, std::move(access)),
        api_({clock_, gate_, events_, live_, person_, desk_, worker_, house_, room_, make_plan,
              library, [this]() -> const http::Tally& { return server_.tally(); },
              NIGHTBENCH_VERSION, clock_.wall()}),
        server_(
            clock_, gate_, events_, config_.limits,
            [this](http::Request request) { return api_.handle(std::move(request)); },
            http::Api::open_to_all),
        ends_(io_, SIGINT, SIGTERM),
        reloads_(io_, SIGHUP) {
    desk_.on_change([this] { worker_.wake(); });
  }

  ~Program() {
    server_.cut();
    house_.close();
    io_.restart();
    io_.run_for(std::chrono::milliseconds(300));
  }

  Result<void> run(const std::function<void(const std::string&)>& say) {
    TRY_ASSIGN(const std::size_t left, desk_.recover());
    if (left > 0) spdlog::warn("{} run(s) were cut short by the end of the last service", left);
    const auto token = config_.token_file.empty() ? http::Server::Token::none
                       : config_.token_everywhere ? http::Server::Token::everywhere
                                                  : http::Server::Token::remote;
    for (const std::string& address : config_.listen) {
      TRY_ASSIGN(const std::string where, server_.listen(address, config_.hosts, token));
      spdlog::info("listening on {}", where);
      say("listening on " + where);
    }
    wait_for_end();
    wait_for_reload();
    asio::co_spawn(io_, worker_.work(), [this](const std::exception_ptr& thrown) {
      if (thrown) std::rethrow_exception(thrown);
      asio::co_spawn(io_, finish(), asio::detached);
    });
    notifier_.say("READY=1\nSTATUS=Waiting for the queue");
    beat();
    io_.run();
    spdlog::info("ended");
    return {};
  }

 private:
  void wait_for_end() {
    ends_.async_wait([this](const boost::system::error_code& failed, int number) {
      if (failed) return;
      spdlog::info("signal {}: switching off and ending", number);
      notifier_.say("STOPPING=1\nSTATUS=Switching off");
      worker_.stop();
      wait_for_end();
    });
  }

  void wait_for_reload() {
    reloads_.async_wait([this](const boost::system::error_code& failed, int) {
      if (failed) return;
      reload();
      wait_for_reload();
    });
  }

  void reload() {
    const auto config = settle(options_);
    const auto access = config ? access_of(*config) : Result<http::Access>(fail(config.error()));
    if (!access) {
      spdlog::error("the configuration is not reloaded: {}", describe(access.error()));
      return;
    }
    if (config->listen != config_.listen || state_of(*config) != state_of(config_) ||
        config->hosts != config_.hosts) {
      spdlog::warn("\"listen\", \"hosts\" and \"state\" count from the next start on");
    }
    tune_log(config->log);
    gate_.set(*access);
    house_.set(config->bench, config->answers);
    worker_.reopen();
    spdlog::info("the configuration is reloaded");
  }

  void beat() {
    if (!notifier_.watchdog()) return;
    notifier_.say("WATCHDOG=1");
    watchdog_ = clock_.arm(clock_.now() + *notifier_.watchdog(), [this] { beat(); });
  }

  Awaitable<void> finish() {
    server_.stop();
    events_.close();
    const TimePoint most = clock_.now() + kLastWords;
    while (server_.tally().open > 0 && clock_.now() < most) {
      co_await sleep_for(clock_, std::chrono::milliseconds(10));
    }
    io_.stop();
  }

  Options options_;
  Config config_;
  asio::io_context io_{1};
  RealClock clock_;
  std::unique_ptr<store::SqliteJournal> journal_;
  std::unique_ptr<store::SqliteQueue> queue_store_;
  service::EventHub events_;
  service::LiveRun live_;
  service::RemoteOperator person_;
  service::QueueDesk desk_;
  service::ReadRoom room_;
  SessionHouse house_;
  service::Worker worker_;
  http::Gate gate_;
  http::Api api_;
  http::Server server_;
  asio::signal_set ends_, reloads_;
  Notifier notifier_;
  std::unique_ptr<Alarm> watchdog_;
};

}  // namespace

Result<Config> settle(const Options& options) {
  Config config;
  if (options.config) {
    TRY_ASSIGN(config, read_config(*options.config));
  }
  if (!options.bench.empty()) config.bench = fs::absolute(options.bench);
  if (!options.state.empty()) config.state = fs::absolute(options.state);
  if (!options.listen.empty()) config.listen = options.listen;
  if (!options.log_level.empty()) config.log.level = options.log_level;
  if (options.log_json) config.log.json = true;
  if (options.log_stderr) config.log.file = "-";
  if (options.answers == "person") config.answers = Answers::person;
  if (options.answers == "simulated") config.answers = Answers::simulated;
  if (config.token_everywhere && config.token_file.empty()) {
    return fail(ErrorKind::bad_input, "\"token_everywhere\" needs a \"token_file\"");
  }
  if (config.bench.empty()) {
    return fail(ErrorKind::bad_input,
                "which bench? Name its file with --bench, or in the service's own file (--config)");
  }
  return config;
}

Result<void> serve(const Options& options, const std::function<void(const std::string&)>& say) {
  TRY_ASSIGN(Config config, settle(options));
  TRY(bench::read_bench(config.bench));
  TRY_ASSIGN(http::Access access, access_of(config));
  const fs::path state = state_of(config);
  std::error_code failed;
  fs::create_directories(state, failed);
  TRY(open_log(config.log, state));
  make_room_for(config.limits.connections);
  const fs::path database = state / "nightbench.db";
  TRY_ASSIGN(auto journal, store::SqliteJournal::open(database));
  TRY_ASSIGN(auto queue, store::SqliteQueue::open(database));
  spdlog::info("nightbenchd {} with bench {} and store {}", NIGHTBENCH_VERSION,
               config.bench.string(), database.string());
  std::signal(SIGPIPE, SIG_IGN);
  Program program(options, std::move(config), std::move(access), std::move(journal),
                  std::move(queue));
  return program.run(say);
}

}  // namespace nightbench::daemon
