#include "sequences/diagnosis/diagnosis_text.hpp"

#include <cmath>
#include <sstream>

namespace nightbench::diagnosis {
namespace {

// Words of `text` in lines, each behind `indent`, the first behind `start`.
std::string wrapped(const std::string& start, const std::string& text, const std::string& indent,
                    std::size_t width) {
  std::istringstream words(text);
  std::string out, line = start, word;
  bool fresh = true;
  while (words >> word) {
    if (!fresh && line.size() + 1 + word.size() > width) {
      out += line + "\n";
      line = indent;
      fresh = true;
    }
    line += (fresh ? "" : " ") + word;
    fresh = false;
  }
  return out + line + "\n";
}

std::string says(const char* sign, const std::vector<Says>& all, std::size_t width) {
  std::string out;
  for (const Says& each : all) {
    out += wrapped(std::string("     ") + sign + " ",
                   each.title + ": " + each.shown + " (expected: " + each.expected + ")", "       ",
                   width);
  }
  return out;
}

}  // namespace

std::string text_of(const Diagnosis& diagnosis, const record::Run& run, std::size_t width) {
  std::string out = wrapped("", "Board " + run.header.board + ", run " + run.header.run_id, "", width);
  out += wrapped("", diagnosis.sentence + ".", "", width);
  if (diagnosis.conclusion != Conclusion::healthy) {
    std::size_t number = 0;
    for (const Cause& each : diagnosis.causes) {
      const double percent = std::round(1000 * each.probability) / 10;
      out += "\n" + wrapped(" " + std::to_string(++number) + ". ",
                            each.title + ", " + format(percent, Unit::one, 3) + " %" +
                                (each.size.empty() ? "" : " (" + each.size + ")"),
                            "    ", width);
      out += wrapped("    ", each.about, "    ", width);
      out += says("+", each.speaks_for, width);
      out += says("-", each.speaks_against, width);
      if (number > 2) continue;
      for (const std::string& repair : each.repairs) {
        out += wrapped("    Repair: ", repair, "      ", width);
      }
      for (const std::string& caution : each.cautions) {
        out += wrapped("    Caution: ", caution, "      ", width);
      }
    }
  }
  if (!diagnosis.unseen.empty()) {
    out += "\nWhat these readings would not show:\n";
    for (const Unseen& each : diagnosis.unseen) out += wrapped("  - ", each.title, "    ", width);
  }
  if (diagnosis.next.empty()) return out;
  out += "\nWhat would tell most next:\n";
  for (const NextCheck& each : diagnosis.next) {
    out += wrapped("  - ",
                   each.title + (each.where.empty() ? "" : " (" + each.where + ")") + ": " +
                       std::to_string(each.moves) + (each.moves == 1 ? " move, " : " moves, ") +
                       format(each.bits, Unit::one, 2) + " bit",
                   "    ", width);
  }
  return out;
}

}  // namespace nightbench::diagnosis
