// What every journal promises, written once. A test file makes a fixture type with
//   struct Fixture { record::Journal& journal(); };
// and instantiates: INSTANTIATE_TYPED_TEST_SUITE_P(Name, JournalContract, Fixture).
#pragma once

#include <gtest/gtest.h>

#include <memory>

#include "full_run.hpp"
#include "sequences/record/journal.hpp"

namespace nightbench::record::test {

template <typename Fixture>
class JournalContract : public ::testing::Test {
 protected:
  Journal& journal() { return fixture_.journal(); }
  Fixture fixture_;
};
TYPED_TEST_SUITE_P(JournalContract);

TYPED_TEST_P(JournalContract, GivesBackTheWholeRunToTheLastBit) {
  const record::Run run = test::run();
  ASSERT_TRUE(this->journal().begin(run.header));
  for (const Point& point : run.points)
    ASSERT_TRUE(this->journal().append(run.header.run_id, point));
  for (const Event& event : run.events) ASSERT_TRUE(this->journal().note(run.header.run_id, event));
  ASSERT_TRUE(
      this->journal().finish(run.header.run_id, run.outcome, run.outcome_text, *run.finished));
  const auto back = this->journal().load(run.header.run_id);
  ASSERT_TRUE(back) << describe(back.error());
  expect_same(run, *back);
}

TYPED_TEST_P(JournalContract, ARunThatWasOnlyBegunIsUnfinishedAndEmpty) {
  ASSERT_TRUE(this->journal().begin(header("a")));
  const auto back = this->journal().load("a");
  ASSERT_TRUE(back);
  EXPECT_EQ(back->outcome, Outcome::unfinished);
  EXPECT_FALSE(back->finished);
  EXPECT_TRUE(back->points.empty());
  EXPECT_TRUE(this->journal().measured("a")->empty());
}

TYPED_TEST_P(JournalContract, PointsComeBackByOrdinalWhateverTheOrderOfTheirCapture) {
  ASSERT_TRUE(this->journal().begin(header("a")));
  for (const std::uint64_t ordinal : {5ULL, 0ULL, 9ULL, 3ULL}) {
    ASSERT_TRUE(this->journal().append("a", point(ordinal)));
  }
  EXPECT_EQ(*this->journal().measured("a"), (std::vector<std::uint64_t>{0, 3, 5, 9}));
  const auto back = this->journal().load("a");
  ASSERT_EQ(back->points.size(), 4U);
  EXPECT_EQ(back->points[1].ordinal, 3U);
}

TYPED_TEST_P(JournalContract, ASecondPointOfTheSameOrdinalIsRefusedAndTheFirstStays) {
  ASSERT_TRUE(this->journal().begin(header("a")));
  ASSERT_TRUE(this->journal().append("a", point(4, 1)));
  const auto again = this->journal().append("a", point(4, 2));
  ASSERT_FALSE(again);
  EXPECT_EQ(again.error().kind, ErrorKind::internal);
  const auto back = this->journal().load("a");
  ASSERT_EQ(back->points.size(), 1U);
  expect_same(back->points[0], point(4, 1));
}

TYPED_TEST_P(JournalContract, ASecondRunOfTheSameIdIsRefused) {
  ASSERT_TRUE(this->journal().begin(header("a", "first")));
  const auto again = this->journal().begin(header("a", "second"));
  ASSERT_FALSE(again);
  EXPECT_EQ(again.error().kind, ErrorKind::internal);
  EXPECT_EQ(this->journal().load("a")->header.board, "first");
}

TYPED_TEST_P(JournalContract, RunsDoNotMix) {
  ASSERT_TRUE(this->journal().begin(header("a")));
  ASSERT_TRUE(this->journal().begin(header("b")));
  ASSERT_TRUE(this->journal().append("a", point(1, 1)));
  ASSERT_TRUE(this->journal().append("b", point(1, 2)));
  ASSERT_TRUE(this->journal().note("b", {at_ns(3), Severity::warning, "id", "text"}));
  ASSERT_TRUE(this->journal().finish("b", Outcome::complete, "", at_ns(9)));
  EXPECT_EQ(this->journal().load("a")->outcome, Outcome::unfinished);
  EXPECT_TRUE(this->journal().load("a")->events.empty());
  expect_same(this->journal().load("a")->points[0], point(1, 1));
  expect_same(this->journal().load("b")->points[0], point(1, 2));
}

TYPED_TEST_P(JournalContract, ARunIsResumedAfterItWasInterrupted) {
  ASSERT_TRUE(this->journal().begin(header("a")));
  ASSERT_TRUE(this->journal().append("a", point(0)));
  ASSERT_TRUE(this->journal().finish("a", Outcome::interrupted, "asked to stop", at_ns(9)));
  ASSERT_TRUE(this->journal().append("a", point(1)));
  ASSERT_TRUE(this->journal().finish("a", Outcome::complete, "", at_ns(20)));
  const auto back = this->journal().load("a");
  EXPECT_EQ(back->points.size(), 2U);
  EXPECT_EQ(back->outcome, Outcome::complete);
  EXPECT_EQ(back->outcome_text, "");
  EXPECT_EQ(back->finished, at_ns(20));
}

TYPED_TEST_P(JournalContract, AnUnknownRunIsBadInputEverywhere) {
  const auto kind = [](const auto& result) {
    return result ? ErrorKind::internal : result.error().kind;
  };
  EXPECT_EQ(kind(this->journal().append("no", point(0))), ErrorKind::bad_input);
  EXPECT_EQ(kind(this->journal().note("no", Event{})), ErrorKind::bad_input);
  EXPECT_EQ(kind(this->journal().finish("no", Outcome::complete, "", at_ns(1))),
            ErrorKind::bad_input);
  EXPECT_EQ(kind(this->journal().load("no")), ErrorKind::bad_input);
  EXPECT_EQ(kind(this->journal().measured("no")), ErrorKind::bad_input);
}

TYPED_TEST_P(JournalContract, AnIdIsTextAndNothingElse) {
  const std::string id = "x' OR 1=1; DROP TABLE run; --\n%_";
  ASSERT_TRUE(this->journal().begin(header(id)));
  ASSERT_TRUE(this->journal().append(id, point(0)));
  EXPECT_EQ(this->journal().load(id)->points.size(), 1U);
  EXPECT_FALSE(this->journal().load("x"));
}

REGISTER_TYPED_TEST_SUITE_P(JournalContract, GivesBackTheWholeRunToTheLastBit,
                            ARunThatWasOnlyBegunIsUnfinishedAndEmpty,
                            PointsComeBackByOrdinalWhateverTheOrderOfTheirCapture,
                            ASecondPointOfTheSameOrdinalIsRefusedAndTheFirstStays,
                            ASecondRunOfTheSameIdIsRefused, RunsDoNotMix,
                            ARunIsResumedAfterItWasInterrupted, AnUnknownRunIsBadInputEverywhere,
                            AnIdIsTextAndNothingElse);

}  // namespace nightbench::record::test
