// Switching off over links of one's own, against simulated instruments on virtual time.
#include "daemon/guardian/outputs.hpp"

#include <gmock/gmock.h>

#include "drivers/link/stream_link.hpp"
#include "tests/support/places.hpp"
#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::guardian {
namespace {

using nightbench::testing::VirtualBench;
using ::testing::HasSubstr;
using ::testing::UnorderedElementsAre;

void add_trouble(std::string& simulation, const std::string& model, const std::string& trouble) {
  const std::string at = "\"model\": \"" + model + "\"";
  simulation.replace(simulation.find(at), at.size(), at + ", \"troubles\": [" + trouble + "]");
}

struct OutputsTest : ::testing::Test {
  // With outputs on, as a daemon that is gone has left them.
  void start(const std::function<void(std::string&, std::string&)>& change = {}) {
    bench = VirtualBench::demo(change);
    const auto opened = bench->open();
    ASSERT_TRUE(opened) << describe(opened.error());
    bench::Bench& open = **opened;
    bench->run([&]() -> Awaitable<void> {
      EXPECT_TRUE(co_await open.supply()->set(5, 0.1));
      EXPECT_TRUE(co_await open.supply()->output(true));
      const instrument::RfSetting setting{10.12e6, -40, true};
      EXPECT_TRUE(co_await open.rf_source()->apply(setting));
      co_await sleep_for(bench->clock(), std::chrono::seconds(1));
    });
    EXPECT_TRUE(bench->simulation().truth().supply_on);
    EXPECT_TRUE(bench->simulation().truth().rf_on);
    open.close();
    outputs.file = bench->file();
    outputs.dialects = NIGHTBENCH_SOURCE_DIR "/drivers/dialects";
  }

  std::vector<bench::NotSafe> all_off(Duration patience) {
    const bench::LinkMaker links =
        [this](const std::string& instrument,
               const std::string&) -> Result<std::unique_ptr<link::Link>> {
      auto make = [this, instrument] { return bench->simulation().memory_stream(instrument); };
      return std::make_unique<link::StreamLink>("MEMORY::" + instrument,
                                                link::connector(std::move(make)));
    };
    const Report report = [this](const std::string& instrument, const Error* error) {
      if (error != nullptr)
        ++failures;
      else
        reported.push_back(instrument);
    };
    std::vector<bench::NotSafe> left;
    const TimePoint began = bench->clock().now();
    bench->run([&]() -> Awaitable<void> {
      left = co_await switch_all_off(outputs, bench->clock(), links, began + patience, report);
    });
    took_s = seconds(bench->clock().now() - began);
    return left;
  }

  std::unique_ptr<VirtualBench> bench;
  Outputs outputs;
  std::vector<std::string> reported;
  int failures = 0;
  double took_s = 0;
};

TEST_F(OutputsTest, EverythingThatDrivesTheBoardGoesOff) {
  start();
  EXPECT_TRUE(all_off({}).empty());
  EXPECT_FALSE(bench->simulation().truth().supply_on);
  EXPECT_FALSE(bench->simulation().truth().rf_on);
  EXPECT_THAT(reported, UnorderedElementsAre("generator", "clock", "supply"));
}

TEST_F(OutputsTest, OneThatHangsDoesNotKeepTheOthersOn) {
  start([](std::string& simulation, std::string&) {
    add_trouble(simulation, "rf_source",
                R"({"what": "hang", "when": {"at": "0.5 s"}, "times": 0})");
  });
  const auto left = all_off(std::chrono::seconds(20));
  ASSERT_EQ(left.size(), 1U);
  EXPECT_EQ(left[0].instrument, "generator");
  EXPECT_GE(failures, 2);
  EXPECT_GE(took_s, 20);
  EXPECT_FALSE(bench->simulation().truth().supply_on);
}

TEST_F(OutputsTest, ItIsTriedAgainUntilItObeys) {
  start([](std::string& simulation, std::string&) {
    // Beyond the messages that switch it on.
    add_trouble(simulation, "supply", R"({"what": "power_loss", "when": {"header": "OUTP", "at": "0.9 s"}, "delay": "3 s"})");
  });
  EXPECT_TRUE(all_off(std::chrono::seconds(60)).empty());
  EXPECT_GE(failures, 1);
  EXPECT_FALSE(bench->simulation().truth().supply_on);
}

TEST_F(OutputsTest, AStrangerIsNotDriven) {
  start();
  for (auto& each : outputs.file.instruments) {
    if (each.name == "supply") each.identity = "Another Make";
  }
  const auto left = all_off({});
  ASSERT_EQ(left.size(), 1U);
  EXPECT_THAT(left[0].error.message, HasSubstr("Another Make"));
  EXPECT_TRUE(bench->simulation().truth().supply_on);
}

}  // namespace
}  // namespace nightbench::guardian
