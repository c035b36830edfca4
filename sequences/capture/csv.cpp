#include "sequences/capture/csv.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <optional>
#include <span>
#include <vector>

#include "drivers/base/quantity.hpp"
#include "sequences/capture/bytes.hpp"

namespace nightbench::capture {
namespace {

enum class Meaning : std::uint8_t { i, q, time };

struct Column {
  Meaning meaning = Meaning::i;
  double scale = 1;  // to volts or seconds
};

std::string_view trimmed(std::string_view text) {
  constexpr std::string_view blank = " \t\r";
  const std::size_t from = text.find_first_not_of(blank);
  if (from == std::string_view::npos) return {};
  text = text.substr(from, text.find_last_not_of(blank) - from + 1);
  if (text.size() >= 2 && text.front() == '"' && text.back() == '"') {
    text = text.substr(1, text.size() - 2);
  }
  return text;
}

class Lines {
 public:
  explicit Lines(std::string_view text) : rest_(text) {
    if (rest_.starts_with("\xEF\xBB\xBF")) rest_.remove_prefix(3);  // byte order mark
  }
  // The next line that says something.
  std::optional<std::string_view> next() {
    while (!rest_.empty()) {
      const std::size_t end = rest_.find('\n');
      const std::string_view line = rest_.substr(0, end);
      rest_.remove_prefix(end == std::string_view::npos ? rest_.size() : end + 1);
      ++number_;
      if (const auto content = trimmed(line); !content.empty() && content.front() != '#') {
        return line;
      }
    }
    return std::nullopt;
  }
  std::size_t number() const { return number_; }

 private:
  std::string_view rest_;
  std::size_t number_ = 0;
};

class Parser {
 public:
  Parser(std::string_view text, std::string name) : lines_(text), name_(std::move(name)) {}

  Result<Capture> run(const ReadOptions& options) {
    TRY(read_head());
    while (line_) {
      TRY(read_row());
      line_ = lines_.next();
    }
    return finish(options);
  }

 private:
  std::unexpected<Error> wrong(const std::string& message) const {
    return refuse(name_, "line " + std::to_string(lines_.number()) + ": " + message);
  }

  std::vector<std::string_view> cells() const {
    std::vector<std::string_view> out;
    std::string_view rest = *line_;
    while (true) {
      const std::size_t end = rest.find(separator_);
      out.push_back(trimmed(rest.substr(0, end)));
      if (end == std::string_view::npos) return out;
      rest.remove_prefix(end + 1);
    }
  }

  Result<double> number(std::string_view cell) const {
    std::array<char, 64> text{};
    if (cell.size() < text.size()) {
      std::copy(cell.begin(), cell.end(), text.begin());
      if (separator_ == ';') std::replace(text.begin(), text.end(), ',', '.');
      std::string_view plain(text.data(), cell.size());
      if (plain.starts_with('+') && !plain.starts_with("+-")) plain.remove_prefix(1);
      double value = 0;
      const char* end = plain.data() + plain.size();
      const auto [stop, failed] = std::from_chars(plain.data(), end, value);
      if (failed == std::errc() && stop == end && std::isfinite(value)) return value;
    }
    return fail(ErrorKind::bad_input, "expected a finite number, found \"" + excerpt(cell) + "\"");
  }

  // People put the time first as often as last; a file without names cannot tell.
  std::string hint() const {
    return named_ ? "" : " (without names in its first line, a file's third column is the time)";
  }

  bool all_text(const std::vector<std::string_view>& row) const {
    return std::none_of(row.begin(), row.end(),
                        [&](std::string_view cell) { return number(cell).has_value(); });
  }

  Result<void> read_head() {
    line_ = lines_.next();
    if (!line_) return refuse(name_, "the file has no line with samples");
    for (const char each : {';', '\t', ','}) {
      if (line_->find(each) != std::string_view::npos) {
        separator_ = each;
        break;
      }
    }
    const auto row = cells();
    // "nan" in the first line of a file without names is a sample that is none, and no name.
    named_ = all_text(row) && std::none_of(row.begin(), row.end(), is_no_number);
    if (!named_) {
      if (row.size() != 2 && row.size() != 3) {
        return wrong("expected two columns (I, Q) or three (I, Q, time), found " +
                     std::to_string(row.size()));
      }
      columns_ = {{Meaning::i}, {Meaning::q}, {Meaning::time}};
      columns_.resize(row.size());
      return {};
    }
    TRY(read_names(row));
    line_ = lines_.next();
    if (!line_) return {};
    const auto units = cells();
    if (units.size() == columns_.size() && all_text(units) &&
        std::none_of(units.begin(), units.end(), is_no_number)) {
      for (std::size_t k = 0; k < units.size(); ++k) {
        TRY_ASSIGN(columns_[k].scale, scale_of(units[k], columns_[k].meaning));
      }
      line_ = lines_.next();
    }
    return {};
  }

  static bool is_no_number(std::string_view cell) {
    std::string lower(cell.substr(0, 4));
    for (char& c : lower) c = static_cast<char>(c | 0x20);
    return cell.empty() || lower == "nan" || lower.starts_with("inf") || lower.substr(1) == "nan" ||
           lower.substr(1) == "inf";
  }

