#include "sequences/record/json_form.hpp"

#include <charconv>
#include <cmath>
#include <cstdio>
#include <limits>
#include <nlohmann/json.hpp>

#include "sequences/record/json_reader.hpp"
#include "sequences/record/text.hpp"

namespace nightbench::record {

using Json = nlohmann::ordered_json;

namespace {

constexpr int kResultsFormat = 1;
constexpr double kUnlimited = std::numeric_limits<double>::infinity();
constexpr double kNotANumber = std::numeric_limits<double>::quiet_NaN();
constexpr long long kMostOrdinal = 1LL << 53;  // whole numbers up to here are exact in JSON readers

// --- writing -------------------------------------------------------------------------------------

void put_text(Json& out, const char* key, const std::string& text) {
  if (!text.empty()) out[key] = valid_utf8(text);
}
void put_finite(Json& out, const char* key, const std::optional<double>& value) {
  if (value && std::isfinite(*value)) out[key] = *value;
}
Json number_or_null(double value) {
  return std::isfinite(value) ? Json(value) : Json(nullptr);
}

// The double whose shortest text is the shortest text of `value` and which still narrows to
// `value`: 0.1f is written 0.1 and not 0.10000000149011612, at a third of the size.
Json sample(float value) {
  if (!std::isfinite(value)) return nullptr;
  char text[32];
  const auto written = std::to_chars(text, text + sizeof text, value);
  double wide = 0;
  std::from_chars(text, written.ptr, wide);
  return static_cast<float>(wide) == value ? wide : static_cast<double>(value);
}

Json samples(const std::vector<float>& values) {
  Json out = Json::array();
  for (const float value : values) out.push_back(sample(value));
  return out;
}

Json json_of(const Instrument& instrument) {
  Json out = Json::object();
  out["name"] = valid_utf8(instrument.name);
  out["role"] = valid_utf8(instrument.role);
  put_text(out, "resource", instrument.resource);
  put_text(out, "dialect", instrument.dialect);
  put_text(out, "identity", instrument.identity);
  put_text(out, "calibrated", instrument.calibrated);
  put_text(out, "calibration_due", instrument.calibration_due);
  return out;
}

Json json_of(const TraceExcerpt& excerpt) {
  Json out = Json::object();
  out["dt_s"] = number_or_null(excerpt.dt_s);
  out["i_v"] = samples(excerpt.i_v);
  out["q_v"] = samples(excerpt.q_v);
  return out;
}

}  // namespace

Json json_of(const Reading& reading) {
  const bool broken = reading.value && !std::isfinite(*reading.value);
  Json out = Json::object();
  out["quantity"] = valid_utf8(reading.quantity);
  put_text(out, "title", reading.title);
  put_text(out, "unit", reading.unit);
  put_finite(out, "value", reading.value);
  if (reading.expanded_u != 0 || std::signbit(reading.expanded_u)) {
    out["expanded_u"] = number_or_null(reading.expanded_u);
  }
  put_finite(out, "low", reading.low);
  put_finite(out, "high", reading.high);
  if (reading.open_above) out["open_above"] = true;
  put_text(out, "reason", broken ? "not-finite" : reading.reason);
  put_text(out, "detail", reading.detail);
  Json limit = Json::object();
  put_finite(limit, "lower", reading.limit.lower);
  put_finite(limit, "upper", reading.limit.upper);
  put_text(limit, "name", reading.limit.name);
  if (!limit.empty()) out["limit"] = std::move(limit);
  out["decision"] = word(broken ? Decision::no_reading : reading.decision);
  if (reading.conform_probability != -1) {
    put_finite(out, "conform_probability", reading.conform_probability);
  }
  return out;
}

Json json_of(const Point& point) {
  Json out = Json::object();
  out["ordinal"] = point.ordinal;
  put_text(out, "step", point.step);
  put_text(out, "label", point.label);
  Json at = Json::object();
  for (const auto& [key, value] : point.at) at[valid_utf8(key)] = number_or_null(value);
  if (!at.empty()) out["at"] = std::move(at);
  out["started"] = exact_time(point.started);
  out["finished"] = exact_time(point.finished);
  if (point.attempts != 1) out["attempts"] = point.attempts;
  Json readings = Json::array();
  for (const Reading& reading : point.readings) readings.push_back(json_of(reading));
  out["readings"] = std::move(readings);
  if (point.excerpt) out["excerpt"] = json_of(*point.excerpt);
  Json notes = Json::array();
  for (const std::string& note : point.notes) notes.push_back(valid_utf8(note));
  if (!notes.empty()) out["notes"] = std::move(notes);
  return out;
}

Json json_of(const Event& event) {
  Json out = Json::object();
  out["time"] = exact_time(event.time);
  out["severity"] = word(event.severity);
  put_text(out, "id", event.id);
  put_text(out, "text", event.text);
  return out;
}

Json json_of(const Header& header) {
  Json out = Json::object();
  out["run_id"] = valid_utf8(header.run_id);
  out["board"] = valid_utf8(header.board);
  put_text(out, "board_type", header.board_type);
  put_text(out, "board_type_title", header.board_type_title);
  put_text(out, "script", header.script);
  put_text(out, "script_file", header.script_file);
  put_text(out, "script_sha256", header.script_sha256);
  put_text(out, "bench", header.bench);
  put_text(out, "bench_kind", header.bench_kind);
  put_text(out, "person", header.person);
  put_text(out, "program_version", header.program_version);
  out["started"] = exact_time(header.started);
  out["planned_points"] = header.planned_points;
  Json parameters = Json::object();
  for (const auto& [key, value] : header.parameters)
    parameters[valid_utf8(key)] = valid_utf8(value);
  if (!parameters.empty()) out["parameters"] = std::move(parameters);
  Json instruments = Json::array();
  for (const Instrument& each : header.instruments) instruments.push_back(json_of(each));
  if (!instruments.empty()) out["instruments"] = std::move(instruments);
  put_text(out, "script_text", header.script_text);
  put_text(out, "board_type_text", header.board_type_text);
  return out;
}

Json json_of(const Run& run) {
  Json out = Json::object();
  out["results"] = kResultsFormat;
  out["verdict"] = word(verdict(run));
  out["outcome"] = word(run.outcome);
  put_text(out, "outcome_text", run.outcome_text);
  if (run.finished) out["finished"] = exact_time(*run.finished);
  out["header"] = json_of(run.header);
  Json points = Json::array();
  for (const Point& point : run.points) points.push_back(json_of(point));
  out["points"] = std::move(points);
  Json events = Json::array();
  for (const Event& event : run.events) events.push_back(json_of(event));
  if (!events.empty()) out["events"] = std::move(events);
  return out;
}

std::string json_text(const Point& point) {
  return json_of(point).dump();
}
std::string json_text(const Event& event) {
  return json_of(event).dump();
}
std::string json_text(const Header& header) {
  return json_of(header).dump();
}

std::string json_text(const Run& run) {
  // Indented by hand at the top, one line for each point: a file of a night stays readable and
  // small.
  Json shell = json_of(run);
  const Json points = std::move(shell["points"]);
  shell["points"] = Json::array();
  std::string text = shell.dump(2);
  const std::string empty = "\"points\": []";
  // Inside a string the quote would stand escaped, so the first match is the member itself.
  const std::size_t at = text.find(empty);
  std::string list = "\"points\": [";
  for (std::size_t i = 0; i < points.size(); ++i) {
    list += i == 0 ? "\n    " : ",\n    ";
    list += points[i].dump();
  }
  if (!points.empty()) list += "\n  ";
  text.replace(at, empty.size(), list + "]");
  return text + "\n";
}

// --- reading -------------------------------------------------------------------------------------

namespace {

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

Result<Limit> limit_at(const Place& place) {
  Limit out;
  TRY_ASSIGN(Members members, Members::of(place, "a limit"));
  TRY_ASSIGN(out.lower, maybe_number(members, "lower"));
  TRY_ASSIGN(out.upper, maybe_number(members, "upper"));
  TRY_ASSIGN(out.name, members.text("name", ""));
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

// --- times ---------------------------------------------------------------------------------------

std::string exact_time(WallTime time) {
  using namespace std::chrono;
  const auto day = floor<days>(time);
  const year_month_day date(day);
  const hh_mm_ss<nanoseconds> clock(time - day);
  char text[80];
  std::snprintf(
      text, sizeof text, "%04d-%02u-%02uT%02d:%02d:%02d.%09dZ", static_cast<int>(date.year()),
      static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()),
      static_cast<int>(clock.hours().count()), static_cast<int>(clock.minutes().count()),
      static_cast<int>(clock.seconds().count()), static_cast<int>(clock.subseconds().count()));
  return text;
}

Result<WallTime> time_from(std::string_view text) {
  using namespace std::chrono;
  const auto refused = [&] {
    return fail(ErrorKind::bad_input,
                "expected a time such as \"2026-11-25T03:04:05.123456789Z\", found \"" +
                    std::string(text) + "\"");
  };
  constexpr std::string_view kForm = "dddd-dd-ddTdd:dd:dd";
  if (text.size() < kForm.size() + 1 || text.back() != 'Z') return refused();
  for (std::size_t i = 0; i < kForm.size(); ++i) {
    const bool digit = text[i] >= '0' && text[i] <= '9';
    if (kForm[i] == 'd' ? !digit : text[i] != kForm[i]) return refused();
  }
  const auto part = [&](std::size_t at, std::size_t size) {
    int value = 0;
    std::from_chars(text.data() + at, text.data() + at + size, value);
    return value;
  };
  const year_month_day date(year(part(0, 4)), month(static_cast<unsigned>(part(5, 2))),
                            std::chrono::day(static_cast<unsigned>(part(8, 2))));
  const int hour = part(11, 2);
  const int minute = part(14, 2);
  const int second = part(17, 2);
  // The years that 64 bits of nanoseconds reach, less a margin.
  if (!date.ok() || part(0, 4) < 1678 || part(0, 4) > 2261) return refused();
  if (hour > 23 || minute > 59 || second > 59) return refused();
  std::string_view fraction = text.substr(kForm.size(), text.size() - kForm.size() - 1);
  long long fraction_ns = 0;
  if (!fraction.empty()) {
    if (fraction.front() != '.' || fraction.size() < 2 || fraction.size() > 10) return refused();
    fraction.remove_prefix(1);
    for (std::size_t i = 0; i < 9; ++i) {
      const char digit = i < fraction.size() ? fraction[i] : '0';
      if (digit < '0' || digit > '9') return refused();
      fraction_ns = fraction_ns * 10 + (digit - '0');
    }
  }
  const Duration since = sys_days(date).time_since_epoch() + hours(hour) + minutes(minute) +
                         std::chrono::seconds(second) + nanoseconds(fraction_ns);
  return WallTime(since);
}

}  // namespace nightbench::record
