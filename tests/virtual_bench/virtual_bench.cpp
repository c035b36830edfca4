#include "tests/virtual_bench/virtual_bench.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <fstream>
#include <sstream>
#include <stdexcept>

#include "drivers/link/stream_link.hpp"
#include "sequences/engine/header.hpp"
#include "tests/support/places.hpp"

namespace nightbench::testing {
namespace asio = boost::asio;

namespace {

const std::string kSource = NIGHTBENCH_SOURCE_DIR;

std::string text_of(const std::string& file) {
  std::ifstream stream(file, std::ios::binary);
  if (!stream) throw std::runtime_error("no file " + file);
  std::ostringstream text;
  text << stream.rdbuf();
  return std::move(text).str();
}

template <typename T>
T must(Result<T> result) {
  if (!result) throw std::runtime_error(describe(result.error()));
  return *std::move(result);
}

}  // namespace

VirtualBench::VirtualBench(const std::string& simulation, const std::string& folder,
                           const std::string& bench)
    : clock_(io_) {
  simulation_ = must(mock::server::SimulatedBench::start_text(
      simulation, "simulation", folder, clock_, mock::server::Transport::memory));
  file_ = must(bench::decode_bench(must(json::parse(bench, kSource + "/docs/examples/bench"))));
}

std::unique_ptr<VirtualBench> VirtualBench::demo(
    const std::function<void(std::string& simulation, std::string& bench)>& change) {
  std::string simulation = text_of(kSource + "/mock_instruments/benches/heron-30.json");
  std::string bench = text_of(kSource + "/docs/examples/bench-simulated.json");
  if (change) change(simulation, bench);
  return std::make_unique<VirtualBench>(simulation, kSource + "/mock_instruments/benches", bench);
}

VirtualBench::~VirtualBench() {
  if (bench_) bench_->close();
  if (simulation_) simulation_->stop();
  io_.restart();
  io_.poll();
}

Result<bench::Bench*> VirtualBench::open() {
  bench::LinkMaker links = [this](const std::string& instrument,
                                  const std::string&) -> Result<std::unique_ptr<link::Link>> {
    auto make = [this, instrument] { return simulation_->memory_stream(instrument); };
    return std::make_unique<link::StreamLink>("MEMORY::" + instrument,
                                              link::connector(std::move(make)));
  };
  std::optional<Result<std::unique_ptr<bench::Bench>>> opened;
  run([&]() -> Awaitable<void> {
    opened = co_await bench::Bench::open(file_, clock_, links, kSource + "/drivers/dialects");
  });
  if (!*opened) return fail(opened->error());
  bench_ = std::move(**opened);
  return bench_.get();
}

void VirtualBench::run(std::function<Awaitable<void>()> work) {
  bool done = false;
  std::exception_ptr thrown;
  asio::co_spawn(io_, work(), [&](const std::exception_ptr& failure) {
    thrown = failure;
    done = true;
  });
  const bool ended = clock_.run([&done] { return done; });
  if (thrown) std::rethrow_exception(thrown);
  if (!ended)
    throw std::runtime_error("standstill: nothing is left to do, and the work is not done");
}

Result<engine::Ending> VirtualBench::run_plan(const script::Plan& plan, record::Journal& journal,
                                              const std::string& board, engine::Observer* observer,
                                              engine::Settings settings) {
  if (const auto placed = simulation_->place_board(board); !placed) return fail(placed.error());
  if (!bench_) TRY(open());
  engine::Analyst analyst(io_, nullptr);
  engine::Engine engine(plan, *bench_, journal, analyst, observer, std::move(settings));
  engine::RunIdentity identity;
  identity.board = board;
  identity.program_version = "test";
  std::optional<Result<engine::Ending>> ending;
  run([&]() -> Awaitable<void> {
    ending = co_await engine.run(engine::make_header(plan, *bench_, identity));
  });
  return *std::move(ending);
}

script::Plan make_plan(const std::string& script, const std::string& board_type,
                       const std::map<std::string, std::string>& settings) {
  const json::Node script_root = must(json::parse(script, "script"));
  const json::Node type_root = must(json::parse(board_type, "board type"));
  return script::Plan(must(script::decode_script(script_root, script, settings)),
                      must(script::decode_board_type(type_root, board_type)));
}

std::string library_text(const std::string& path) {
  return text_of(kSource + "/sequences/library/" + path);
}

}  // namespace nightbench::testing
