#include "sequences/diagnosis/search.hpp"

#include <algorithm>
#include <cmath>

namespace nightbench::diagnosis {
namespace {

constexpr double kLeastBits = 0.01;

std::string title_of(const FaultBook& book, const Hypothesis& hypothesis) {
  if (hypothesis.unknown) return "something that is not in the fault book";
  if (hypothesis.parts.empty()) return "a good board";
  std::string out;
  for (const Hypothesis::Part& part : hypothesis.parts) {
    out += (out.empty() ? "" : ", and: ") + book.faults[part.fault].title;
  }
  return out;
}

std::string percent(double share) { return format(std::round(100 * share), Unit::one, 3) + " %"; }

}  // namespace

SearchStep next_step(const FaultBook& book, const script::BoardType& type,
                     const std::vector<Observation>& evidence, const std::vector<Check>& open,
                     const ProbePlaces& places, bool powered) {
  const std::vector<Hypothesis> causes = posterior(book, judged(evidence, book, type));
  const Hypothesis& first = causes.front();
  const bool good = first.parts.empty() && !first.unknown;
  SearchStep out;
  if (!first.parts.empty() && first.probability >= kFound) {
    out.why = "found: " + title_of(book, first) + " (" + percent(first.probability) + ")";
    return out;
  }
  const std::vector<RankedCheck> ranked = rank_checks(book, type, causes, open, places, powered);
  if (ranked.empty()) {
    out.why = "everything is measured";
    return out;
  }
  const auto best = std::ranges::max_element(ranked, {}, &RankedCheck::bits);
  if (!good && best->bits < kLeastBits) {
    out.why = "nothing that is left would tell more";
    return out;
  }
  out.check = ranked.front();
  out.why = "to tell " + title_of(book, first) + " (" + percent(first.probability) + ")";
  if (causes.size() > 1) {
    out.why += " from " + title_of(book, causes[1]) + " (" + percent(causes[1].probability) + ")";
  }
  return out;
}

}  // namespace nightbench::diagnosis
