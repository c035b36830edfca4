#include "sequences/record/journal.hpp"

#include "journal_contract.hpp"

namespace nightbench::record::test {

struct InMemory {
  Journal& journal() { return journal_; }
  MemoryJournal journal_;
};
INSTANTIATE_TYPED_TEST_SUITE_P(Memory, JournalContract, InMemory);

// Every reading has a limit, as those that are judged do.
record::Run with(Outcome outcome, std::initializer_list<Decision> decisions) {
  record::Run out;
  out.outcome = outcome;
  out.points.emplace_back();
  for (const Decision decision : decisions) {
    Reading& reading = out.points[0].readings.emplace_back();
    reading.decision = decision;
    if (decision != Decision::none) reading.limit.upper = 1;
  }
  return out;
}

TEST(Verdict, FailOverMissingOverConditionalOverPass) {
  using enum Decision;
  EXPECT_EQ(verdict(with(Outcome::complete, {pass, none})), Verdict::pass);
  EXPECT_EQ(verdict(with(Outcome::complete, {pass, conditional_pass})), Verdict::conditional);
  EXPECT_EQ(verdict(with(Outcome::complete, {conditional_pass, conditional_fail})), Verdict::fail);
  EXPECT_EQ(verdict(with(Outcome::complete, {pass, no_reading})), Verdict::none);
  EXPECT_EQ(verdict(with(Outcome::complete, {fail, no_reading})), Verdict::fail);
  EXPECT_EQ(verdict(with(Outcome::interrupted, {pass})), Verdict::none);
  EXPECT_EQ(verdict(with(Outcome::unsafe, {fail})), Verdict::fail);
  EXPECT_EQ(verdict(with(Outcome::complete, {none})), Verdict::none);
  record::Run missing = with(Outcome::complete, {pass, no_reading});
  missing.points[0].readings[1].limit.upper.reset();
  EXPECT_EQ(verdict(missing), Verdict::pass);  // nothing was to be judged there
}

}  // namespace nightbench::record::test
