#include "sequences/report/csv.hpp"

#include <gmock/gmock.h>

#include <bit>
#include <charconv>

#include "sample_runs.hpp"

namespace nightbench::report {
namespace {

using Rows = std::vector<std::vector<std::string>>;

// RFC 4180, section 2, as strictly as it is written.
Rows parsed(const std::string& text) {
  Rows rows(1, {""});
  bool quoted = false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    std::string& field = rows.back().back();
    const char c = text[i];
    if (quoted) {
      if (c != '"')
        field += c;
      else if (i + 1 < text.size() && text[i + 1] == '"')
        field += text[++i];
      else
        quoted = false;
    } else if (c == '"') {
      EXPECT_TRUE(field.empty());
      quoted = true;
    } else if (c == ',') {
      rows.back().emplace_back();
    } else if (c == '\r') {
      EXPECT_EQ(text[++i], '\n');
      rows.push_back({""});
    } else {
      EXPECT_NE(c, '\n');
      field += c;
    }
  }
  EXPECT_FALSE(quoted);
  EXPECT_EQ(rows.back(), std::vector<std::string>{""});
  rows.pop_back();
  return rows;
}

std::string field(const Rows& rows, std::size_t row, const std::string& title) {
  const auto& titles = rows.at(0);
  const auto found = std::find(titles.begin(), titles.end(), title);
  EXPECT_NE(found, titles.end()) << title;
  return rows.at(row).at(static_cast<std::size_t>(found - titles.begin()));
}

TEST(ReadingsCsv, HasARowForEachReadingAndAllRowsAreAsLong) {
  const record::Run run = sample::faulty();
  const Rows rows = parsed(readings_csv(run));
  std::size_t readings = 0;
  for (const record::Point& point : run.points) readings += point.readings.size();
  ASSERT_EQ(rows.size(), readings + 1);
  for (const auto& row : rows) EXPECT_EQ(row.size(), rows[0].size());
}

TEST(ReadingsCsv, EveryNumberReadsBackExactly) {
  const record::Run run = sample::healthy();
  const Rows rows = parsed(readings_csv(run));
  std::size_t row = 0;
  const auto same = [&](const std::string& title, const std::optional<double>& value) {
    const std::string text = field(rows, row, title);
    ASSERT_EQ(text.empty(), !value.has_value()) << title;
    if (!value) return;
    double back = 0;
    std::from_chars(text.data(), text.data() + text.size(), back);
    EXPECT_EQ(std::bit_cast<std::uint64_t>(back), std::bit_cast<std::uint64_t>(*value)) << title;
  };
  for (const record::Point& point : run.points) {
    for (const record::Reading& reading : point.readings) {
      ++row;
      same("value", reading.value);
      same("low", reading.low);
      same("high", reading.high);
      same("lower_limit", reading.limit.lower);
      same("upper_limit", reading.limit.upper);
      if (point.at.contains("rf_hz")) same("at rf_hz", point.at.at("rf_hz"));
      EXPECT_EQ(field(rows, row, "quantity"), reading.quantity);
      EXPECT_EQ(field(rows, row, "unit"), reading.unit);
      EXPECT_EQ(field(rows, row, "decision"), record::word(reading.decision));
    }
  }
}

TEST(ReadingsCsv, AMissingReadingIsAnEmptyFieldWithItsReason) {
  record::Run run = sample::faulty();
  const Rows rows = parsed(readings_csv(run));
  std::size_t missing = 0;
  for (std::size_t row = 1; row < rows.size(); ++row) {
    if (field(rows, row, "decision") != "no reading") continue;
    ++missing;
    EXPECT_EQ(field(rows, row, "value"), "");
    EXPECT_EQ(field(rows, row, "expanded_u"), "");
    EXPECT_EQ(field(rows, row, "reason"), "clipped");
  }
  EXPECT_EQ(missing, 18U);
  run.points[0].readings[0].value = std::nan("");
  EXPECT_EQ(field(parsed(readings_csv(run)), 1, "value"), "");
}

TEST(ReadingsCsv, HostileTextStaysInItsField) {
  record::Run run = sample::healthy();
  run.points.resize(1);
  record::Reading& reading = run.points[0].readings[0];
  reading.detail = "a,\"b\"\r\nc\x1b";
  reading.title = "=HYPERLINK(1)";
  reading.reason = "-1+cmd";
  reading.limit.name = "@x";
  run.header.board = sample::hostile();
  const Rows rows = parsed(readings_csv(run));
  ASSERT_EQ(rows.size(), 5U);
  EXPECT_EQ(field(rows, 1, "detail"), "a,\"b\"\nc\\x1b");
  EXPECT_EQ(field(rows, 1, "title"), "'=HYPERLINK(1)");
  EXPECT_EQ(field(rows, 1, "reason"), "'-1+cmd");
  EXPECT_EQ(field(rows, 1, "limit_name"), "'@x");
  EXPECT_THAT(field(rows, 1, "board"), ::testing::HasSubstr("\\xff\\xc3 \\x00"));
}

TEST(ReadingsCsv, AnEmptyRunHasItsHeader) {
  const Rows rows = parsed(readings_csv(record::Run()));
  ASSERT_EQ(rows.size(), 1U);
  EXPECT_EQ(rows[0].front(), "run");
  EXPECT_EQ(rows[0].back(), "detail");
}

}  // namespace
}  // namespace nightbench::report
