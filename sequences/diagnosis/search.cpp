#include "sequences/diagnosis/search.hpp"

#include <algorithm>
#include <cmath>
#include <set>

namespace nightbench::diagnosis {
namespace {

constexpr double kLeastBits = 0.01;
constexpr double kFoundBySignal = 0.995;  // of a cause that no direct measurement can show

std::string title_of(const FaultBook& book, const Hypothesis& hypothesis) {
  if (hypothesis.unknown) return "something that is not in the fault book";
  if (hypothesis.parts.empty()) return "a good board";
  std::string out;
  for (const Hypothesis::Part& part : hypothesis.parts) {
    out += (out.empty() ? "" : ", and: ") + book.faults[part.fault].title;
  }
  return out;
}

constexpr double kTelling = 3;  // a reading that changes the odds by e^3 tells something

// The signal at the IF, at switch, op-amp inputs or outputs, is one witness wherever it is seen; a
// resistance, a voltage, the LO or the splitter is a witness of its own.
bool shows_signal(const Check& check, const script::BoardType& type) {
  if (check.kind == CheckKind::outputs) return true;
  const auto pair = type.bring_up.pairs.find(check.id);
  return pair != type.bring_up.pairs.end() && pair->second.at == script::Carrier::intermediate;
}

bool told_directly(const FaultBook& book, const script::BoardType& type, const Hypothesis& cause,
                   const std::vector<Judged>& evidence) {
  for (const Judged& each : evidence) {
    const Observation& seen = *each.observation;
    const auto pair = type.bring_up.pairs.find(seen.check);
    const bool signal = seen.check == kOutputs || (pair != type.bring_up.pairs.end() &&
                                                   pair->second.at == script::Carrier::intermediate);
    if (signal) continue;
    const Expectation expected = expected_of(book, cause, seen.reading, seen.if_hz, each.healthy,
                                             each.reading->scale);
    const double by = log_likelihood(expected, each.healthy, seen.seen, each.reading->scale) -
                      log_likelihood(each.healthy, each.healthy, seen.seen, each.reading->scale);
    if (by > kTelling) return true;
  }
  return false;
}

// The open measurement with the fewest moves that would show the fault where it is.
std::optional<RankedCheck> confirmation(const FaultBook& book, const script::BoardType& type,
                                        const Hypothesis& cause,
                                        const std::vector<RankedCheck>& ranked) {
  std::optional<RankedCheck> best;
  for (const RankedCheck& each : ranked) {
    if (shows_signal(each.check, type) || (best && each.moves >= best->moves)) continue;
    for (const std::string& id : each.check.readings) {
      const auto found = book.readings.find(id);
      if (found == book.readings.end()) continue;
      const auto healthy = healthy_at(found->second, type);
      if (!healthy) continue;
      const Scale scale = found->second.scale;
      const Expectation expected = expected_of(book, cause, id, each.check.if_hz, *healthy, scale);
      if (expected == *healthy || expected.kind == Kind::unknown) continue;
      const Seen seen = representative(expected, *healthy, scale);
      const double by = log_likelihood(expected, *healthy, seen, scale) -
                        log_likelihood(*healthy, *healthy, seen, scale);
      if (by > kTelling) best = each;
    }
  }
  return best;
}

std::string percent(double share) { return format(std::round(100 * share), Unit::one, 3) + " %"; }

}  // namespace

SearchStep next_step(const FaultBook& book, const script::BoardType& type,
                     const std::vector<Observation>& evidence, const std::vector<Check>& open,
                     const ProbePlaces& places, bool powered) {
  const std::vector<Judged> weighed = judged(evidence, book, type);
  const std::vector<Hypothesis> causes = posterior(book, weighed);
  const Hypothesis& first = causes.front();
  const bool good = first.parts.empty() && !first.unknown;
  SearchStep out;
  out.good = good;
  const std::vector<RankedCheck> ranked = rank_checks(book, type, causes, open, places, powered);
  if (!first.parts.empty() && first.probability >= kFound) {
    const bool direct = told_directly(book, type, first, weighed);
    // Nobody takes an iron to a board on what the outputs suggest (common practice, no source).
    if (!direct) out.check = confirmation(book, type, first, ranked);
    if (out.check) {
      out.why = "to confirm " + title_of(book, first);
      return out;
    }
    if (direct || first.probability >= kFoundBySignal) {
      out.why = "found: " + title_of(book, first) + " (" + percent(first.probability) + ")";
      return out;
    }
  }
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
