#include "daemon/cli/watch_screen.hpp"

#include <unistd.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdlib>

#include "daemon/cli/terminal_operator.hpp"
#include "sequences/report/number_text.hpp"

namespace nightbench::cli {
namespace {

using record::Reading;

constexpr double kPlainEvery_s = 10;
constexpr int kScaleSteps = 20;  // characters from limit to limit

struct Glyph {
  char character;
  std::array<const char*, 5> rows;
};

constexpr std::array<Glyph, 13> kGlyphs{{
    {'0', {"#####", "#   #", "#   #", "#   #", "#####"}},
    {'1', {"  #  ", " ##  ", "  #  ", "  #  ", " ### "}},
    {'2', {"#####", "    #", "#####", "#    ", "#####"}},
    {'3', {"#####", "    #", " ####", "    #", "#####"}},
    {'4', {"#   #", "#   #", "#####", "    #", "    #"}},
    {'5', {"#####", "#    ", "#####", "    #", "#####"}},
    {'6', {"#####", "#    ", "#####", "#   #", "#####"}},
    {'7', {"#####", "    #", "   # ", "  #  ", "  #  "}},
    {'8', {"#####", "#   #", "#####", "#   #", "#####"}},
    {'9', {"#####", "#   #", "#####", "    #", "#####"}},
    {'-', {"     ", "     ", "#####", "     ", "     "}},
    {'.', {"  ", "  ", "  ", "  ", "##"}},
    {' ', {"  ", "  ", "  ", "  ", "  "}},
}};

struct Shown {
  std::string figures, unit;
};

// Four significant digits with the prefix of its limits.
Shown shown(const Reading& reading, const std::optional<double>& value) {
  const report::Scale scale =
      report::scale_for(reading.unit, value, reading.limit.lower, reading.limit.upper);
  if (!value) return {"", scale.unit};
  const double number = *value / scale.factor;
  const double size = std::max(std::fabs(number), 1e-3);
  const int decimals = std::clamp(3 - static_cast<int>(std::floor(std::log10(size))), 0, 3);
  return {report::fixed(number, decimals), scale.unit};
}

std::string bound(const Reading& reading, const std::optional<double>& value) {
  const Shown text = shown(reading, value);
  return text.figures + (text.unit.empty() ? "" : " " + text.unit);
}

std::string limits_text(const Reading& reading) {
  const record::Limit& limit = reading.limit;
  if (limit.lower && limit.upper) {
    return "limits " + bound(reading, limit.lower) + " to " + bound(reading, limit.upper);
  }
  if (limit.lower) return "at least " + bound(reading, limit.lower);
  return limit.upper ? "at most " + bound(reading, limit.upper) : "no limit";
}

bool within(const Reading& reading) {
  const record::Limit& limit = reading.limit;
  return reading.value && (!limit.lower || *reading.value >= *limit.lower) &&
         (!limit.upper || *reading.value <= *limit.upper);
}

std::string state(const Reading& reading) {
  if (!reading.value) return "no reading";
  if (!reading.limit.lower && !reading.limit.upper) return "";
  return within(reading) ? "inside" : "OUTSIDE";
}

const char* word(engine::Heading heading) {
  switch (heading) {
    case engine::Heading::steady:
      return "steady";
    case engine::Heading::rising:
      return "rising";
    case engine::Heading::falling:
      return "falling";
  }
  return "";
}

std::string plain_line(const engine::WatchRound& round) {
  std::string out = report::fixed(round.elapsed_s, 1) + " s: " + round.shown.title + " ";
  out += round.shown.value ? bound(round.shown, round.shown.value) : "no reading";
  const std::string where = state(round.shown);
  if (round.shown.value && !where.empty()) out += ", " + where;
  out += std::string(", ") + word(round.heading);
  if (!round.doubt.empty()) out += "; " + round.doubt;
  return out;
}

}  // namespace

std::vector<std::string> big_figures(const std::string& text) {
  std::vector<std::string> out(5);
  for (const char each : text) {
    const auto* glyph = std::find_if(kGlyphs.begin(), kGlyphs.end(),
                                     [each](const Glyph& one) { return one.character == each; });
    if (glyph == kGlyphs.end()) continue;
    for (std::size_t row = 0; row < out.size(); ++row) {
      out[row] += (out[row].empty() ? "" : "  ") + std::string(glyph->rows[row]);
    }
  }
  return out;
}

std::string scale_text(const Reading& reading) {
  const record::Limit& limit = reading.limit;
  if (!reading.value || (!limit.lower && !limit.upper)) return "";
  const double one = limit.lower.value_or(limit.upper.value_or(0));
  const double other = limit.upper.value_or(limit.lower.value_or(0));
  // With one limit only, the scale goes as far as the limit is from nothing.
  const double width = other > one ? other - one : std::max(std::fabs(one), 1e-12);
  const double start = limit.lower ? *limit.lower : *limit.upper - width;
  const double column = kScaleSteps * (1 + (*reading.value - start) / width);
  constexpr int kLast = 3 * kScaleSteps;
  std::string line(kLast + 1, '-');
  if (limit.lower) line[kScaleSteps] = '|';
  if (limit.upper) line[2 * kScaleSteps] = '|';
  if (column < 0) {
    line[0] = '<';
  } else if (column > kLast) {
    line[kLast] = '>';
  } else {
    line[static_cast<std::size_t>(std::lround(column))] = '*';
  }
  return line;
}

std::vector<std::string> screen_lines(const engine::WatchRound& round) {
  const Reading& reading = round.shown;
  std::vector<std::string> out;
  out.push_back(reading.title + "   " + report::fixed(round.elapsed_s, 1) + " s");
  out.emplace_back();
  const Shown text = shown(reading, reading.value);
  std::vector<std::string> figures = big_figures(reading.value ? text.figures : "- - -");
  figures.back() += "  " + text.unit;
  for (const std::string& row : figures) out.push_back("   " + row);
  out.emplace_back();
  out.push_back("   " + scale_text(reading));
  const std::string where = state(reading);
  out.push_back("   " + limits_text(reading) + (where.empty() ? "" : ": " + where) + ", " +
                word(round.heading));
  std::string others;
  for (const Reading& each : round.others) {
    const std::string mark = state(each);
    const std::size_t comma = each.title.rfind(", ");
    const std::string name = each.title.find(", level, ") != std::string::npos
                                 ? each.title.substr(each.title.find(", level, ") + 2)
                             : comma == std::string::npos ? each.title
                                                          : each.title.substr(comma + 2);
    others += (others.empty() ? "   " : ";  ") + name + " " +
              (each.value ? bound(each, each.value) : std::string("none"));
    if (mark == "OUTSIDE") others += " (OUTSIDE)";
  }
  out.push_back(others);
  out.push_back(round.doubt.empty() ? "" : "   " + round.doubt);
  return out;
}

WatchScreen::WatchScreen(std::FILE* out, bool silent)
    : out_(out), terminal_(isatty(fileno(out)) != 0), colour_(wants_colour(out)), silent_(silent) {
  const char* kind = std::getenv("TERM");
  if (kind != nullptr && std::string(kind) == "dumb") terminal_ = false;
}

void WatchScreen::show(const engine::WatchRound& round) {
  if (!terminal_) {
    if (round.changed || round.number == 1 || round.elapsed_s >= next_plain_s_) {
      next_plain_s_ = round.elapsed_s + kPlainEvery_s;
      std::fprintf(out_, "%s\n", plain_line(round).c_str());
      std::fflush(out_);
    }
    return;
  }
  std::string text;
  if (drawn_ > 0) text += "\x1b[" + std::to_string(drawn_) + "A";
  const std::vector<std::string> lines = screen_lines(round);
  const bool outside = !within(round.shown);
  for (std::size_t k = 0; k < lines.size(); ++k) {
    const bool figures = k >= 2 && k < 7;
    // Longer lines would wrap and the picture would creep.
    const std::string line = lines[k].substr(0, 99);
    text += "\r\x1b[K";
    if (colour_ && figures) text += outside ? "\x1b[1;33m" : "\x1b[1;32m";
    text += line;
    if (colour_ && figures) text += "\x1b[0m";
    text += "\n";
  }
  drawn_ = lines.size();
  if (round.changed && !silent_) text += "\a";
  std::fputs(text.c_str(), out_);
  std::fflush(out_);
}

void WatchScreen::finish() {
  drawn_ = 0;
}

}  // namespace nightbench::cli
