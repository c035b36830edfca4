// What json_form.cpp writes, read back.
#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>

#include "drivers/base/time_text.hpp"
#include "sequences/record/json_form.hpp"
#include "sequences/record/json_reader.hpp"

namespace nightbench::record {
namespace {

constexpr double kUnlimited = std::numeric_limits<double>::infinity();
constexpr double kNotANumber = std::numeric_limits<double>::quiet_NaN();
constexpr long long kMostOrdinal = 1LL << 53;  // whole numbers up to here are exact in JSON readers

Result<double> number_or(Members& members, const char* key, double absent, double null) {
  const auto found = members.find(key);
  if (!found) return absent;
  if (found->is_null()) return null;
  return found->number();
}

Result<std::optional<double>> maybe_number(Members& members, const char* key) {
  const auto found = members.find(key);
  if (!found) return std::nullopt;
  TRY_ASSIGN(const double value, found->number());
  return value;
}

Result<WallTime> need_time(Members& members, const char* key) {
  TRY_ASSIGN(const Place place, members.need(key));
  TRY_ASSIGN(const std::string text, place.text());
  auto time = time_from(text);
  if (!time) return place.refuse(time.error().message);
  return *time;
}

template <typename Word>
Result<Word> need_word(const Place& place, std::initializer_list<Word> choices) {
  TRY_ASSIGN(const std::string text, place.text());
  std::string known;
  for (const Word choice : choices) {
    if (text == word(choice)) return choice;
    known += (known.empty() ? "\"" : ", \"") + std::string(word(choice)) + "\"";
  }
  return place.refuse("expected one of " + known + ", found \"" + text + "\"");
}

constexpr auto kDecisions = {
    Decision::none, Decision::pass,      Decision::conditional_pass, Decision::conditional_fail,
    Decision::fail, Decision::no_reading};
constexpr auto kOutcomes = {Outcome::unfinished, Outcome::complete, Outcome::interrupted,
                            Outcome::bench_failed, Outcome::unsafe};
constexpr auto kSeverities = {Severity::info, Severity::warning, Severity::trouble};

template <typename Item, typename Read>
Result<std::vector<Item>> list_of(Members& members, const char* key, const Read& read) {
  std::vector<Item> out;
  const auto list = members.find(key);
  if (!list) return out;
  TRY_ASSIGN(const std::size_t size, list->array_size());
  out.reserve(size);
  for (std::size_t i = 0; i < size; ++i) {
    const Place each = list->element(i);
    auto item = read(each);
    if (!item) return std::unexpected(std::move(item).error());
    out.push_back(*std::move(item));
  }
  return out;
}

Result<Limit> limit_at(const Place& place) {
  Limit out;
  TRY_ASSIGN(Members members, Members::of(place, "a limit"));
  TRY_ASSIGN(out.lower, maybe_number(members, "lower"));
  TRY_ASSIGN(out.upper, maybe_number(members, "upper"));
  TRY_ASSIGN(out.name, members.text("name", ""));
  TRY(members.finish());
  return out;
}

Result<Contribution> contribution_at(const Place& place) {
  Contribution out;
  TRY_ASSIGN(Members members, Members::of(place, "a contribution"));
  TRY_ASSIGN(out.name, members.text("name"));
  TRY_ASSIGN(const Place type, members.need("type"));
  TRY_ASSIGN(const std::string letter, type.text());
  if (letter != "A" && letter != "B") return type.refuse("expected \"A\" or \"B\"");
  out.type = letter.front();
  TRY_ASSIGN(out.u, number_or(members, "u", 0, kUnlimited));
  TRY(members.finish());
  return out;
}

Result<Reading> reading_at(const Place& place) {
  Reading out;
  TRY_ASSIGN(Members members, Members::of(place, "a reading"));
  TRY_ASSIGN(out.quantity, members.text("quantity"));
  TRY_ASSIGN(out.title, members.text("title", ""));
  TRY_ASSIGN(out.unit, members.text("unit", ""));
  TRY_ASSIGN(out.value, maybe_number(members, "value"));
  TRY_ASSIGN(out.expanded_u, number_or(members, "expanded_u", 0, kUnlimited));
  TRY_ASSIGN(out.low, maybe_number(members, "low"));
  TRY_ASSIGN(out.high, maybe_number(members, "high"));
  TRY_ASSIGN(out.open_above, members.boolean("open_above", false));
  TRY_ASSIGN(out.reason, members.text("reason", ""));
  TRY_ASSIGN(out.detail, members.text("detail", ""));
  if (const auto limit = members.find("limit")) {
    TRY_ASSIGN(out.limit, limit_at(*limit));
  }
  TRY_ASSIGN(const Place decision, members.need("decision"));
  TRY_ASSIGN(out.decision, need_word(decision, kDecisions));
  TRY_ASSIGN(out.conform_probability, number_or(members, "conform_probability", -1, -1));
  TRY_ASSIGN(out.budget, list_of<Contribution>(members, "budget", contribution_at));
  TRY(members.finish());
  return out;
}

Result<std::vector<float>> samples_at(const Place& place) {
  std::vector<float> out;
  TRY_ASSIGN(const std::size_t size, place.array_size());
  out.reserve(size);
  for (std::size_t i = 0; i < size; ++i) {
    const Place each = place.element(i);
    if (each.is_null()) {
      out.push_back(std::numeric_limits<float>::quiet_NaN());
      continue;
    }
    TRY_ASSIGN(const double value, each.number());
    if (std::fabs(value) > std::numeric_limits<float>::max()) {
      return each.refuse("expected a number that fits single precision");
    }
    out.push_back(static_cast<float>(value));
  }
  return out;
}

Result<TraceExcerpt> excerpt_at(const Place& place) {
  TraceExcerpt out;
  TRY_ASSIGN(Members members, Members::of(place, "an excerpt"));
  TRY_ASSIGN(out.dt_s, number_or(members, "dt_s", 0, kNotANumber));
  TRY_ASSIGN(const Place i_v, members.need("i_v"));
  TRY_ASSIGN(out.i_v, samples_at(i_v));
  TRY_ASSIGN(const Place q_v, members.need("q_v"));
  TRY_ASSIGN(out.q_v, samples_at(q_v));
  TRY(members.finish());
  return out;
}

Result<Point> point_at(const Place& place) {
  Point out;
  TRY_ASSIGN(Members members, Members::of(place, "a point"));
  TRY_ASSIGN(const long long ordinal, members.integer("ordinal", 0, kMostOrdinal));
  out.ordinal = static_cast<std::uint64_t>(ordinal);
  TRY_ASSIGN(out.step, members.text("step", ""));
  TRY_ASSIGN(out.label, members.text("label", ""));
  if (const auto at = members.find("at")) {
    TRY_ASSIGN(const auto coordinates, at->members());
    for (const auto& [key, coordinate] : coordinates) {
      if (coordinate.is_null()) {
        out.at[key] = kNotANumber;
      } else {
        TRY_ASSIGN(out.at[key], coordinate.number());
      }
    }
  }
  TRY_ASSIGN(out.started, need_time(members, "started"));
  TRY_ASSIGN(out.finished, need_time(members, "finished"));
  TRY_ASSIGN(const long long attempts,
             members.integer("attempts", 0, std::numeric_limits<int>::max(), 1));
  out.attempts = static_cast<int>(attempts);
  TRY_ASSIGN(out.readings, list_of<Reading>(members, "readings", reading_at));
  if (const auto excerpt = members.find("excerpt")) {
    TRY_ASSIGN(out.excerpt, excerpt_at(*excerpt));
  }
  TRY_ASSIGN(out.notes,
             list_of<std::string>(members, "notes", [](const Place& each) { return each.text(); }));
  TRY(members.finish());
  return out;
}

Result<Event> event_at(const Place& place) {
  Event out;
  TRY_ASSIGN(Members members, Members::of(place, "an event"));
  TRY_ASSIGN(out.time, need_time(members, "time"));
  TRY_ASSIGN(const Place severity, members.need("severity"));
  TRY_ASSIGN(out.severity, need_word(severity, kSeverities));
  TRY_ASSIGN(out.id, members.text("id", ""));
  TRY_ASSIGN(out.text, members.text("text", ""));
  TRY(members.finish());
  return out;
}

Result<Instrument> instrument_at(const Place& place) {
  Instrument out;
  TRY_ASSIGN(Members members, Members::of(place, "an instrument"));
  TRY_ASSIGN(out.name, members.text("name"));
  TRY_ASSIGN(out.role, members.text("role"));
  TRY_ASSIGN(out.resource, members.text("resource", ""));
  TRY_ASSIGN(out.dialect, members.text("dialect", ""));
  TRY_ASSIGN(out.identity, members.text("identity", ""));
  TRY_ASSIGN(out.calibrated, members.text("calibrated", ""));
  TRY_ASSIGN(out.calibration_due, members.text("calibration_due", ""));
  TRY(members.finish());
  return out;
}

Result<Header> header_at(const Place& place) {
  Header out;
  TRY_ASSIGN(Members members, Members::of(place, "a header"));
  TRY_ASSIGN(out.run_id, members.text("run_id"));
  TRY_ASSIGN(out.board, members.text("board"));
  TRY_ASSIGN(out.board_type, members.text("board_type", ""));
  TRY_ASSIGN(out.board_type_title, members.text("board_type_title", ""));
  TRY_ASSIGN(out.script, members.text("script", ""));
  TRY_ASSIGN(out.script_file, members.text("script_file", ""));
  TRY_ASSIGN(out.script_sha256, members.text("script_sha256", ""));
  TRY_ASSIGN(out.script_text, members.text("script_text", ""));
  TRY_ASSIGN(out.board_type_text, members.text("board_type_text", ""));
  TRY_ASSIGN(out.bench, members.text("bench", ""));
  TRY_ASSIGN(out.bench_kind, members.text("bench_kind", ""));
  TRY_ASSIGN(out.person, members.text("person", ""));
  TRY_ASSIGN(out.program_version, members.text("program_version", ""));
  if (const auto parameters = members.find("parameters")) {
    TRY_ASSIGN(const auto each, parameters->members());
    for (const auto& [key, value] : each) {
      TRY_ASSIGN(out.parameters[key], value.text());
    }
  }
  TRY_ASSIGN(out.instruments, list_of<Instrument>(members, "instruments", instrument_at));
  TRY_ASSIGN(const long long planned, members.integer("planned_points", 0, kMostOrdinal));
  out.planned_points = static_cast<std::uint64_t>(planned);
  TRY_ASSIGN(out.started, need_time(members, "started"));
  TRY(members.finish());
  return out;
}

}  // namespace

Result<Reading> reading_from(const json::Node& node) {
  return reading_at(Place(node));
}
Result<Point> point_from(const json::Node& node) {
  return point_at(Place(node));
}
Result<Event> event_from(const json::Node& node) {
  return event_at(Place(node));
}
Result<Header> header_from(const json::Node& node) {
  return header_at(Place(node));
}

Result<Run> run_from(const json::Node& node) {
  Run out;
  const Place place(node);
  TRY_ASSIGN(Members members, Members::of(place, "a results file"));
  TRY(members.integer("results", kResultsFormat, kResultsFormat));
  members.find("verdict");  // for readers of the file; it follows from the points
  TRY_ASSIGN(const Place outcome, members.need("outcome"));
  TRY_ASSIGN(out.outcome, need_word(outcome, kOutcomes));
  TRY_ASSIGN(out.outcome_text, members.text("outcome_text", ""));
  if (members.find("finished")) {
    TRY_ASSIGN(out.finished, need_time(members, "finished"));
  }
  TRY_ASSIGN(const Place header, members.need("header"));
  TRY_ASSIGN(out.header, header_at(header));
  TRY_ASSIGN(out.points, list_of<Point>(members, "points", point_at));
  for (std::size_t i = 1; i < out.points.size(); ++i) {
    if (out.points[i].ordinal <= out.points[i - 1].ordinal) {
      return place.refuse("expected points by ascending ordinal, found " +
                          std::to_string(out.points[i].ordinal) + " after " +
                          std::to_string(out.points[i - 1].ordinal));
    }
  }
  TRY_ASSIGN(out.events, list_of<Event>(members, "events", event_at));
  TRY(members.finish());
  return out;
}

Result<Run> run_from_text(std::string_view text, std::string name) {
  TRY_ASSIGN(const json::Node root, json::parse(text, std::move(name)));
  return run_from(root);
}

Result<Decision> decision_from(const json::Node& node) {
  return need_word(Place(node), kDecisions);
}

Result<Outcome> outcome_from(std::string_view text) {
  for (const Outcome outcome : kOutcomes) {
    if (text == word(outcome)) return outcome;
  }
  std::string message = "expected the outcome of a run, found \"";
  message.append(text).append("\"");
  return fail(ErrorKind::bad_input, std::move(message));
}

}  // namespace nightbench::record
