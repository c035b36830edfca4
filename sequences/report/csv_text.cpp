#include "sequences/report/csv_text.hpp"

#include <cmath>
#include <string_view>

#include "drivers/base/quantity.hpp"
#include "sequences/record/text.hpp"

namespace nightbench::report {

std::string csv_field(const std::string& raw) {
  std::string text = record::printable(raw);
  constexpr std::string_view kFormula = "=+-@\t\r";
  if (!text.empty() && kFormula.find(text.front()) != std::string_view::npos)
    text.insert(0, 1, '\'');
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string out = "\"";
  for (const char c : text) out += c == '"' ? std::string("\"\"") : std::string(1, c);
  return out + "\"";
}

std::string csv_number(const std::optional<double>& value) {
  return value && std::isfinite(*value) ? shortest(*value) : std::string();
}

std::string csv_line(const std::vector<std::string>& fields) {
  std::string out;
  for (std::size_t i = 0; i < fields.size(); ++i) {
    if (i != 0) out += ',';
    out += fields[i];
  }
  return out + "\r\n";
}

}  // namespace nightbench::report
