#include "tests/soak/nights/house.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>

#include "drivers/link/stream_link.hpp"
#include "tests/support/places.hpp"

namespace nightbench::testing {
namespace asio = boost::asio;

namespace {

const std::string kDialects = NIGHTBENCH_SOURCE_DIR "/drivers/dialects";

class SharedStream final : public link::Stream {
 public:
  explicit SharedStream(std::shared_ptr<link::Stream> inner) : inner_(std::move(inner)) {}
  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    return inner_->read_some(most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) override {
    return inner_->write_all(bytes, deadline);
  }
  void close() override { inner_->close(); }
  bool is_open() const override { return inner_->is_open(); }

 private:
  std::shared_ptr<link::Stream> inner_;
};

class NobodyAsked final : public engine::Operator {
 public:
  explicit NobodyAsked(engine::Operator& person) : person_(person) {}
  Awaitable<Result<engine::Reply>> ask(engine::Prompt prompt) override {
    return person_.ask(std::move(prompt));
  }
  void withdraw() override { person_.withdraw(); }

 private:
  engine::Operator& person_;
};

}  // namespace

std::string what_is_on(const mock::server::SimulatedBench& simulation) {
  const mock::server::Truth truth = simulation.truth();
  std::string out;
  if (truth.rf_on) out += "RF ";
  if (truth.lo_on) out += "LO ";
  if (truth.supply_on) out += "supply ";
  return out;
}

bench::LinkMaker Wires::links() {
  return [this](const std::string& instrument,
                const std::string&) -> Result<std::unique_ptr<link::Link>> {
    auto make = [this, instrument]() -> Result<std::unique_ptr<link::Stream>> {
      TRY_ASSIGN(std::unique_ptr<link::Stream> end, simulation_.memory_stream(instrument));
      const std::shared_ptr<link::Stream> shared = std::move(end);
      std::erase_if(streams_, [](const auto& each) { return each.expired(); });
      streams_.push_back(shared);
      return std::make_unique<SharedStream>(shared);
    };
    return std::make_unique<link::StreamLink>("MEMORY::" + instrument,
                                              link::connector(std::move(make)));
  };
}

void Wires::cut() {
  for (const auto& each : streams_) {
    if (const auto stream = each.lock()) stream->close();
  }
  streams_.clear();
}

GuardianHand::GuardianHand(SharedTime& time, mock::server::SimulatedBench& simulation,
                           guardian::Outputs outputs)
    : loop_(time), wires_(simulation), outputs_(std::move(outputs)) {}

GuardianHand::~GuardianHand() {
  loop_.drop();
}

void GuardianHand::switch_off(Duration patience,
                              std::function<void(std::vector<bench::NotSafe>)> done) {
  const guardian::Report quiet = [](const std::string&, const Error*) {};
  asio::co_spawn(loop_.context(),
                 guardian::switch_all_off(outputs_, loop_, wires_.links(), loop_.now() + patience,
                                          quiet),
                 [done = std::move(done)](const std::exception_ptr& thrown,
                                          std::vector<bench::NotSafe> left) {
                   if (thrown) std::rethrow_exception(thrown);
                   done(std::move(left));
                 });
}

void GuardianHand::take_over() {
  if (took_over_) return;
  took_over_ = true;
  switch_off(std::chrono::minutes(10), [this](std::vector<bench::NotSafe> left) {
    takeover_.left = std::move(left);
    takeover_.done = loop_.now();
    takeover_.over = true;
  });
}

House::House(Loop& loop, mock::server::SimulatedBench& simulation, bench::BenchFile file,
             GuardianHand* guardian)
    : loop_(loop),
      simulation_(simulation),
      file_(std::move(file)),
      guardian_(guardian),
      wires_(simulation) {}

Awaitable<Result<bench::Bench*>> House::open() {
  closed_.clear();
  if (guardian_ != nullptr) {
    struct Rehearsal {
      explicit Rehearsal(Clock& clock) : wake(clock) {}
      link::Wake wake;
      std::optional<std::vector<bench::NotSafe>> left;
    };
    const auto rehearsal = std::make_shared<Rehearsal>(loop_);
    guardian_->switch_off({}, [rehearsal](std::vector<bench::NotSafe> left) {
      rehearsal->left = std::move(left);
      rehearsal->wake.ring();
    });
    while (!rehearsal->left) co_await rehearsal->wake.wait(TimePoint::max());
    if (!rehearsal->left->empty()) co_return fail(rehearsal->left->front().error);
  }
  CO_TRY_ASSIGN(bench_, co_await bench::Bench::open(file_, loop_, wires_.links(), kDialects));
  co_return bench_.get();
}

Awaitable<Result<void>> House::arm() {
  armed_ = true;
  co_return Result<void>();
}

void House::rest() {
  armed_ = false;
  if (unrest_.empty()) unrest_ = what_is_on(simulation_);
}

void House::close() {
  if (!bench_) return;
  bench_->close();
  closed_.push_back(std::move(bench_));
  if (armed_ && guardian_ != nullptr) guardian_->take_over();
  armed_ = false;
}

Result<bool> House::place(const std::string& board) {
  TRY(simulation_.place_board(board));
  return true;
}

std::unique_ptr<engine::Operator> House::hand(engine::Operator& person) {
  return std::make_unique<NobodyAsked>(person);
}

}  // namespace nightbench::testing
