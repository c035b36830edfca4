// Responses beside multiples of the LO: the script `harmonics` on simulated boards, against sampler theory
// and against what the filter of a real board leaves of it.
#include <gtest/gtest.h>

#include <cmath>
#include <map>

#include "sequences/report/derived.hpp"
#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::engine {
namespace {

using testing::VirtualBench;

// Nothing but source, switch and capacitors: no filter, a perfect splitter, no strays, sharp LO edges.
constexpr const char* kIdealSampler = R"("H30-001": { "design": "30m", "values": {
    "filter_bandwidth_hz": 1e12, "winding_henry": 1e-3, "winding_ohm": 1e-4, "coupling": 0.999999,
    "core_loss_ohm": 1e7, "switch_input_farad": 1e-14, "switch_pin_farad": 1e-14, "wire_ohm": 1e-3,
    "lo_edge_s": 1e-10, "select_dead_v": 0.01 } },)";

void replace(std::string& text, const std::string& from, const std::string& to) {
  const std::size_t at = text.find(from);
  ASSERT_NE(at, std::string::npos) << from;
  text.replace(at, from.size(), to);
}

record::Run run_harmonics(VirtualBench& bench, const std::map<std::string, std::string>& settings) {
  const script::Plan plan =
      testing::make_plan(testing::library_text("scripts/harmonics.json"),
                         testing::library_text("board_types/heron-30.json"), settings);
  record::MemoryJournal journal;
  struct Watch final : Observer {
    std::string id;
    void began(const record::Header& began) override { id = began.run_id; }
    void point(const record::Point&, const Progress&) override {}
    void event(const record::Event&) override {}
    void ended(record::Outcome, const std::string&) override {}
  } watch;
  const auto ending = bench.run_plan(plan, journal, "H30-001", &watch);
  EXPECT_TRUE(ending) << (ending ? "" : describe(ending.error()));
  auto run = journal.load(watch.id);
  EXPECT_TRUE(run);
  return run ? *run : record::Run{};
}

const record::Reading* find(const std::vector<report::Derived>& all, const std::string& quantity) {
  for (const report::Derived& each : all) {
    if (each.reading.quantity == quantity) return &each.reading;
  }
  return nullptr;
}

// A sampler that averages over a quarter of the period answers beside k times the LO with
// sinc(k/4), in the other sense for k = 3 and in the same for k = 5: 1/3 and 1/5 of the response
// beside the LO, -9.542425 dB and -13.979400 dB (rows QSD-2, QSD-3 and QSD-8: sampler theory, derived
// and checked numerically apart from the simulated board).
TEST(Harmonics, OfAnIdealSamplerAreAThirdAndAFifth) {
  const auto bench = VirtualBench::demo([](std::string& simulation, std::string&) {
    replace(simulation, R"("H30-001": { "design": "30m" },)", kIdealSampler);
    replace(simulation, R"("level_slope": "-0.05 dB", "harmonic2": "-45 dB", "harmonic3": "-50 dB" )",
            R"("level_slope": "0 dB")");
  });
  const record::Run run = run_harmonics(*bench, {{"from", "3.505 MHz"},
                                                 {"to", "3.525 MHz"},
                                                 {"points", "3"},
                                                 {"level_beside", "-40 dBm"}});
  ASSERT_EQ(run.outcome, record::Outcome::complete) << run.outcome_text;
  std::map<int, int> points;
  for (const record::Point& point : run.points) {
    if (!point.at.contains("rf_hz")) continue;
    const int harmonic = record::harmonic_of(point);
    ++points[harmonic];
    EXPECT_NEAR(point.at.at("rf_hz"), harmonic * point.at.at("lo_hz") + 5e3, 1e-3);
    EXPECT_NEAR(point.at.at("offset_hz"), 5e3, 1e-3);
    for (const record::Reading& reading : point.readings) {
      if (reading.quantity == "if_frequency") {
        // Positive: the sense is the one sampler theory says. Sources of 0.3 and -0.2 ppm.
        ASSERT_TRUE(reading.value) << harmonic << ": " << reading.detail;
        EXPECT_NEAR(*reading.value, 5e3 + 0.5e-6 * point.at.at("rf_hz"), 0.1) << harmonic;
      }
      if (reading.quantity == "q_minus_i" && reading.value) {
        EXPECT_NEAR(*reading.value, harmonic == 3 ? -90 : 90, 2) << harmonic;
      }
      if (harmonic != 1 && reading.value) {
        EXPECT_EQ(reading.decision, record::Decision::none)
            << reading.quantity << ": the board type's limits are not for harmonics";
      }
    }
  }
  EXPECT_EQ(points, (std::map<int, int>{{1, 3}, {3, 3}, {5, 3}}));
  const auto derived = report::derive(run);
  for (const auto& [quantity, expected_db] :
       {std::pair{"response_at_3_lo", -9.542425}, {"response_at_5_lo", -13.979400}}) {
    const record::Reading* seen = find(derived, quantity);
    ASSERT_NE(seen, nullptr) << quantity;
    EXPECT_NEAR(*seen->value, expected_db, 0.05) << quantity;
    EXPECT_NEAR(*seen->value, expected_db, seen->expanded_u) << quantity;
  }
}

// The filter in front takes what the sampler would receive: far below a third, and less still beside 5 times the LO.
TEST(Harmonics, OfABoardWithItsFilterAreFarBelow) {
  const auto bench = VirtualBench::demo();
  const record::Run run = run_harmonics(*bench, {{"points", "2"}});
  ASSERT_EQ(run.outcome, record::Outcome::complete) << run.outcome_text;
  const auto derived = report::derive(run);
  const record::Reading* third = find(derived, "response_at_3_lo");
  ASSERT_NE(third, nullptr) << "-10 dBm are enough to see it";
  EXPECT_LT(*third->value, -60);
  const record::Reading* fifth = find(derived, "response_at_5_lo");
  if (fifth != nullptr) {
    EXPECT_LT(*fifth->value, *third->value);
  }
}

}  // namespace
}  // namespace nightbench::engine
