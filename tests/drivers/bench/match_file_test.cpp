#include "drivers/bench/match_file.hpp"

#include <gmock/gmock.h>

#include <cmath>

#include "drivers/base/json.hpp"

namespace nightbench::bench {
namespace {

using ::testing::HasSubstr;

MatchFile sample() {
  MatchFile out;
  out.bench = "workbench";
  out.scope = "EXAMPLE WORKS,SC-4,55120,07.30";
  out.first = "scope/1";
  out.second = "scope/2";
  out.run = "run-1";
  out.measured = WallTime(std::chrono::seconds(1'795'575'845));
  out.rows = {{1e3, 0.2, 0.02, 0.002, -0.01, 0.004}, {1e4, 0.2, 0.04, 0.003, -0.10, 0.005}};
  return out;
}

Result<MatchFile> decoded(const std::string& text) {
  const auto node = json::parse(text, "b.match.json");
  if (!node) return std::unexpected(node.error());
  return decode_match(*node);
}

std::string changed(const std::string& from, const std::string& to) {
  std::string text = match_text(sample());
  const std::size_t at = text.find(from);
  EXPECT_NE(at, std::string::npos) << from;
  return text.replace(at, from.size(), to);
}

TEST(MatchFile, StandsBesideItsBenchFile) {
  EXPECT_EQ(match_path("/etc/nightbench/left.json"), "/etc/nightbench/left.match.json");
  EXPECT_EQ(match_path("bench.json"), "bench.match.json");
}

TEST(MatchFile, ReadsBackWhatWasWritten) {
  const auto back = decoded(match_text(sample()));
  ASSERT_TRUE(back) << describe(back.error());
  EXPECT_EQ(match_text(*back), match_text(sample()));
  EXPECT_EQ(back->measured, sample().measured);
  EXPECT_EQ(back->rows.size(), 2U);
}

TEST(MatchFile, RefusesWhatIsNotOne) {
  EXPECT_THAT(describe(decoded(changed("\"scope/2\"", "\"scope/1\"")).error()),
              HasSubstr("are one port"));
  EXPECT_THAT(describe(decoded(changed("10000.0", "500.0")).error()), HasSubstr("/rows/1"));
  EXPECT_THAT(describe(decoded(changed("0.002", "-0.002")).error()),
              HasSubstr("/rows/0/u_gain_ratio_db"));
  EXPECT_THAT(describe(decoded(changed("T03:04:05", "T33:04:05")).error()), HasSubstr("/measured"));
  EXPECT_THAT(describe(decoded(changed("\"run\"", "\"walk\"")).error()), HasSubstr("\"run\""));
  const auto none = read_match("no/such/folder/b.match.json");
  ASSERT_TRUE(none);
  EXPECT_FALSE(none->has_value());
}

TEST(MatchFile, OfTwoRowsAtOnePlaceTheLaterStays) {
  MatchFile match = sample();
  match.rows.push_back({1e3, 0.2, 0.5, 0.001, 0, 0});
  match = in_order(std::move(match));
  ASSERT_EQ(match.rows.size(), 2U);
  EXPECT_EQ(match.rows[0].gain_ratio_db, 0.5);
}

TEST(MatchAt, TakesGainAlongLogFrequencyAndPhaseAsADelay) {
  const auto middle = match_at(sample(), std::sqrt(1e3 * 1e4), 0.21);
  ASSERT_TRUE(middle);
  EXPECT_NEAR(middle->gain_ratio_db, 0.03, 1e-12);
  EXPECT_NEAR(middle->u_gain_ratio_db, 0.0025, 1e-12);
  EXPECT_FALSE(middle->other_range);
  // -0.01 deg at 1 kHz and -0.10 deg at 10 kHz are one delay: so it is in between.
  EXPECT_NEAR(middle->phase_deg, -1e-5 * std::sqrt(1e7), 1e-12);
  const auto at_row = match_at(sample(), 1e4, 0.2);
  ASSERT_TRUE(at_row);
  EXPECT_NEAR(at_row->gain_ratio_db, 0.04, 1e-12);
  EXPECT_NEAR(at_row->phase_deg, -0.10, 1e-12);
}

TEST(MatchAt, KnowsNothingFarFromWhatWasMeasured) {
  EXPECT_FALSE(match_at(sample(), 499, 0.2));
  EXPECT_TRUE(match_at(sample(), 501, 0.2));
  EXPECT_TRUE(match_at(sample(), 19.9e3, 0.2));
  EXPECT_FALSE(match_at(sample(), 20.1e3, 0.2));
  EXPECT_FALSE(match_at(sample(), 0, 0.2));
}

TEST(MatchAt, PrefersTheRangeThatIsAskedFor) {
  MatchFile match = sample();
  match.rows.push_back({1e3, 2.0, 0.9, 0.01, 0, 0.01});
  match = in_order(std::move(match));
  const auto small = match_at(match, 1e3, 0.2);
  const auto large = match_at(match, 1e3, 2.2);
  ASSERT_TRUE(small && large);
  EXPECT_NEAR(small->gain_ratio_db, 0.02, 1e-12);
  EXPECT_NEAR(large->gain_ratio_db, 0.9, 1e-12);
  EXPECT_FALSE(small->other_range);
  // At 10 kHz only the small range was measured.
  EXPECT_TRUE(match_at(match, 1e4, 2.0)->other_range);
}

}  // namespace
}  // namespace nightbench::bench
