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
  ASSERT_EQ(type.test_points.size(), 5U);
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

TEST(BoardType, EveryMemberOfBringUpArrives) {
  const BoardType type = must(read_board_type(kSamples / "good/board-type.full.json"));
  const BringUp& all = type.bring_up;
  EXPECT_EQ(type.ground_point, "gnd");
  EXPECT_EQ(all.outline.width_mm, 60);
  EXPECT_EQ(all.outline.height_mm, 40.5);
  ASSERT_TRUE(type.find("mid_rail")->place);
  EXPECT_EQ(type.find("mid_rail")->place->x_mm, 12.5);
  EXPECT_EQ(type.find("mid_rail")->place->y_mm, 3);
  EXPECT_FALSE(type.find("gnd")->place);

  const Part* u3 = type.part_of(*type.find("q_out"));
  ASSERT_NE(u3, nullptr);
  EXPECT_EQ(u3->title, "Op-amp");
  EXPECT_EQ(u3->package, "SO-8");
  EXPECT_EQ(u3->pins, 8);
  EXPECT_EQ(u3->mark, PinOneMark::dot);
  EXPECT_EQ(u3->place->x_mm, 30);
  EXPECT_EQ(u3->rotation_deg, 270);
  EXPECT_EQ(all.parts.at("U1").mark, PinOneMark::notch);
  EXPECT_FALSE(all.parts.at("U1").place);
  EXPECT_EQ(all.parts.at("U2").mark, PinOneMark::bar);

  const ResistanceCheck& feed = all.resistances.at("feed");
  EXPECT_EQ(feed.title, "Feed");
  EXPECT_EQ(feed.between, (std::array<std::string, 2>{"supply_in", "mid_rail"}));
  EXPECT_EQ(feed.open_above_ohm, std::nullopt);
  EXPECT_EQ(limit_at(type.limits, "feed", 0).lower, 1e3);
  EXPECT_EQ(limit_at(type.limits, "feed", 0).upper, 10e3);
  EXPECT_EQ(type.limits.at("feed").unit, "ohm");
  EXPECT_EQ(all.resistances.at("short").title, "short");
  EXPECT_EQ(all.resistances.at("short").open_above_ohm, 2e6);

  const PairCheck& outputs = all.pairs.at("outputs");
  EXPECT_EQ(outputs.title, "Outputs");
  EXPECT_EQ(outputs.between, (std::array<std::string, 2>{"i_out", "q_out"}));
  EXPECT_EQ(outputs.at, Carrier::intermediate);
  EXPECT_TRUE(outputs.powered);
  EXPECT_TRUE(outputs.balance_is_note);
  EXPECT_EQ(limit_at(type.limits, "outputs.phase", 0).lower, 80);
  EXPECT_EQ(limit_at(type.limits, "outputs.balance", 0).upper, 1);
  EXPECT_EQ(limit_at(type.limits, "outputs.level_1", 0).lower, 0.1);
  EXPECT_EQ(limit_at(type.limits, "outputs.level_2", 0).upper, 2);
  EXPECT_EQ(limit_at(type.limits, "outputs.frequency", 0).upper, 50);
  EXPECT_EQ(all.pairs.at("ends").at, Carrier::rf);
  EXPECT_FALSE(all.pairs.at("ends").powered);
  EXPECT_FALSE(all.pairs.at("ends").balance_is_note);
  EXPECT_EQ(all.pairs.at("lo").at, Carrier::lo);
  EXPECT_TRUE(all.pairs.at("lo").powered);
}

TEST(BoardType, DefaultsAreTheDocumentedOnes) {
  const BoardType type = must(read_board_type(kSamples / "good/board-type.minimal.json"));
  EXPECT_EQ(type.sense, 1) << "leads_above: i";
  EXPECT_EQ(type.supply_settle_s, 0.2);
  EXPECT_EQ(type.lo_phase_deg, 90);
  EXPECT_EQ(type.ground_point, "");
  EXPECT_TRUE(type.bring_up.parts.empty());
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