  Result<void> read_names(const std::vector<std::string_view>& row) {
    std::array<int, 3> seen{};
    for (std::string_view cell : row) {
      std::string_view unit;
      if (const std::size_t open = cell.find_first_of("(["); open != std::string_view::npos) {
        const std::size_t close = cell.find_first_of(")]", open);
        if (close == std::string_view::npos)
          return wrong("the unit in \"" + excerpt(cell) + "\" has no end");
        unit = trimmed(cell.substr(open + 1, close - open - 1));
        cell = trimmed(cell.substr(0, open));
      }
      std::string name(cell);
      for (char& c : name) c = c >= 'A' && c <= 'Z' ? static_cast<char>(c + 0x20) : c;
      Column column;
      if (name == "i")
        column.meaning = Meaning::i;
      else if (name == "q")
        column.meaning = Meaning::q;
      else if (name == "t" || name == "time")
        column.meaning = Meaning::time;
      else
        return wrong("expected the columns \"I\", \"Q\" and \"time\", found \"" + excerpt(cell) +
                     "\"");
      if (seen[static_cast<std::size_t>(column.meaning)]++ != 0) {
        return wrong("the column \"" + name + "\" stands twice");
      }
      TRY_ASSIGN(column.scale, scale_of(unit, column.meaning));
      columns_.push_back(column);
    }
    if (seen[0] == 0 || seen[1] == 0) {
      return wrong(std::string("expected a column \"") + (seen[0] == 0 ? "I" : "Q") + "\"");
    }
    return {};
  }

  Result<double> scale_of(std::string_view unit, Meaning meaning) const {
    if (unit.empty()) return 1.0;
    const auto scale = parse_quantity("1 " + std::string(unit),
                                      meaning == Meaning::time ? Unit::second : Unit::volt);
    if (!scale) {
      return wrong(std::string("expected a unit of ") +
                   (meaning == Meaning::time ? "time (s, ms, us, ns)" : "voltage (V, mV, uV)") +
                   ", found \"" + excerpt(unit) + "\"");
    }
    return *scale;
  }

  Result<void> read_row() {
    // The hot path of large files: no allocation.
    std::string_view rest = *line_;
    std::array<double, 2> pair{};
    for (std::size_t k = 0; k < columns_.size(); ++k) {
      const std::size_t end = rest.find(separator_);
      const std::string_view cell = trimmed(rest.substr(0, end));
      const bool last = end == std::string_view::npos;
      if (cell.empty()) {
        return wrong("expected " + std::to_string(columns_.size()) + " numbers, found " +
                     std::to_string(k) + ": the channels are not of one length");
      }
      const auto value = number(cell);
      if (!value) return wrong("column " + std::to_string(k + 1) + ": " + value.error().message);
      const double scaled = *value * columns_[k].scale;
      if (columns_[k].meaning == Meaning::time)
        times_s_.push_back(scaled);
      else
        pair[columns_[k].meaning == Meaning::i ? 0 : 1] = scaled;
      if (last && k + 1 < columns_.size()) {
        return wrong("expected " + std::to_string(columns_.size()) + " numbers, found " +
                     std::to_string(k + 1) + ": the channels are not of one length");
      }
      if (!last && k + 1 == columns_.size() && !trimmed(rest.substr(end + 1)).empty()) {
        return wrong("expected " + std::to_string(columns_.size()) + " numbers, found more");
      }
      rest.remove_prefix(last ? rest.size() : end + 1);
    }
    if (times_s_.size() >= 2 && !(times_s_.back() > times_s_[times_s_.size() - 2])) {
      return wrong("expected a time later than that of the line before, found " +
                   shortest(times_s_.back()) + " s after " +
                   shortest(times_s_[times_s_.size() - 2]) + " s" + hint());
    }
    samples_.insert(samples_.end(), pair.begin(), pair.end());
    return {};
  }

  // Sample rate from the times, which must be even: a lost sample moves its neighbours off the
  // line through the ends by half a step or more.
  Result<std::optional<double>> rate_of_times() const {
    if (times_s_.size() < 2) return std::optional<double>();
    const double steps = static_cast<double>(times_s_.size() - 1);
    const double dt_s = (times_s_.back() - times_s_.front()) / steps;
    for (std::size_t n = 0; n < times_s_.size(); ++n) {
      const double off_s = times_s_[n] - (times_s_.front() + dt_s * static_cast<double>(n));
      if (!(std::fabs(off_s) <= 0.25 * dt_s)) {
        return refuse(name_, "expected times at even steps of " + format(dt_s, Unit::second) +
                                 ", sample " + std::to_string(n) + " is off by " +
                                 format(off_s, Unit::second, 3) + hint());
      }
    }
    return std::optional<double>(1 / dt_s);
  }

  Result<Capture> finish(const ReadOptions& options) {
    Capture capture;
    capture.file = name_;
    capture.format = "CSV";
    if (samples_.empty()) return refuse(name_, "the file has no line with samples");
    if (samples_.size() / 2 < fewest_samples) {
      return refuse(name_, "expected at least 2 samples a channel, found 1");
    }
    TRY_ASSIGN(const auto stated_hz, rate_of_times());
    TRY_ASSIGN(capture.rate_hz, agreed_rate(name_, stated_hz, options));
    const auto storage = std::make_shared<const std::vector<double>>(std::move(samples_));
    for (std::size_t k = 0; k < 2; ++k) {
      capture.channels.push_back(
          signal::trace_of(std::span<const double>(*storage), 1 / capture.rate_hz, 0.0, 2, k));
    }
    capture.storage = storage;
    return checked(std::move(capture));
  }

  Lines lines_;
  std::string name_;
  std::optional<std::string_view> line_;
  char separator_ = ',';
  bool named_ = false;
  std::vector<Column> columns_;
  std::vector<double> samples_;  // I and Q by turns
  std::vector<double> times_s_;
};

}  // namespace

Result<Capture> parse_csv(std::string_view text, std::string name, const ReadOptions& options) {
  return Parser(text, std::move(name)).run(options);
}

Result<Capture> read_csv(const std::filesystem::path& path, const ReadOptions& options) {
  TRY_ASSIGN(const Bytes bytes, read_bytes(path, most_csv_bytes));
  return parse_csv(bytes.text(), path.string(), options);
}

}  // namespace nightbench::capture
