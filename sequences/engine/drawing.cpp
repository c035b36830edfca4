#include "sequences/engine/drawing.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

namespace nightbench::engine {
namespace {

using script::Part;
using script::PinOneMark;

std::string right(const std::string& text, std::size_t width) {
  return std::string(width > text.size() ? width - text.size() : 0, ' ') + text;
}

std::string left(const std::string& text, std::size_t width) {
  return text + std::string(width > text.size() ? width - text.size() : 0, ' ');
}

std::string pin_name(int number, int marked) {
  std::string name = std::to_string(number);
  return number == marked ? ">" + name + "<" : name;
}

// Ends of the body; `marked` is the end where pin 1 is.
std::string edge(PinOneMark mark, bool marked, std::size_t width) {
  std::string line(width, '-');
  if (!marked) return line;
  if (mark == PinOneMark::bar) return std::string(width, '=');
  if (mark == PinOneMark::notch) line.replace(width / 2 - 1, 2, "()");
  return line;
}

// Pins down the left and the right side.
std::string upright(const Part& part, int pin) {
  const int half = part.pins / 2;
  const bool turned = part.rotation_deg == 180;
  constexpr std::size_t kBody = 8;
  constexpr std::size_t kMargin = 6;
  const std::string indent(kMargin + 2, ' ');
  std::string out = indent + "+" + edge(part.mark, !turned, kBody) + "+\n";
  for (int row = 0; row < half; ++row) {
    const int on_left = turned ? half + 1 + row : 1 + row;
    const int on_right = turned ? half - row : part.pins - row;
    std::string body(kBody, ' ');
    if (part.mark == PinOneMark::dot && on_left == 1) body[1] = 'o';
    if (part.mark == PinOneMark::dot && on_right == 1) body[kBody - 2] = 'o';
    if (row == half / 2) body.replace((kBody - std::min(kBody, part.id.size())) / 2,
                                      std::min(kBody, part.id.size()), part.id.substr(0, kBody));
    out += right(pin_name(on_left, pin), kMargin) + " -|" + body + "|- " +
           pin_name(on_right, pin) + "\n";
  }
  return out + indent + "+" + edge(part.mark, turned, kBody) + "+\n";
}

// Pins along the upper and the lower side.
std::string lying(const Part& part, int pin) {
  const int half = part.pins / 2;
  const bool end_right = part.rotation_deg == 270;  // where pin 1's end is
  constexpr std::size_t kCell = 5;
  std::string above;
  std::string below;
  for (int column = 0; column < half; ++column) {
    above += left(pin_name(end_right ? half - column : part.pins - column, pin), kCell);
    below += left(pin_name(end_right ? half + 1 + column : 1 + column, pin), kCell);
  }
  const std::size_t width = kCell * static_cast<std::size_t>(half);
  std::string feet;
  for (int column = 0; column < half; ++column) feet += left("|", kCell);
  std::string name = "  " + part.id;
  std::string body = left(name, width);
  char left_end = '|';
  char right_end = '|';
  if (part.mark == PinOneMark::bar) (end_right ? right_end : left_end) = 'I';
  if (part.mark == PinOneMark::notch) (end_right ? right_end : left_end) = end_right ? '(' : ')';
  std::string dots(width, ' ');
  if (part.mark == PinOneMark::dot) dots[end_right ? width - kCell : 0] = 'o';
  const std::string rule = "  +" + std::string(width, '-') + "+\n";
  std::string out = "   " + above + "\n   " + feet + "\n" + rule;
  if (end_right) out += "  |" + dots + "|\n";
  out += std::string("  ") + left_end + body + right_end + "\n";
  if (!end_right) out += "  |" + dots + "|\n";
  return out + rule + "   " + feet + "\n   " + below + "\n";
}

}  // namespace

std::string part_drawing(const Part& part, int pin) {
  return part.rotation_deg % 180 == 0 ? upright(part, pin) : lying(part, pin);
}

std::string board_drawing(const script::BoardType& type, const script::TestPoint& point) {
  const script::Outline& outline = type.bring_up.outline;
  const Part* part = type.part_of(point);
  std::optional<script::Place> place = point.place;
  if (!place && part != nullptr) place = part->place;
  if (!place || outline.width_mm <= 0) return "";
  constexpr std::size_t kColumns = 48;
  const double aspect = outline.height_mm / outline.width_mm;  // a character is twice as high
  const auto rows = static_cast<std::size_t>(
      std::clamp(std::lround(0.5 * aspect * static_cast<double>(kColumns)), 4L, 30L));
  std::vector<std::string> grid(rows, std::string(kColumns, ' '));
  const auto put = [&](const script::Place& at, const std::string& text) {
    const double across = std::clamp(at.x_mm / outline.width_mm, 0.0, 1.0);
    const double up = std::clamp(at.y_mm / outline.height_mm, 0.0, 1.0);
    const auto row = static_cast<std::size_t>(std::lround((1 - up) * static_cast<double>(rows - 1)));
    const auto middle =
        static_cast<std::size_t>(std::lround(across * static_cast<double>(kColumns - 1)));
    const std::size_t most = kColumns - std::min(kColumns, text.size());
    const std::size_t from = std::min(most, middle - std::min(middle, text.size() / 2));
    grid[row].replace(from, text.size(), text);
  };
  for (const auto& [id, each] : type.bring_up.parts) {
    if (each.place) put(*each.place, id);
  }
  put(*place, point.place ? "X" : "[" + point.part + "]");
  const std::string rule = "+" + std::string(kColumns, '-') + "+\n";
  std::string out = rule;
  for (const std::string& line : grid) out += "|" + line + "|\n";
  return out + rule;
}

std::string place_text(const script::TestPoint& point) {
  std::string out = point.part;
  if (point.pin > 0) out += " pin " + std::to_string(point.pin);
  return out.empty() ? point.title : out + " (" + point.title + ")";
}

}  // namespace nightbench::engine
