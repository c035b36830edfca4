// A run in which every field holds something that is hard to keep: doubles at the edges, times to
// the nanosecond, empty and quoted texts. And a comparison to the last bit.
#pragma once

#include <gtest/gtest.h>

#include <bit>
#include <cmath>
#include <limits>
#include <random>

#include "sequences/record/run.hpp"

namespace nightbench::record::test {

inline WallTime at_ns(long long ns) {
  return WallTime(Duration(ns));
}

inline Header header(const std::string& run_id, const std::string& board = "H30-001") {
  Header out;
  out.run_id = run_id;
  out.board = board;
  out.board_type = "heron-30";
  out.board_type_title = "Heron-30 \u00b5\u03a9 \U0001F4E1";
  out.script = "response";
  out.script_file = "scripts/response.json";
  out.script_sha256 = std::string(64, 'a');
  out.script_text = "{\n  // comment\n  \"points\": []\n}\n";
  out.board_type_text = "{\"cautions\": [\"a \\\"quoted\\\" one\"]}\t\\";
  out.bench = "workbench";
  out.bench_kind = "simulated";
  out.person = "M. Sandoval";
  out.program_version = "0.1.0";
  out.parameters = {{"from", "10.1 MHz"}, {"comment", "a name that files use"}, {"", "no name"}};
  out.instruments = {{"scope", "scope", "TCPIP::192.0.2.1::INSTR", "scope-waveform",
                      "A,\"B\",\n1,2", "2026-01-01", "2027-01-01"},
                     {"clock", "lo_source", "", "", "", "", ""}};
  out.planned_points = 1ULL << 53;
  out.started = at_ns(1'795'575'845'123'456'789);
  return out;
}

inline double any_double(std::mt19937_64& random) {
  while (true) {
    const auto value = std::bit_cast<double>(random());
    if (std::isfinite(value)) return value;
  }
}

inline float any_float(std::mt19937_64& random) {
  while (true) {
    const auto value = std::bit_cast<float>(static_cast<std::uint32_t>(random()));
    if (std::isfinite(value)) return value;
  }
}

inline Point point(std::uint64_t ordinal, std::uint64_t seed = 1) {
  std::mt19937_64 random(seed * 1000 + ordinal);
  Point out;
  out.ordinal = ordinal;
  out.step = "/steps/4/do/0";
  out.label = "response";
  out.at = {{"rf_hz", any_double(random)}, {"offset_hz", -0.0}, {"x/y~z", 5e-324}};
  Reading full;
  full.quantity = "gain_balance";
  full.title = "I/Q gain balance";
  full.unit = "dB";
  full.value = any_double(random);
  full.expanded_u = any_double(random);
  full.low = -0.0;
  full.high = any_double(random);
  full.open_above = true;
  full.detail = "line one\nline two";
  full.limit = {any_double(random), any_double(random), "limit \"line\""};
  full.decision = Decision::conditional_fail;
  full.conform_probability = 0.1 + 0.2;
  full.budget = {{"noise", 'A', any_double(random)},
                 {"scope gain", 'B', std::numeric_limits<double>::infinity()}};
  Reading missing;
  missing.quantity = "if_error";
  missing.reason = "clipped";
  missing.expanded_u = std::numeric_limits<double>::infinity();
  missing.decision = Decision::no_reading;
  Reading negative_zero;
  negative_zero.quantity = "zero";
  negative_zero.value = -0.0;
  negative_zero.expanded_u = -0.0;
  negative_zero.conform_probability = 0;
  out.readings = {full, missing, negative_zero};
  if (ordinal % 2 == 0) {
    out.excerpt.emplace();
    out.excerpt->dt_s = 1.0 / 3;
    for (int i = 0; i < 50; ++i) {
      out.excerpt->i_v.push_back(any_float(random));
      out.excerpt->q_v.push_back(static_cast<float>(i) / 7);
    }
  }
  out.attempts = 3;
  out.started = at_ns(1'795'575'845'000'000'001);
  out.finished = at_ns(-1);  // before 1970: one nanosecond under the second
  out.notes = {"", "measured again"};
  return out;
}

inline Run run(const std::string& run_id = "20261125T030405Z-H30-001-1a2b") {
  Run out;
  out.header = header(run_id);
  for (const std::uint64_t ordinal : {0ULL, 1ULL, 7ULL, 1ULL << 53})
    out.points.push_back(point(ordinal));
  out.events = {{at_ns(5), Severity::info, "bench-connected", "five instruments"},
                {at_ns(6), Severity::trouble, "", ""}};
  out.outcome = Outcome::bench_failed;
  out.outcome_text = "scope: no answer within 10 s";
  out.finished = at_ns(1'795'575'999'999'999'999);
  return out;
}

inline void expect_same(double a, double b) {
  EXPECT_EQ(std::bit_cast<std::uint64_t>(a), std::bit_cast<std::uint64_t>(b)) << a << " and " << b;
}
inline void expect_same(const std::optional<double>& a, const std::optional<double>& b) {
  ASSERT_EQ(a.has_value(), b.has_value());
  if (a) expect_same(*a, *b);
}

inline void expect_same(const Reading& a, const Reading& b) {
  EXPECT_EQ(a.quantity, b.quantity);
  EXPECT_EQ(a.title, b.title);
  EXPECT_EQ(a.unit, b.unit);
  expect_same(a.value, b.value);
  expect_same(a.expanded_u, b.expanded_u);
  expect_same(a.low, b.low);
  expect_same(a.high, b.high);
  EXPECT_EQ(a.open_above, b.open_above);
  EXPECT_EQ(a.reason, b.reason);
  EXPECT_EQ(a.detail, b.detail);
  expect_same(a.limit.lower, b.limit.lower);
  expect_same(a.limit.upper, b.limit.upper);
  EXPECT_EQ(a.limit.name, b.limit.name);
  EXPECT_EQ(a.decision, b.decision);
  expect_same(a.conform_probability, b.conform_probability);
  ASSERT_EQ(a.budget.size(), b.budget.size());
  for (std::size_t i = 0; i < a.budget.size(); ++i) {
    EXPECT_EQ(a.budget[i].name, b.budget[i].name);
    EXPECT_EQ(a.budget[i].type, b.budget[i].type);
    expect_same(a.budget[i].u, b.budget[i].u);
  }
}

inline void expect_same(const std::vector<float>& a, const std::vector<float>& b) {
  ASSERT_EQ(a.size(), b.size());
  for (std::size_t i = 0; i < a.size(); ++i) {
    EXPECT_EQ(std::bit_cast<std::uint32_t>(a[i]), std::bit_cast<std::uint32_t>(b[i])) << i;
  }
}

inline void expect_same(const Point& a, const Point& b) {
  EXPECT_EQ(a.ordinal, b.ordinal);
  EXPECT_EQ(a.step, b.step);
  EXPECT_EQ(a.label, b.label);
  ASSERT_EQ(a.at.size(), b.at.size());
  for (const auto& [key, value] : a.at) {
    ASSERT_TRUE(b.at.contains(key)) << key;
    expect_same(value, b.at.at(key));
  }
  ASSERT_EQ(a.readings.size(), b.readings.size());
  for (std::size_t i = 0; i < a.readings.size(); ++i) expect_same(a.readings[i], b.readings[i]);
  ASSERT_EQ(a.excerpt.has_value(), b.excerpt.has_value());
  if (a.excerpt) {
    expect_same(a.excerpt->dt_s, b.excerpt->dt_s);
    expect_same(a.excerpt->i_v, b.excerpt->i_v);
    expect_same(a.excerpt->q_v, b.excerpt->q_v);
  }
  EXPECT_EQ(a.attempts, b.attempts);
  EXPECT_EQ(a.started, b.started);
  EXPECT_EQ(a.finished, b.finished);
  EXPECT_EQ(a.notes, b.notes);
}

inline void expect_same(const Header& a, const Header& b) {
  EXPECT_EQ(a.run_id, b.run_id);
  EXPECT_EQ(a.board, b.board);
  EXPECT_EQ(a.board_type, b.board_type);
  EXPECT_EQ(a.board_type_title, b.board_type_title);
  EXPECT_EQ(a.script, b.script);
  EXPECT_EQ(a.script_file, b.script_file);
  EXPECT_EQ(a.script_sha256, b.script_sha256);
  EXPECT_EQ(a.script_text, b.script_text);
  EXPECT_EQ(a.board_type_text, b.board_type_text);
  EXPECT_EQ(a.bench, b.bench);
  EXPECT_EQ(a.bench_kind, b.bench_kind);
  EXPECT_EQ(a.person, b.person);
  EXPECT_EQ(a.program_version, b.program_version);
  EXPECT_EQ(a.parameters, b.parameters);
  ASSERT_EQ(a.instruments.size(), b.instruments.size());
  for (std::size_t i = 0; i < a.instruments.size(); ++i) {
    const Instrument& one = a.instruments[i];
    const Instrument& two = b.instruments[i];
    EXPECT_EQ(one.name, two.name);
    EXPECT_EQ(one.role, two.role);
    EXPECT_EQ(one.resource, two.resource);
    EXPECT_EQ(one.dialect, two.dialect);
    EXPECT_EQ(one.identity, two.identity);
    EXPECT_EQ(one.calibrated, two.calibrated);
    EXPECT_EQ(one.calibration_due, two.calibration_due);
  }
  EXPECT_EQ(a.planned_points, b.planned_points);
  EXPECT_EQ(a.started, b.started);
}

inline void expect_same(const Run& a, const Run& b) {
  expect_same(a.header, b.header);
  ASSERT_EQ(a.points.size(), b.points.size());
  for (std::size_t i = 0; i < a.points.size(); ++i) expect_same(a.points[i], b.points[i]);
  ASSERT_EQ(a.events.size(), b.events.size());
  for (std::size_t i = 0; i < a.events.size(); ++i) {
    EXPECT_EQ(a.events[i].time, b.events[i].time);
    EXPECT_EQ(a.events[i].severity, b.events[i].severity);
    EXPECT_EQ(a.events[i].id, b.events[i].id);
    EXPECT_EQ(a.events[i].text, b.events[i].text);
  }
  EXPECT_EQ(a.outcome, b.outcome);
  EXPECT_EQ(a.outcome_text, b.outcome_text);
  EXPECT_EQ(a.finished, b.finished);
}

}  // namespace nightbench::record::test
