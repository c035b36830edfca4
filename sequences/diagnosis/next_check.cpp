#include "sequences/diagnosis/next_check.hpp"

#include <algorithm>
#include <cmath>
#include <set>

namespace nightbench::diagnosis {
namespace {

constexpr std::size_t kMostCauses = 24;
constexpr double kMeasuring = 0.25;    // cost of a measurement without a move
constexpr double kPowerChange = 0.25;  // cost of switching the supply
constexpr double kUsualIf_hz = 5e3;

double entropy_bits(const std::vector<double>& shares) {
  double out = 0;
  for (const double each : shares) {
    if (each > 0) out -= each * std::log2(each);
  }
  return out;
}

// The most probable causes with shares that add up to 1.
std::vector<Hypothesis> shortlist(const std::vector<Hypothesis>& causes) {
  std::vector<Hypothesis> out;
  double sum = 0;
  for (const Hypothesis& each : causes) {
    if (out.size() == kMostCauses) break;
    if (each.unknown) continue;  // it expects everything of every measurement
    out.push_back(each);
    sum += each.probability;
  }
  for (Hypothesis& each : out) each.probability /= sum;
  return out;
}

// Readings that are made only where both points show their line.
bool needs_both(const std::string& reading) {
  return reading.ends_with(".phase") || reading.ends_with(".balance") || reading == "quadrature" ||
         reading == "gain_balance";
}

double expected_bits(const FaultBook& book, const script::BoardType& type,
                     const std::vector<Hypothesis>& causes, const Check& check) {
  struct Line {
    const BookReading* reading = nullptr;
    Expectation healthy;
    std::vector<Expectation> expected;  // by cause
  };
  std::vector<Line> lines;
  for (const std::string& id : check.readings) {
    const auto found = book.readings.find(id);
    if (found == book.readings.end()) continue;
    const auto healthy = healthy_at(found->second, type);
    if (!healthy) continue;
    Line line{&found->second, *healthy, {}};
    for (const Hypothesis& cause : causes) {
      line.expected.push_back(
          expected_of(book, cause, id, check.if_hz, line.healthy, found->second.scale));
    }
    lines.push_back(std::move(line));
  }
  std::vector<double> now;
  for (const Hypothesis& each : causes) now.push_back(each.probability);
  double left = 0;
  for (std::size_t truth = 0; truth < causes.size(); ++truth) {
    std::vector<double> logs(causes.size());
    for (std::size_t n = 0; n < causes.size(); ++n) logs[n] = std::log(now[n] + 1e-300);
    const bool silent = std::ranges::any_of(lines, [truth](const Line& line) {
      return line.expected[truth].kind == Kind::absent;
    });
    for (const Line& line : lines) {
      if (silent && needs_both(line.reading->id)) continue;
      const Seen seen = representative(line.expected[truth], line.healthy, line.reading->scale);
      for (std::size_t n = 0; n < causes.size(); ++n) {
        logs[n] += log_likelihood(line.expected[n], line.healthy, seen, line.reading->scale);
      }
    }
    const double top = *std::ranges::max_element(logs);
    double sum = 0;
    for (double& each : logs) {
      each = std::exp(each - top);
      sum += each;
    }
    for (double& each : logs) each /= sum;
    left += now[truth] * entropy_bits(logs);
  }
  return std::max(0.0, entropy_bits(now) - left);
}

std::vector<std::string>& tips_of(const Check& check, ProbePlaces& places) {
  return check.kind == CheckKind::pair || check.kind == CheckKind::outputs ? places.scope
                                                                           : places.meter;
}

}  // namespace

std::vector<Check> checks_of(const script::BoardType& type, const FaultBook& book) {
  std::vector<Check> out;
  for (const auto& [id, reading] : book.readings) {
    if (reading.scale == Scale::yes_no && (id.starts_with("orientation_") || id == "polarity")) {
      out.push_back({CheckKind::question, id, "Look at it: " + id, {}, {id}, 0, false});
    }
  }
  for (const auto& [id, check] : type.bring_up.resistances) {
    if (!book.readings.contains(id)) continue;
    out.push_back({CheckKind::ohms, id, check.title, {check.between.begin(), check.between.end()},
                   {id}, 0, false});
  }
  for (const auto& [id, point] : type.test_points) {
    const record::Limit limit = script::limit_at(type.limits, id, 0);
    if (!book.readings.contains(id) || !limit.lower || !limit.upper) continue;
    Check check{CheckKind::volts, id, point.title, {id}, {id}, 0, true};
    if (!type.ground_point.empty()) check.points.push_back(type.ground_point);
    out.push_back(std::move(check));
  }
  for (const auto& [id, pair] : type.bring_up.pairs) {
    Check check{CheckKind::pair, id, pair.title, {pair.between.begin(), pair.between.end()},
                {}, pair.at == script::Carrier::intermediate ? kUsualIf_hz : 0, pair.powered};
    for (const char* part : {"phase", "balance", "level_1", "level_2", "frequency"}) {
      const std::string reading = id + "." + part;
      if (book.readings.contains(reading)) check.readings.push_back(reading);
    }
    if (!check.readings.empty()) out.push_back(std::move(check));
  }
  out.push_back({CheckKind::power, kPower, "Supply current", {}, {"supply_current", "supply_voltage", "supply_trip"}, 0,
                 true});
  out.push_back({CheckKind::outputs,
                 kOutputs,
                 "I and Q",
                 {type.i_point, type.q_point},
                 {"i_level", "q_level", "gain_balance", "quadrature", "i_offset", "q_offset",
                  "gain_slope", "i_rolloff", "q_rolloff", "iq_clipped", "iq_unsteady"},
                 kUsualIf_hz,
                 true});
  return out;
}

int moves_for(const Check& check, const ProbePlaces& places) {
  ProbePlaces copy = places;
  const std::vector<std::string>& tips = tips_of(check, copy);
  int moves = 0;
  for (const std::string& point : check.points) {
    moves += std::ranges::find(tips, point) == tips.end() ? 1 : 0;
  }
  return moves;
}

void place_for(const Check& check, ProbePlaces* places) {
  if (!check.points.empty()) tips_of(check, *places) = check.points;
}

std::vector<RankedCheck> rank_checks(const FaultBook& book, const script::BoardType& type,
                                     const std::vector<Hypothesis>& causes,
                                     const std::vector<Check>& open, const ProbePlaces& places,
                                     bool powered) {
  const std::vector<Hypothesis> likely = shortlist(causes);
  std::vector<RankedCheck> out;
  for (const Check& check : open) {
    RankedCheck one{check, moves_for(check, places), 0, 0};
    one.bits = expected_bits(book, type, likely, check);
    const double cost = one.moves + kMeasuring + (check.powered != powered ? kPowerChange : 0);
    one.for_each = one.bits / cost;
    out.push_back(std::move(one));
  }
  std::ranges::stable_sort(out, std::greater{}, &RankedCheck::for_each);
  return out;
}

}  // namespace nightbench::diagnosis
