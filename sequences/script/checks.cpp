#include "sequences/script/checks.hpp"

#include <algorithm>

namespace nightbench::script {
namespace {

using Known = std::map<std::string, bool>;

Result<Part> decode_part(const std::string& id, const json::Node& node) {
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a part"));
  Part part;
  part.id = id;
  TRY_ASSIGN(part.title, fields.text("title"));
  TRY_ASSIGN(part.package, fields.text("package", ""));
  TRY_ASSIGN(const long long pins, fields.integer("pins", 2, 999));
  part.pins = static_cast<int>(pins);
  TRY_ASSIGN(const json::Node mark, fields.need("mark"));
  TRY_ASSIGN(const std::size_t which, mark.word({"notch", "bar", "dot"}));
  part.mark = static_cast<PinOneMark>(which);
  TRY_ASSIGN(part.place, decode_place(fields));
  TRY_ASSIGN(const long long rotation, fields.integer("rotation", 0, 270, 0));
  part.rotation_deg = static_cast<int>(rotation);
  if (part.rotation_deg % 90 != 0) {
    return node.refuse("\"rotation\" must be 0, 90, 180 or 270");
  }
  TRY(fields.finish());
  return part;
}

Result<std::array<std::string, 2>> decode_between(json::Fields& fields, const Known& known) {
  TRY_ASSIGN(const json::Node node, fields.need("between"));
  TRY_ASSIGN(const auto points, node.elements(2));
  if (points.size() != 2) return node.wrong("two test points");
  std::array<std::string, 2> between;
  for (std::size_t i = 0; i < 2; ++i) {
    TRY_ASSIGN(between[i], points[i].text());
    if (known.contains(between[i])) continue;
    return points[i].wrong("the name of a test point of this board type");
  }
  if (between[0] == between[1]) return node.wrong("two different test points");
  return between;
}

Bound constant(double value) {
  Bound bound;
  bound.corners.push_back({0, value});
  return bound;
}

// Takes "lower" and "upper" of `fields`; both may be absent.
Result<QuantityLimit> decode_bounds(json::Fields& fields, Unit unit) {
  QuantityLimit limit;
  limit.unit = symbol(unit);
  TRY_ASSIGN(const auto lower, fields.maybe_quantity("lower", unit));
  TRY_ASSIGN(const auto upper, fields.maybe_quantity("upper", unit));
  if (lower) limit.lower = constant(*lower);
  if (upper) limit.upper = constant(*upper);
  if (lower && upper && *lower > *upper) {
    return fields.node().refuse("\"lower\" is above \"upper\"");
  }
  return limit;
}

Result<ResistanceCheck> decode_resistance(const std::string& id, const json::Node& node,
                                          const Known& known, Limits& limits) {
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a resistance"));
  ResistanceCheck check;
  check.id = id;
  TRY_ASSIGN(check.title, fields.text("title", id));
  TRY_ASSIGN(check.between, decode_between(fields, known));
  TRY_ASSIGN(QuantityLimit limit, decode_bounds(fields, Unit::ohm));
  TRY_ASSIGN(check.open_above_ohm, fields.maybe_quantity("open_above", Unit::ohm));
  TRY(fields.finish());
  if (!limit.lower && !limit.upper) return node.refuse("a limit needs \"lower\" or \"upper\"");
  if (!limit.upper && !check.open_above_ohm) {
    return node.refuse(
        "without \"upper\" an open circuit would pass: give \"open_above\", the most that the board "
        "itself can show here");
  }
  limits.emplace(id, std::move(limit));
  return check;
}

Result<void> decode_quantity(json::Fields& pair, const std::string& key, const std::string& id,
                             Unit unit, bool* note_only, Limits& limits) {
  const auto node = pair.find(key);
  if (!node) return {};
  TRY_ASSIGN(auto fields, json::Fields::of(*node, "a limit"));
  TRY_ASSIGN(const QuantityLimit limit, decode_bounds(fields, unit));
  if (note_only != nullptr) {
    TRY_ASSIGN(*note_only, fields.boolean("note_only", false));
  }
  TRY(fields.finish());
  if (!limit.lower && !limit.upper) return node->refuse("a limit needs \"lower\" or \"upper\"");
  if (key == "level") {
    limits.emplace(id + ".level_1", limit);
    limits.emplace(id + ".level_2", limit);
  } else {
    limits.emplace(id + "." + key, limit);
  }
  return {};
}

Result<PairCheck> decode_pair_check(const std::string& id, const json::Node& node,
                                    const Known& known, Limits& limits) {
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a pair"));
  PairCheck check;
  check.id = id;
  TRY_ASSIGN(check.title, fields.text("title", id));
  TRY_ASSIGN(check.between, decode_between(fields, known));
  TRY_ASSIGN(const json::Node at, fields.need("at"));
  TRY_ASSIGN(const std::size_t carrier, at.word({"lo", "rf", "if"}));
  check.at = static_cast<Carrier>(carrier);
  if (const auto power = fields.find("power")) {
    TRY_ASSIGN(const std::size_t choice, power->word({"on", "off"}));
    check.powered = choice == 0;
  }
  TRY(decode_quantity(fields, "phase", id, Unit::degree, nullptr, limits));
  TRY(decode_quantity(fields, "balance", id, Unit::db, &check.balance_is_note, limits));
  TRY(decode_quantity(fields, "level", id, Unit::volt, nullptr, limits));
  TRY(decode_quantity(fields, "frequency", id, Unit::hertz, nullptr, limits));
  TRY(fields.finish());
  return check;
}

}  // namespace

const char* word(PinOneMark mark) {
  constexpr std::array kWords{"notch", "bar", "dot"};
  return kWords[static_cast<std::size_t>(mark)];
}

const char* word(Carrier carrier) {
  constexpr std::array kWords{"lo", "rf", "if"};
  return kWords[static_cast<std::size_t>(carrier)];
}

Result<std::optional<Place>> decode_place(json::Fields& fields) {
  const bool x_given = fields.find("x").has_value();
  const bool y_given = fields.find("y").has_value();
  if (!x_given && !y_given) return std::optional<Place>();
  Place place;
  TRY_ASSIGN(place.x_mm, fields.number("x"));
  TRY_ASSIGN(place.y_mm, fields.number("y"));
  return std::optional<Place>(place);
}

Result<BringUp> decode_bring_up(json::Fields& fields, const Known& known, Limits& limits) {
  BringUp out;
  if (const auto outline = fields.find("outline")) {
    TRY_ASSIGN(auto inner, json::Fields::of(*outline, "the outline"));
    TRY_ASSIGN(out.outline.width_mm, inner.number("width"));
    TRY_ASSIGN(out.outline.height_mm, inner.number("height"));
    TRY(inner.finish());
    if (!(out.outline.width_mm > 0 && out.outline.height_mm > 0)) {
      return outline->refuse("\"width\" and \"height\" must be above 0 mm");
    }
  }
  if (const auto parts = fields.find("parts")) {
    TRY_ASSIGN(const auto members, parts->members());
    for (const auto& [id, value] : members) {
      TRY_ASSIGN(Part part, decode_part(id, value));
      out.parts.emplace(id, std::move(part));
    }
  }
  if (const auto resistances = fields.find("resistances")) {
    TRY_ASSIGN(const auto members, resistances->members());
    for (const auto& [id, value] : members) {
      if (limits.contains(id) || known.contains(id)) {
        return value.refuse("the name \"" + id + "\" is taken by a test point or a quantity");
      }
      TRY_ASSIGN(ResistanceCheck check, decode_resistance(id, value, known, limits));
      out.resistances.emplace(id, std::move(check));
    }
  }
  if (const auto pairs = fields.find("pairs")) {
    TRY_ASSIGN(const auto members, pairs->members());
    for (const auto& [id, value] : members) {
      TRY_ASSIGN(PairCheck check, decode_pair_check(id, value, known, limits));
      out.pairs.emplace(id, std::move(check));
    }
  }
  return out;
}

}  // namespace nightbench::script
