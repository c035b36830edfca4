#include "sequences/report/csv.hpp"

#include <cmath>
#include <set>
#include <vector>

#include "drivers/base/quantity.hpp"
#include "sequences/record/json_form.hpp"
#include "sequences/record/text.hpp"

namespace nightbench::report {
namespace {

// RFC 4180, section 2: quotes around fields with separators, quotes or line ends, quotes doubled.
std::string field(const std::string& raw) {
  std::string text = record::printable(raw);
  constexpr std::string_view kFormula = "=+-@\t\r";
  if (!text.empty() && kFormula.find(text.front()) != std::string_view::npos)
    text.insert(0, 1, '\'');
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string out = "\"";
  for (const char c : text) out += c == '"' ? std::string("\"\"") : std::string(1, c);
  return out + "\"";
}

std::string number(const std::optional<double>& value) {
  return value && std::isfinite(*value) ? shortest(*value) : std::string();
}

std::string line(const std::vector<std::string>& fields) {
  std::string out;
  for (std::size_t i = 0; i < fields.size(); ++i) {
    if (i != 0) out += ',';
    out += fields[i];
  }
  return out + "\r\n";
}

}  // namespace

std::string readings_csv(const record::Run& run) {
  std::set<std::string> coordinates;
  for (const record::Point& point : run.points) {
    for (const auto& [key, value] : point.at) coordinates.insert(key);
  }
  std::vector<std::string> titles{"run",  "board", "script",  "ordinal",
                                  "step", "label", "started", "attempts"};
  for (const std::string& key : coordinates) titles.push_back(field("at " + key));
  for (const char* title :
       {"quantity", "title", "value", "unit", "expanded_u", "low", "high", "lower_limit",
        "upper_limit", "limit_name", "decision", "conform_probability", "reason", "detail"}) {
    titles.emplace_back(title);
  }
  std::string out = line(titles);
  for (const record::Point& point : run.points) {
    for (const record::Reading& reading : point.readings) {
      std::vector<std::string> row{field(run.header.run_id),
                                   field(run.header.board),
                                   field(run.header.script),
                                   std::to_string(point.ordinal),
                                   field(point.step),
                                   field(point.label),
                                   record::exact_time(point.started),
                                   std::to_string(point.attempts)};
      for (const std::string& key : coordinates) {
        const auto found = point.at.find(key);
        row.push_back(found == point.at.end() ? "" : number(found->second));
      }
      const bool present = reading.value && std::isfinite(*reading.value);
      row.push_back(field(reading.quantity));
      row.push_back(field(reading.title));
      row.push_back(number(reading.value));
      row.push_back(field(reading.unit));
      row.push_back(present ? number(reading.expanded_u) : "");
      row.push_back(number(reading.low));
      row.push_back(number(reading.high));
      row.push_back(number(reading.limit.lower));
      row.push_back(number(reading.limit.upper));
      row.push_back(field(reading.limit.name));
      row.emplace_back(record::word(reading.decision));
      row.push_back(reading.conform_probability < 0 ? "" : number(reading.conform_probability));
      row.push_back(field(reading.reason));
      row.push_back(field(reading.detail));
      out += line(row);
    }
  }
  return out;
}

}  // namespace nightbench::report
