#include "sequences/diagnosis/evidence.hpp"

#include <gtest/gtest.h>

#include <algorithm>

#include "made_run.hpp"

namespace nightbench::diagnosis {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests

const Observation* find(const std::vector<Observation>& all, const std::string& reading) {
  const auto found = std::ranges::find(all, reading, &Observation::reading);
  return found == all.end() ? nullptr : &*found;
}

TEST(Evidence, TakesReadingsToTheScalesOfTheBook) {
  const auto all = evidence_of(run({{"lo", pair("lo", -90, kLo_v, kLo_v)}}), heron());
  EXPECT_NEAR(find(all, "switch_short")->seen.value, std::log10(1700), 1e-9);
  EXPECT_NEAR(find(all, "mid_rail")->seen.value, 1, 1e-9);
  EXPECT_NEAR(find(all, "supply_current")->seen.value, 18.0 / 80, 1e-9);
  EXPECT_NEAR(find(all, "i_level")->seen.value, 0, 1e-9);
  EXPECT_NEAR(find(all, "quadrature")->seen.value, 90, 1e-9);
  // The fundamental of a square wave: 2/pi of its swing.
  EXPECT_NEAR(find(all, "lo.level_1")->seen.value, 0, 1e-9);
  EXPECT_EQ(find(all, "q_level"), nullptr) << "the balance tells it";
  EXPECT_EQ(find(all, "supply_trip")->seen.value, 0);
}

TEST(Evidence, BothSidesOfTheLoAreOneReading) {
  record::Run both = run();
  Outputs below;
  below.offset_hz = -5e3;
  below.q_minus_i_deg = -90;
  both.points.push_back(outputs(below));
  const auto all = evidence_of(both, heron());
  EXPECT_EQ(std::ranges::count(all, "quadrature", &Observation::reading), 1);
  EXPECT_NEAR(find(all, "quadrature")->seen.value, 90, 1e-9);
}

TEST(Evidence, ADistantIntermediateFrequencyIsAReadingOfItsOwn) {
  record::Run two = run();
  Outputs far;
  far.offset_hz = 20e3;
  two.points.push_back(outputs(far));
  const auto all = evidence_of(two, heron());
  EXPECT_EQ(std::ranges::count(all, "quadrature", &Observation::reading), 2);
}

TEST(Evidence, SilenceAndOpenCircuitsAreEvidenceSkippedStepsAreNot) {
  record::Reading open = silent("via_0", "ohm");
  open.reason = "open";
  record::Reading skipped = silent("via_90", "ohm");
  skipped.reason = "skipped";
  Outputs made;
  made.q_silent = true;
  const auto all = evidence_of(
      run({{"via_0", single(open)}, {"via_90", single(skipped)}, {"outputs", outputs(made)}}), heron());
  EXPECT_NEAR(find(all, "via_0")->seen.value, 9, 1e-9);
  EXPECT_EQ(find(all, "via_90"), nullptr);
  EXPECT_TRUE(find(all, "q_level")->seen.absent);
}

TEST(Evidence, ATripIsSeenInHowTheRunEnded) {
  record::Run tripped = run();
  tripped.outcome = record::Outcome::unsafe;
  tripped.outcome_text = "supply: the supply tripped at its limit of 100 mA";
  EXPECT_EQ(find(evidence_of(tripped, heron()), "supply_trip")->seen.value, 1);
}

}  // namespace
}  // namespace nightbench::diagnosis
