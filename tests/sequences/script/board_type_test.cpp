#include "sequences/script/board_type.hpp"

#include <gtest/gtest.h>

#include <fstream>
#include <sstream>

#include "script_helpers.hpp"

namespace nightbench::script {
namespace {

using testing::heron;
using testing::kSamples;
using testing::kSource;
using testing::must;

TEST(BoardType, EveryMemberArrives) {
  const BoardType type = must(read_board_type(kSamples / "good/board-type.full.json"));
  EXPECT_EQ(type.name, "full");
  EXPECT_EQ(type.title, "Everything");
  EXPECT_EQ(type.file, (kSamples / "good/board-type.full.json").string());
  EXPECT_EQ(type.band_from_hz, 6.9e6);
  EXPECT_EQ(type.band_to_hz, 7.4e6);
  EXPECT_EQ(type.sense, -1);
  EXPECT_EQ(type.i_point, "i_out");
  EXPECT_EQ(type.q_point, "q_out");
  EXPECT_EQ(type.output_bias_v, 2.5);
  EXPECT_EQ(type.output_swing_v, 2);
  EXPECT_EQ(type.conversion_gain_db, 30);
  EXPECT_EQ(type.rf_level_most_dbm, -10);
  EXPECT_EQ(type.supply_v, 12);
  EXPECT_EQ(type.supply_limit_a, 0.2);
  EXPECT_EQ(type.supply_point, "supply_in");
  EXPECT_EQ(type.supply_settle_s, 0.5);
  EXPECT_EQ(type.lo_amplitude_v, 3.3);
  EXPECT_EQ(type.lo_phase_deg, -90);
  ASSERT_EQ(type.test_points.size(), 4U);
  const TestPoint* q = type.find("q_out");
  ASSERT_NE(q, nullptr);
  EXPECT_EQ(q->id, "q_out");
  EXPECT_EQ(q->title, "Q");
  EXPECT_EQ(q->part, "U3");
  EXPECT_EQ(q->pin, 999);
  EXPECT_EQ(type.find("mid_rail")->pin, 0);
  EXPECT_EQ(type.find("i_out")->part, "");
  EXPECT_EQ(type.find("nowhere"), nullptr);
  EXPECT_EQ(type.cautions, std::vector<std::string>{"Check the polarity before power."});
  EXPECT_EQ(limit_at(type.limits, "image_rejection", 7.05e6).lower, 39);
  EXPECT_EQ(limit_at(type.limits, "mid_rail", 0).upper, 2.6);
}

TEST(BoardType, DefaultsAreTheDocumentedOnes) {
  const BoardType type = must(read_board_type(kSamples / "good/board-type.minimal.json"));
  EXPECT_EQ(type.sense, 1) << "leads_above: i";
  EXPECT_EQ(type.supply_settle_s, 0.2);
  EXPECT_EQ(type.lo_phase_deg, 90);
  EXPECT_TRUE(type.limits.empty());
  EXPECT_TRUE(type.cautions.empty());
}

TEST(BoardType, EveryKnownQuantityCanBeLimited) {
  const BoardType type = must(read_board_type(kSamples / "good/board-type.full.json"));
  for (const auto& [quantity, unit] : known_quantities()) {
    const auto found = type.limits.find(quantity);
    ASSERT_NE(found, type.limits.end()) << quantity << " is missing in the sample";
    EXPECT_EQ(found->second.unit, symbol(unit)) << quantity;
  }
}

TEST(BoardType, KeepsTheTextAsRead) {
  const auto path = kSamples / "good/board-type.full.json";
  std::ifstream stream(path, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  EXPECT_EQ(must(read_board_type(path)).text, text.str());
}

TEST(BoardType, TheLibraryDecodes) {
  int count = 0;
  for (const auto& entry :
       std::filesystem::directory_iterator(kSource / "sequences/library/board_types")) {
    const BoardType type = must(read_board_type(entry.path()));
    EXPECT_EQ(type.name, entry.path().stem().string()) << "file and name agree";
    ++count;
  }
  EXPECT_GE(count, 1);
}

TEST(BoardType, HeronHasWhatTheDemoNeeds) {
  const BoardType type = heron();
  EXPECT_EQ(type.sense, -1);
  EXPECT_EQ(type.supply_v, 10);
  EXPECT_EQ(limit_at(type.limits, "conversion_gain", 10.125e6).lower, 41);
  for (const char* point : {"i_out", "q_out", "lo_0", "lo_90", "splitter_phase",
                            "splitter_antiphase", "op_amp_supply", "switch_supply", "mid_rail"}) {
    EXPECT_NE(type.find(point), nullptr) << point;
  }
}

}  // namespace
}  // namespace nightbench::script
