// The library's fault book, and what the decoder refuses.
#include "sequences/diagnosis/fault_book.hpp"

#include <gtest/gtest.h>

#include <set>

#include "made_run.hpp"

namespace nightbench::diagnosis {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests

Result<FaultBook> decode(const std::string& text) {
  const auto root = json::parse(text, "book.json");
  if (!root) return fail(root.error());
  return decode_fault_book(*root);
}

std::string with(const std::string& faults, const std::string& readings = "",
                 const std::string& priors = R"({ "healthy": 0.5, "pair": 0.05, "unknown": 0.01 })") {
  return R"({ "fault_book": "b", "title": "B", "priors": )" + priors + R"(, "readings": [
    { "of": ["gain"], "unit": "dB", "healthy": { "is": "0 dB", "spread": "0.1 dB" } },
    { "of": ["via"], "unit": "ohm", "healthy": "in limits" } )" +
         readings + R"( ], "faults": [ )" + faults + " ] }";
}

std::string fault(const std::string& predicts, const std::string& more = "") {
  return R"({ "id": "f", "title": "F", "about": "a", "repair": "r", )" + more + R"("predicts": [ )" +
         predicts + " ] }";
}

void expect_refused(const std::string& text, const std::string& pointer, const std::string& says) {
  const auto decoded = decode(text);
  ASSERT_FALSE(decoded) << text;
  EXPECT_EQ(decoded.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(decoded.error().file, "book.json");
  EXPECT_EQ(decoded.error().pointer, pointer) << describe(decoded.error());
  EXPECT_NE(decoded.error().message.find(says), std::string::npos) << describe(decoded.error());
}

TEST(FaultBook, OfTheLibraryCoversTheBoard) {
  EXPECT_GT(book().faults.size(), 90U);
  std::set<std::string> titles;
  for (const Fault& each : book().faults) {
    EXPECT_TRUE(titles.insert(each.title).second) << each.title;
    EXPECT_FALSE(each.repair.empty()) << each.id;
    EXPECT_EQ(each.title.find('$'), std::string::npos) << each.title;
    EXPECT_EQ(each.repair.find('$'), std::string::npos) << each.repair;
  }
  ASSERT_NE(book().find("via_open_13"), nullptr);
  EXPECT_NE(book().find("via_open_13")->find("cross_6_13", 0), nullptr);
  // What it speaks of exists on the board type.
  for (const auto& [id, check] : heron().bring_up.resistances) {
    EXPECT_TRUE(book().readings.contains(id)) << id;
  }
}

TEST(FaultBook, ShiftsStartFromTheHealthyValueAndSizesGoTogether) {
  const auto made = must(decode(with(fault(
      R"({ "reading": "gain", "by": ["-3 dB", "-6 dB"], "spread": "1 dB", "if_to": "10 kHz" })",
      R"("sizes": ["half", "much"], )"))));
  const Prediction* found = made.faults[0].find("gain", 5e3);
  ASSERT_NE(found, nullptr);
  EXPECT_DOUBLE_EQ(found->at(0).centre, -3);
  EXPECT_DOUBLE_EQ(found->at(1).centre, -6);
  EXPECT_EQ(made.faults[0].find("gain", 20e3), nullptr);
}

TEST(FaultBook, OneEntryMayStandForSeveralFaults) {
  const auto made = must(decode(with(
      R"({ "id": "f_${n}", "title": "F ${n}", "about": "a", "repair": "r", "each": [ { "n": 1, "v": "1 kohm" }, { "n": 2, "v": "1 Mohm" } ],
         "predicts": [ { "reading": "via", "is": "$v", "spread": 0.1 } ] })")));
  ASSERT_EQ(made.faults.size(), 2U);
  EXPECT_EQ(made.faults[1].id, "f_2");
  EXPECT_DOUBLE_EQ(made.faults[1].predictions[0].at(0).centre, 6);
}

TEST(FaultBook, WrongOnesAreRefusedWithTheirPlace) {
  expect_refused(with(fault(R"({ "reading": "gian", "unknown": true })")),
                 "/faults/0/predicts/0/reading", "did you mean \"gain\"");
  expect_refused(with(fault(R"({ "reading": "gain" })")), "/faults/0/predicts/0", "exactly one of");
  expect_refused(with(fault(R"({ "reading": "gain", "by": "1 deg", "spread": "1 dB" })")),
                 "/faults/0/predicts/0/by", "dB");
  expect_refused(with(fault(R"({ "reading": "gain", "by": "1 dB", "spread": "0 dB" })")),
                 "/faults/0/predicts/0/spread", "above 0");
  expect_refused(with(fault(R"({ "reading": "gain", "by": ["1 dB", "2 dB"], "spread": "1 dB" })")),
                 "/faults/0/predicts/0/by", "sizes");
  expect_refused(with(fault(R"({ "reading": "via", "by": "1 ohm", "spread": 1 })")),
                 "/faults/0/predicts/0/by", "healthy value");
  expect_refused(with(fault(R"({ "reading": "gain", "from": "2 dB", "to": "1 dB" })")),
                 "/faults/0/predicts/0/to", "more than");
  expect_refused(with(fault(R"({ "reading": "gain", "unknown": true, "spred": 1 })")),
                 "/faults/0/predicts/0/spred", "no member");
  expect_refused(with(fault(R"({ "reading": "gain", "absent": false })")),
                 "/faults/0/predicts/0/absent", "true");
  expect_refused(with(fault(R"({ "reading": "gain", "unknown": true })", R"("prior": 0, )")),
                 "/faults/0", "prior");
  expect_refused(with(fault(R"({ "reading": "gain", "unknown": true })") + ", " +
                      fault(R"({ "reading": "via", "unknown": true })")),
                 "/faults/1", "stands here and before");
  expect_refused(with(fault(R"({ "reading": "gain", "unknown": true })"), "",
                      R"({ "healthy": 0.9, "pair": 0.1, "unknown": 0.1 })"),
                 "/priors", "shares");
  expect_refused(with(R"({ "id": "f_${n}", "title": "F", "about": "a", "repair": "r", "each": [ { "m": 1 } ],
                           "predicts": [ { "reading": "gain", "unknown": true } ] })"),
                 "/faults/0", "$n");
  expect_refused(with(R"({ "id": "f", "title": "F", "about": "a", "repair": "r", "each": [],
                           "predicts": [ { "reading": "gain", "unknown": true } ] })"),
                 "/faults/0", "each");
}

}  // namespace
}  // namespace nightbench::diagnosis
