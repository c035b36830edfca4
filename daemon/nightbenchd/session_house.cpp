#include "daemon/nightbenchd/session_house.hpp"

#include <boost/asio/steady_timer.hpp>
#include <optional>

#include "daemon/cli/virtual_hand.hpp"

namespace nightbench::daemon {
namespace {

// The person alone; what a run withdraws at its end must not outlive it elsewhere.
class PersonOnly final : public engine::Operator {
 public:
  explicit PersonOnly(engine::Operator& person) : person_(person) {}
  Awaitable<Result<engine::Reply>> ask(engine::Prompt prompt) override {
    return person_.ask(std::move(prompt));
  }
  void withdraw() override { person_.withdraw(); }

 private:
  engine::Operator& person_;
};

}  // namespace

SessionHouse::SessionHouse(boost::asio::io_context& io, std::filesystem::path bench_file,
                           Answers answers, std::filesystem::path log)
    : io_(io), file_(std::move(bench_file)), answers_(answers), log_(std::move(log)) {}

SessionHouse::~SessionHouse() {
  close();
}

void SessionHouse::set(std::filesystem::path bench_file, Answers answers) {
  file_ = std::move(bench_file);
  answers_ = answers;
}

Result<bench::BenchFile> SessionHouse::read() {
  return bench::read_bench(file_);
}

Awaitable<Result<bench::Bench*>> SessionHouse::open() {
  CO_TRY_ASSIGN(session_, cli::BenchSession::make(file_, io_));
  const Result<bench::Bench*> opened = co_await session_->open_guarded(log_, [this] {
    if (lost_) lost_();
  });
  if (opened)
    bench_ = *opened;
  else
    close();
  co_return opened;
}

Awaitable<Result<void>> SessionHouse::arm() {
  co_return co_await session_->arm();
}

void SessionHouse::rest() {
  if (session_) session_->rest();
}

void SessionHouse::close() {
  bench_ = nullptr;
  if (!session_) return;
  session_->close();
  // What is suspended in it sees that its connection is gone when the loop runs next; until then it
  // has to stay.
  const auto timer =
      std::make_shared<boost::asio::steady_timer>(io_, std::chrono::milliseconds(100));
  timer->async_wait([timer, session = std::move(session_)](const boost::system::error_code&) {});
  session_.reset();
}

Result<bool> SessionHouse::place(const std::string& board) {
  mock::server::SimulatedBench* const simulation = session_ ? session_->simulation() : nullptr;
  if (simulation == nullptr) return false;
  TRY(simulation->place_board(board));
  return true;
}

std::unique_ptr<engine::Operator> SessionHouse::hand(engine::Operator& person) {
  mock::server::SimulatedBench* const simulation = session_ ? session_->simulation() : nullptr;
  if (simulation == nullptr) return std::make_unique<PersonOnly>(person);
  return std::make_unique<cli::VirtualHand>(*simulation, std::nullopt,
                                            answers_ == Answers::person ? &person : nullptr);
}

boost::asio::thread_pool* SessionHouse::pool() {
  return session_ ? session_->pool() : nullptr;
}

}  // namespace nightbench::daemon
