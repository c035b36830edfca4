#include "sequences/report/tables.hpp"

#include <algorithm>
#include <numeric>

#include "sequences/record/text.hpp"
#include "sequences/report/summary.hpp"

namespace nightbench::report {
namespace {

constexpr std::size_t kGap = 2;
constexpr std::size_t kNarrowest = 8;

std::size_t width_of(std::string_view text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
  }));
}

// One line of text: no control characters, no line ends.
std::string tame(std::string_view text) {
  std::string out = record::printable(text);
  std::replace(out.begin(), out.end(), '\n', ' ');
  std::replace(out.begin(), out.end(), '\t', ' ');
  return out;
}

// At most `width` code points from the front; never splits a character.
std::string_view front(std::string_view text, std::size_t width) {
  std::size_t bytes = 0;
  std::size_t seen = 0;
  while (bytes < text.size()) {
    std::size_t next = bytes + 1;
    while (next < text.size() && (static_cast<unsigned char>(text[next]) & 0xC0U) == 0x80U) ++next;
    if (++seen > width) break;
    bytes = next;
  }
  return text.substr(0, bytes);
}

std::vector<std::string> wrapped(std::string_view text, std::size_t width) {
  std::vector<std::string> lines;
  while (width_of(text) > width) {
    const std::string_view piece = front(text, width + 1);
    std::size_t cut = piece.rfind(' ');
    if (cut == std::string_view::npos || cut == 0) {
      const std::string_view hard = front(text, width);
      lines.emplace_back(hard);
      text.remove_prefix(hard.size());
    } else {
      lines.emplace_back(text.substr(0, cut));
      text.remove_prefix(cut + 1);
    }
  }
  lines.emplace_back(text);
  return lines;
}

std::string padded(const std::string& text, std::size_t width, bool right) {
  const std::size_t used = width_of(text);
  const std::string fill(width > used ? width - used : 0, ' ');
  return right ? fill + text : text + fill;
}

std::string paragraph(const std::string& text, std::size_t width, const std::string& first,
                      const std::string& next) {
  std::string out;
  for (const std::string& line :
       wrapped(tame(text), std::max(width - std::max(first.size(), next.size()), kNarrowest))) {
    out += (out.empty() ? first : next) + line + "\n";
  }
  return out;
}

// Takes from the widest text column (numbers last) until the table fits.
void shrink(std::vector<std::size_t>& widths, const std::vector<Column>& columns,
            std::size_t width) {
  const auto total = [&] {
    return std::accumulate(widths.begin(), widths.end(), kGap * (widths.size() - 1));
  };
  while (total() > width) {
    std::size_t widest = widths.size();
    for (const bool right : {false, true}) {
      for (std::size_t i = 0; i < widths.size(); ++i) {
        if (columns[i].right != right || widths[i] <= kNarrowest) continue;
        if (widest == widths.size() || widths[i] > widths[widest]) widest = i;
      }
      if (widest != widths.size()) break;
    }
    if (widest == widths.size()) return;
    --widths[widest];
  }
}

std::string row_text(const std::vector<std::string>& cells, const std::vector<std::size_t>& widths,
                     const std::vector<Column>& columns) {
  std::vector<std::vector<std::string>> lines;
  std::size_t height = 1;
  for (std::size_t i = 0; i < widths.size(); ++i) {
    lines.push_back(wrapped(i < cells.size() ? tame(cells[i]) : "", widths[i]));
    height = std::max(height, lines.back().size());
  }
  std::string out;
  for (std::size_t row = 0; row < height; ++row) {
    std::string line;
    for (std::size_t i = 0; i < widths.size(); ++i) {
      if (i != 0) line += std::string(kGap, ' ');
      line += padded(row < lines[i].size() ? lines[i][row] : "", widths[i], columns[i].right);
    }
    line.erase(line.find_last_not_of(' ') + 1);
    out += line + "\n";
  }
  return out;
}

std::string upper(std::string text) {
  for (char& c : text) c = c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
  return text;
}

}  // namespace

std::string text_table(const std::vector<Column>& columns,
                       const std::vector<std::vector<std::string>>& rows, int width) {
  if (columns.empty()) return "";
  std::vector<std::size_t> widths;
  std::vector<std::string> titles;
  std::vector<std::string> rules;
  for (std::size_t i = 0; i < columns.size(); ++i) {
    std::size_t most = width_of(tame(columns[i].title));
    for (const auto& row : rows) {
      if (i < row.size()) most = std::max(most, width_of(tame(row[i])));
    }
    widths.push_back(std::max<std::size_t>(most, 1));
    titles.push_back(columns[i].title);
  }
  shrink(widths, columns, static_cast<std::size_t>(std::max(width, 20)));
  for (const std::size_t each : widths) rules.emplace_back(each, '-');
  std::string out = row_text(titles, widths, columns) + row_text(rules, widths, columns);
  for (const auto& row : rows) out += row_text(row, widths, columns);
  return out;
}

std::string closing_table(const record::Run& run, int width) {
  const Summary summary = summarise(run);
  const auto columns = static_cast<std::size_t>(std::max(width, 40));
  std::string out =
      paragraph("Board " + run.header.board + ": " + upper(record::word(summary.verdict)) + ". " +
                    summary.headline + ".",
                columns, "", "  ");
  for (const std::string& reason : summary.reasons) {
    out += paragraph(reason + ".", columns, "  - ", "    ");
  }
  constexpr std::size_t kRoomForPlaces = 100;
  std::vector<Column> titles{{"Worst reading of", false},
                             {"value", true},
                             {"U", true},
                             {"limit", false},
                             {"decision", false}};
  if (columns >= kRoomForPlaces) titles.push_back({"at", false});
  std::vector<std::vector<std::string>> rows;
  for (const QuantitySummary& entry : summary.quantities) {
    if (!entry.limited) continue;
    const Shown text = shown(*entry.worst);
    std::string value = text.value;
    if (entry.worst->value && !text.unit.empty()) value += " " + text.unit;
    std::string decision = record::word(entry.worst->decision);
    if (!entry.worst->value && !entry.worst->reason.empty()) decision = entry.worst->reason;
    rows.push_back({entry.title, value, text.u, text.limit, decision});
    if (columns >= kRoomForPlaces) rows.back().push_back(where(*entry.point));
  }
  if (!rows.empty()) out += "\n" + text_table(titles, rows, static_cast<int>(columns));
  std::string counts = std::to_string(summary.measured) + " of " +
                       std::to_string(std::max(summary.planned, summary.measured)) + " points, " +
                       std::to_string(summary.judged) +
                       " judged: " + std::to_string(summary.failed) + " outside, " +
                       std::to_string(summary.conditional) + " inside by less than U; " +
                       std::to_string(summary.missing) + " without a reading. Run " +
                       run.header.run_id + " (" + record::word(run.outcome) + ").";
  return out + "\n" + paragraph(counts, columns, "", "");
}

}  // namespace nightbench::report
