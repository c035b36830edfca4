#include "sequences/report/summary.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include "drivers/base/quantity.hpp"
#include "drivers/base/time_text.hpp"
#include "sequences/report/number_text.hpp"

namespace nightbench::report {
namespace {

using record::Decision;
using record::Outcome;
using record::Reading;
using record::Verdict;

bool has_value(const Reading& reading) {
  return reading.value && std::isfinite(*reading.value);
}

bool has_limit(const Reading& reading) {
  return reading.limit.lower || reading.limit.upper;
}

// Distance to the nearer limit in units of U, negative outside; infinite without a limit.
double margin(const Reading& reading) {
  double room = std::numeric_limits<double>::infinity();
  if (!has_value(reading)) return room;
  if (reading.limit.upper) room = std::min(room, *reading.limit.upper - *reading.value);
  if (reading.limit.lower) room = std::min(room, *reading.value - *reading.limit.lower);
  const double u = std::isfinite(reading.expanded_u) ? std::fabs(reading.expanded_u) : 0;
  return u > 0 ? room / u : room * 1e9;
}

bool worse(const Reading& a, const Reading& b) {
  const int bad_a = badness(a.decision);
  const int bad_b = badness(b.decision);
  if (bad_a != bad_b) return bad_a > bad_b;
  const double room_a = margin(a);
  const double room_b = margin(b);
  if (room_a != room_b) return room_a < room_b;
  // Without a limit the largest one is worth showing.
  return has_value(a) && (!has_value(b) || std::fabs(*a.value) > std::fabs(*b.value));
}

std::string count_of(std::size_t count, const std::string& one, const std::string& many) {
  return std::to_string(count) + " " + (count == 1 ? one : many);
}

// "gain balance, phase error and IF error"
std::string listed(const std::vector<std::string>& words, std::size_t most) {
  std::string out;
  const std::size_t shown_words = std::min(words.size(), most);
  for (std::size_t i = 0; i < shown_words; ++i) {
    if (i != 0) out += i + 1 == words.size() ? " and " : ", ";
    out += words[i];
  }
  if (words.size() > shown_words) {
    out += " and " + std::to_string(words.size() - shown_words) + " more";
  }
  return out;
}

void count_reading(QuantitySummary& entry, const record::Point& point, const Reading& reading) {
  if (has_value(reading)) ++entry.readings;
  switch (reading.decision) {
    case Decision::none:
      break;
    case Decision::pass:
      ++entry.judged;
      break;
    case Decision::conditional_pass:
      ++entry.judged;
      ++entry.conditional;
      break;
    case Decision::conditional_fail:
    case Decision::fail:
      ++entry.judged;
      ++entry.failed;
      break;
    case Decision::no_reading:
      ++entry.missing;
      if (has_limit(reading)) ++entry.unjudged;
      break;
  }
  entry.limited = entry.limited || has_limit(reading) || entry.judged > 0;
  if (entry.worst == nullptr || worse(reading, *entry.worst)) {
    entry.worst = &reading;
    entry.point = &point;
  }
}

std::string reason_for_failure(const QuantitySummary& entry) {
  const Shown text = shown(*entry.worst);
  const std::size_t all = entry.judged + entry.unjudged;
  std::string out = entry.title + ": " + text.full;
  if (!text.limit.empty()) out += ", allowed is " + text.limit;
  const std::string place = where(*entry.point);
  if (!place.empty()) out += ", at " + place;
  if (all > 1) {
    out += "; " + std::to_string(entry.failed) + " of " + count_of(all, "reading", "readings") +
           " outside, this is the worst";
  }
  return out;
}

// "clipped (3), unlocked (1)"
std::string reasons_of(const record::Run& run, const QuantitySummary& entry) {
  std::map<std::string, std::size_t> reasons;
  for (const record::Point& point : run.points) {
    if (point.label != entry.label) continue;
    for (const Reading& reading : point.readings) {
      if (reading.quantity != entry.quantity || reading.decision != Decision::no_reading) continue;
      ++reasons[reading.reason.empty() ? "no reason kept" : reading.reason];
    }
  }
  std::vector<std::string> words;
  for (const auto& [reason, count] : reasons) {
    words.push_back(reasons.size() == 1 ? reason : reason + " (" + std::to_string(count) + ")");
  }
  return listed(words, 4);
}

// One sentence for all quantities that are missing alike: a capture that is refused takes all of
// its quantities with it.
std::vector<std::string> reasons_for_missing(const record::Run& run, const Summary& summary) {
  std::vector<std::pair<std::string, std::vector<std::string>>> groups;
  for (const QuantitySummary& entry : summary.quantities) {
    if (entry.unjudged == 0) continue;
    const std::size_t places = entry.readings + entry.missing;
    const std::string tail = std::to_string(entry.missing) + " of " +
                             count_of(places, "place has", "places have") +
                             " no reading: " + reasons_of(run, entry);
    const auto same = std::find_if(groups.begin(), groups.end(),
                                   [&](const auto& group) { return group.first == tail; });
    auto& titles = same == groups.end()
                       ? groups.emplace_back(tail, std::vector<std::string>()).second
                       : same->second;
    titles.push_back(entry.title);
  }
  std::vector<std::string> out;
  for (const auto& [tail, titles] : groups) out.push_back(listed(titles, 3) + ": " + tail);
  return out;
}

std::string outcome_sentence(const record::Run& run) {
  std::string out;
  switch (run.outcome) {
    case Outcome::complete:
      return out;
    case Outcome::unfinished:
      out = "The run has not ended, or was cut short without a word";
      break;
    case Outcome::interrupted:
      out = "The run was interrupted";
      break;
    case Outcome::bench_failed:
      out = "The bench failed during the run";
      break;
    case Outcome::unsafe:
      out = "The run was stopped for safety";
      break;
  }
  if (!run.outcome_text.empty()) out += ": " + run.outcome_text;
  return out;
}

std::string headline(const record::Run& run, const Summary& summary) {
  const auto titles = [&](std::size_t QuantitySummary::* count) {
    std::vector<std::string> words;
    for (const QuantitySummary& entry : summary.quantities) {
      const bool twice = std::find(words.begin(), words.end(), entry.title) != words.end();
      if (entry.*count > 0 && !twice) words.push_back(entry.title);
    }
    return words;
  };
  switch (summary.verdict) {
    case Verdict::pass:
      return summary.judged == 1 ? "The one judged reading is inside its limit"
                                 : "All " + std::to_string(summary.judged) +
                                       " judged readings are inside their limits";
    case Verdict::conditional:
      return "No limit is missed, but " +
             count_of(summary.conditional, "reading lies", "readings lie") +
             " closer to a limit than the uncertainty: " +
             listed(titles(&QuantitySummary::conditional), 4);
    case Verdict::fail:
      return "Outside the limits: " + listed(titles(&QuantitySummary::failed), 5);
    case Verdict::none:
      break;
  }
  if (run.outcome != Outcome::complete) return outcome_sentence(run);
  if (summary.missing > 0) {
    return count_of(summary.missing, "judged reading is", "judged readings are") +
           " missing: " + listed(titles(&QuantitySummary::unjudged), 4);
  }
  return "The script judged nothing: no limit applied to any reading";
}

}  // namespace

int badness(Decision decision) {
  switch (decision) {
    case Decision::none:
      return 0;
    case Decision::pass:
      return 1;
    case Decision::conditional_pass:
      return 2;
    case Decision::no_reading:
      return 3;
    case Decision::conditional_fail:
      return 4;
    case Decision::fail:
      return 5;
  }
  return 0;
}

Shown shown(const Reading& reading) {
  const auto finite = [](const std::optional<double>& value) -> std::optional<double> {
    return value && std::isfinite(*value) ? value : std::nullopt;
  };
  const std::optional<double> value = finite(reading.value);
  const std::optional<double> lower = finite(reading.limit.lower);
  const std::optional<double> upper = finite(reading.limit.upper);
  const std::optional<double> at_least = reading.open_above ? finite(reading.low) : std::nullopt;
  // An interval that is open below: distortion that does not stand clear of the noise.
  const bool open_below = value && !reading.open_above && !reading.low && reading.high;
  const std::optional<double> at_most = open_below ? finite(reading.high) : std::nullopt;
  const std::optional<double> end = at_least ? at_least : at_most;
  // A value near zero takes the prefix of its uncertainty: -0.3 mHz with U = 29 Hz is "0 Hz".
  const std::optional<double> size =
      value && std::isfinite(reading.expanded_u)
          ? std::optional<double>(std::max(std::fabs(*value), reading.expanded_u))
          : value;
  const Scale scale = scale_for(reading.unit, size, lower, upper);
  const auto scaled = [&](const std::optional<double>& number) -> std::optional<double> {
    if (!number) return std::nullopt;
    return *number / scale.factor;
  };
  const double u = std::isfinite(reading.expanded_u) ? reading.expanded_u / scale.factor : 0;
  const int places =
      decimals_for(scaled(end ? end : value), u, scaled(lower), scaled(upper));
  const auto put = [&](const std::optional<double>& number) {
    return number ? fixed(*number / scale.factor, places) : std::string();
  };

  Shown out;
  out.unit = scale.unit;
  out.lower = put(lower);
  out.upper = put(upper);
  const std::string unit = scale.unit.empty() ? "" : " " + scale.unit;
  if (lower && upper) {
    out.limit = out.lower + " to " + out.upper + unit;
  } else if (upper) {
    out.limit = "at most " + out.upper + unit;
  } else if (lower) {
    out.limit = "at least " + out.lower + unit;
  }
  if (at_least) {
    out.value = "> " + put(at_least);
    out.full = "better than " + put(at_least) + unit;
  } else if (at_most) {
    out.value = "< " + put(at_most);
    out.full = "less than " + put(at_most) + unit;
  } else if (value) {
    out.value = put(value);
    out.full = out.value + unit;
    if (!std::isfinite(reading.expanded_u)) {
      out.u = "not known";
      out.full += " (U not known)";
    } else if (reading.expanded_u > 0) {
      out.u = fixed(u, places);
      out.full += " (U = " + out.u + unit + ")";
    }
  } else {
    out.value = "no reading";
    out.full = "no reading";
    if (!reading.reason.empty()) out.full += " (" + reading.reason + ")";
  }
  return out;
}

std::string where(const record::Point& point) {
  std::vector<std::string> parts;
  const auto take = [&](const char* key) -> std::optional<double> {
    const auto found = point.at.find(key);
    if (found == point.at.end() || !std::isfinite(found->second)) return std::nullopt;
    return found->second;
  };
  const auto rf_hz = take("rf_hz");
  const auto lo_hz = take("lo_hz");
  const auto offset_hz = take("offset_hz");
  if (rf_hz) parts.push_back("RF " + format(*rf_hz, Unit::hertz, 9));
  if (offset_hz) {
    const std::string size = format(std::fabs(*offset_hz), Unit::hertz, 7);
    parts.push_back(*offset_hz < 0 ? size + " below LO" : size + " above LO");
  } else if (lo_hz) {
    parts.push_back("LO " + format(*lo_hz, Unit::hertz, 9));
  }
  if (const auto level_dbm = take("level_dbm")) {
    parts.push_back(format(*level_dbm, Unit::dbm, 4));
  }
  for (const auto& [key, value] : point.at) {
    if (key == "rf_hz" || key == "lo_hz" || key == "offset_hz" || key == "level_dbm") continue;
    if (std::isfinite(value))
      parts.push_back(coordinate_title(key) + " " + coordinate_text(key, value));
  }
  std::string out;
  for (const std::string& part : parts) out += (out.empty() ? "" : ", ") + part;
  return out;
}

bool overdue(const record::Instrument& instrument, WallTime when) {
  constexpr std::string_view kForm = "dddd-dd-dd";
  const std::string& due = instrument.calibration_due;
  if (due.size() != kForm.size()) return false;
  for (std::size_t i = 0; i < kForm.size(); ++i) {
    const bool digit = due[i] >= '0' && due[i] <= '9';
    if (kForm[i] == 'd' ? !digit : due[i] != kForm[i]) return false;
  }
  return due < exact_time(when).substr(0, kForm.size());
}

std::vector<std::string> overdue(const record::Header& header) {
  std::vector<std::string> out;
  for (const record::Instrument& each : header.instruments) {
    if (overdue(each, header.started)) out.push_back(each.name);
  }
  return out;
}

Summary summarise(const record::Run& run) {
  Summary out;
  out.verdict = record::verdict(run);
  out.planned = run.header.planned_points;
  out.measured = run.points.size();
  std::map<std::pair<std::string, std::string>, std::size_t> known;
  for (const record::Point& point : run.points) {
    for (const Reading& reading : point.readings) {
      const auto [at, fresh] = known.try_emplace({point.label, reading.quantity}, known.size());
      if (fresh) {
        QuantitySummary& entry = out.quantities.emplace_back();
        entry.label = point.label;
        entry.quantity = reading.quantity;
        entry.title = reading.title.empty() ? reading.quantity : reading.title;
        entry.unit = reading.unit;
      }
      count_reading(out.quantities[at->second], point, reading);
    }
  }
  for (const QuantitySummary& entry : out.quantities) {
    out.readings += entry.readings;
    out.judged += entry.judged;
    out.missing += entry.unjudged;
    out.failed += entry.failed;
    out.conditional += entry.conditional;
  }
  out.headline = headline(run, out);

  std::vector<const QuantitySummary*> failing;
  for (const QuantitySummary& entry : out.quantities) {
    if (entry.failed > 0) failing.push_back(&entry);
  }
  std::stable_sort(failing.begin(), failing.end(),
                   [](const auto* a, const auto* b) { return worse(*a->worst, *b->worst); });
  for (const QuantitySummary* entry : failing) out.reasons.push_back(reason_for_failure(*entry));
  const std::string ended = outcome_sentence(run);
  if (!ended.empty() && ended != out.headline) out.reasons.push_back(ended);
  if (out.measured < out.planned) {
    out.reasons.push_back(std::to_string(out.measured) + " of " +
                          count_of(out.planned, "planned point was", "planned points were") +
                          " measured");
  }
  for (std::string& reason : reasons_for_missing(run, out))
    out.reasons.push_back(std::move(reason));
  for (const QuantitySummary& entry : out.quantities) {
    if (entry.conditional == 0 || entry.failed > 0) continue;
    out.reasons.push_back(entry.title + ": " + count_of(entry.conditional, "reading", "readings") +
                          " inside by less than U; closest " + shown(*entry.worst).full +
                          ", allowed is " + shown(*entry.worst).limit);
  }
  return out;
}

}  // namespace nightbench::report
