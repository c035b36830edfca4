#include "sequences/diagnosis/diagnose.hpp"

#include <algorithm>
#include <cmath>
#include <set>

#include "drivers/base/json.hpp"

namespace nightbench::diagnosis {
namespace {

constexpr double kSure = 0.8;        // a cause stands out, a board is good
constexpr double kWorthTelling = 0.01;
constexpr double kTelling = 1.0;     // a reading speaks when it changes the odds by e
constexpr std::size_t kMostSays = 6;
constexpr double kLeastBits = 0.02;  // less is nothing left to learn

std::string value_text(double value, Scale scale) {
  switch (scale) {
    case Scale::db: return format(value, Unit::db, 2);
    case Scale::degree: return format(value, Unit::degree, 3);
    case Scale::log_ohm: return format(std::pow(10, value), Unit::ohm, 2);
    case Scale::part: return format(100 * value, Unit::one, 3) + " % of nominal";
    case Scale::yes_no: return value > 0.5 ? "yes" : "no";
  }
  return "";
}

std::string expected_text(const Expectation& expected, Scale scale) {
  switch (expected.kind) {
    case Kind::near: return (scale == Scale::yes_no ? "" : "about ") + value_text(expected.centre, scale);
    case Kind::between:
      return value_text(expected.from, scale) + " to " + value_text(expected.to, scale);
    case Kind::absent: return "no signal";
    case Kind::unknown: return "changed, nobody can say how much";
  }
  return "";
}

std::string joined(const std::vector<std::string>& parts, const char* between) {
  std::string out;
  for (const std::string& each : parts) out += (out.empty() ? "" : between) + each;
  return out;
}

std::string place_of(const script::BoardType& type, const std::string& id) {
  const script::TestPoint* point = type.find(id);
  if (point == nullptr || point->part.empty()) return id;
  return point->pin > 0 ? point->part + " pin " + std::to_string(point->pin) : point->part;
}

Cause cause_of(const FaultBook& book, const Hypothesis& hypothesis,
               const std::vector<Judged>& evidence) {
  Cause out;
  out.probability = hypothesis.probability;
  std::vector<std::string> titles, sizes, abouts;
  for (const Hypothesis::Part& part : hypothesis.parts) {
    const Fault& fault = book.faults[part.fault];
    out.faults.push_back(fault.id);
    titles.push_back(fault.title);
    abouts.push_back(fault.about);
    if (!fault.sizes[part.size].empty()) sizes.push_back(fault.sizes[part.size]);
    out.repairs.push_back(fault.repair);
    for (const std::string& each : fault.cautions) {
      if (std::ranges::find(out.cautions, each) == out.cautions.end()) out.cautions.push_back(each);
    }
  }
  out.title = joined(titles, ", and: ");
  out.size = joined(sizes, ", ");
  out.about = joined(abouts, " ");
  for (const Judged& each : evidence) {
    const Observation& seen = *each.observation;
    const Scale scale = each.reading->scale;
    const Expectation expected =
        expected_of(book, hypothesis, seen.reading, seen.if_hz, each.healthy, scale);
    const double good = log_likelihood(each.healthy, each.healthy, seen.seen, scale);
    double weight = log_likelihood(expected, each.healthy, seen.seen, scale) - good;
    // What is as unlikely on a good board speaks against neither, but the cause leaves it open.
    if (expected == each.healthy && seen.missed) {
      weight = good - log_likelihood_of_anything(seen.seen, scale);
    }
    Says says{seen.title, seen.shown, expected_text(expected, scale), weight};
    if (weight >= kTelling) out.speaks_for.push_back(std::move(says));
    else if (weight <= -kTelling) out.speaks_against.push_back(std::move(says));
  }
  const auto strongest = [](std::vector<Says>& all) {
    std::ranges::stable_sort(all, std::greater{}, [](const Says& each) { return std::fabs(each.weight); });
    if (all.size() > kMostSays) all.resize(kMostSays);
  };
  strongest(out.speaks_for);
  strongest(out.speaks_against);
  return out;
}

std::vector<NextCheck> next_of(const FaultBook& book, const script::BoardType& type,
                               const std::vector<Hypothesis>& causes,
                               const std::vector<Observation>& evidence) {
  std::set<std::string> made;
  for (const Observation& each : evidence) made.insert(each.check);
  std::vector<Check> open;
  for (Check& each : checks_of(type, book)) {
    if (!made.contains(each.id)) open.push_back(std::move(each));
  }
  std::vector<NextCheck> out;
  for (const RankedCheck& each : rank_checks(book, type, causes, open, {}, false)) {
    if (out.size() == 3 || each.bits < kLeastBits) break;
    std::vector<std::string> where;
    for (const std::string& point : each.check.points) where.push_back(place_of(type, point));
    out.push_back({each.check.id, each.check.title, joined(where, ", "), each.moves, each.bits});
  }
  return out;
}

std::string sentence_of(const Diagnosis& found) {
  const auto percent = [](double share) {
    return format(std::round(100 * share), Unit::one, 3) + " %";
  };
  switch (found.conclusion) {
    case Conclusion::nothing_measured:
      return "Nothing was measured that the fault book can judge";
    case Conclusion::healthy:
      return "The readings are those of a good board (" + percent(found.healthy) + ")";
    case Conclusion::fault:
      return "Most likely: " + found.causes.front().title + " (" +
             percent(found.causes.front().probability) + ")";
    case Conclusion::unclear: {
      std::string out = "Unclear: ";
      for (std::size_t n = 0; n < found.causes.size() && n < 3; ++n) {
        out += (n == 0 ? "" : "; ") + found.causes[n].title + " (" +
               percent(found.causes[n].probability) + ")";
      }
      if (found.healthy >= 0.1) out += "; or a good board (" + percent(found.healthy) + ")";
      return out;
    }
    case Conclusion::not_in_the_book:
      return "This does not look like anything in the fault book (" + percent(found.unknown) + ")";
  }
  return "";
}

Conclusion conclusion_of(const Diagnosis& found) {
  if (found.readings == 0) return Conclusion::nothing_measured;
  const double first = found.causes.empty() ? 0 : found.causes.front().probability;
  if (found.healthy >= kSure) return Conclusion::healthy;
  if (first >= kSure) return Conclusion::fault;
  if (found.unknown > first && found.unknown > found.healthy) return Conclusion::not_in_the_book;
  if (first > 0) return Conclusion::unclear;
  return Conclusion::healthy;
}

}  // namespace

const char* word(Conclusion conclusion) {
  switch (conclusion) {
    case Conclusion::nothing_measured: return "nothing measured";
    case Conclusion::healthy: return "healthy";
    case Conclusion::fault: return "fault";
    case Conclusion::unclear: return "unclear";
    case Conclusion::not_in_the_book: return "not in the book";
  }
  return "?";
}

Result<script::BoardType> board_type_of(const record::Run& run) {
  TRY_ASSIGN(const json::Node root, json::parse(run.header.board_type_text,
                                                "board type of run " + run.header.run_id));
  return script::decode_board_type(root, run.header.board_type_text);
}

Result<Diagnosis> diagnose(const record::Run& run, const FaultBook& book, const Options& options) {
  TRY_ASSIGN(const script::BoardType type, board_type_of(run));
  return diagnose(run, type, book, options);
}

Diagnosis diagnose(const record::Run& run, const script::BoardType& type, const FaultBook& book,
                   const Options& options) {
  const std::vector<Observation> evidence = evidence_of(run, type);
  const std::vector<Judged> weighed = judged(evidence, book, type);
  Diagnosis out;
  out.readings = weighed.size();
  const std::vector<Hypothesis> all = posterior(book, weighed, options.pairs);
  for (const Hypothesis& each : all) {
    if (each.unknown) {
      out.unknown = each.probability;
    } else if (each.parts.empty()) {
      out.healthy = each.probability;
    } else if (out.causes.size() < options.most_causes &&
               (each.probability >= kWorthTelling || out.causes.empty())) {
      out.causes.push_back(cause_of(book, each, weighed));
    }
  }
  out.conclusion = conclusion_of(out);
  if (out.readings == 0) out.causes.clear();
  out.sentence = sentence_of(out);
  if (out.conclusion == Conclusion::healthy) {
    for (const std::size_t each : unseen_faults(book, weighed)) {
      out.unseen.push_back({book.faults[each].id, book.faults[each].title});
    }
  }
  out.next = next_of(book, type, all, evidence);
  return out;
}

}  // namespace nightbench::diagnosis
