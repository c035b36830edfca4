#include "sequences/report/csv.hpp"

#include <cmath>
#include <set>
#include <vector>

#include "drivers/base/time_text.hpp"
#include "sequences/report/csv_text.hpp"

namespace nightbench::report {

std::string readings_csv(const record::Run& run) {
  std::set<std::string> coordinates;
  for (const record::Point& point : run.points) {
    for (const auto& [key, value] : point.at) coordinates.insert(key);
  }
  std::vector<std::string> titles{"run",  "board", "script",  "ordinal",
                                  "step", "label", "started", "attempts"};
  for (const std::string& key : coordinates) titles.push_back(csv_field("at " + key));
  for (const char* title :
       {"quantity", "title", "value", "unit", "expanded_u", "low", "high", "lower_limit",
        "upper_limit", "limit_name", "decision", "conform_probability", "reason", "detail"}) {
    titles.emplace_back(title);
  }
  std::string out = csv_line(titles);
  for (const record::Point& point : run.points) {
    for (const record::Reading& reading : point.readings) {
      std::vector<std::string> row{csv_field(run.header.run_id),
                                   csv_field(run.header.board),
                                   csv_field(run.header.script),
                                   std::to_string(point.ordinal),
                                   csv_field(point.step),
                                   csv_field(point.label),
                                   exact_time(point.started),
                                   std::to_string(point.attempts)};
      for (const std::string& key : coordinates) {
        const auto found = point.at.find(key);
        row.push_back(found == point.at.end() ? "" : csv_number(found->second));
      }
      const bool present = reading.value && std::isfinite(*reading.value);
      row.push_back(csv_field(reading.quantity));
      row.push_back(csv_field(reading.title));
      row.push_back(csv_number(reading.value));
      row.push_back(csv_field(reading.unit));
      row.push_back(present ? csv_number(reading.expanded_u) : "");
      row.push_back(csv_number(reading.low));
      row.push_back(csv_number(reading.high));
      row.push_back(csv_number(reading.limit.lower));
      row.push_back(csv_number(reading.limit.upper));
      row.push_back(csv_field(reading.limit.name));
      row.emplace_back(record::word(reading.decision));
      row.push_back(reading.conform_probability < 0 ? "" : csv_number(reading.conform_probability));
      row.push_back(csv_field(reading.reason));
      row.push_back(csv_field(reading.detail));
      out += csv_line(row);
    }
  }
  return out;
}

}  // namespace nightbench::report
