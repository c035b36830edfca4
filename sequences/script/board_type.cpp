#include "sequences/script/board_type.hpp"

#include <fstream>
#include <sstream>

namespace nightbench::script {

const std::map<std::string, Unit>& known_quantities() {
  static const std::map<std::string, Unit> kQuantities{
      {"if_frequency", Unit::hertz},      {"if_error", Unit::hertz},
      {"gain_balance", Unit::db},         {"phase_error", Unit::degree},
      {"q_minus_i", Unit::degree},        {"image_rejection", Unit::db},
      {"image_rejection_spectrum", Unit::db},
      {"conversion_gain", Unit::db},      {"i_amplitude", Unit::volt},
      {"q_amplitude", Unit::volt},        {"i_offset", Unit::volt},
      {"q_offset", Unit::volt},           {"thd_i", Unit::db},
      {"thd_q", Unit::db},                {"sinad_i", Unit::db},
      {"sinad_q", Unit::db},              {"noise_density_i", Unit::volt},
      {"noise_density_q", Unit::volt},    {"supply_current", Unit::ampere},
      {"supply_voltage", Unit::volt},
  };
  return kQuantities;
}

const TestPoint* BoardType::find(const std::string& id) const {
  const auto found = test_points.find(id);
  return found == test_points.end() ? nullptr : &found->second;
}

const Part* BoardType::part_of(const TestPoint& point) const {
  const auto found = bring_up.parts.find(point.part);
  return found == bring_up.parts.end() ? nullptr : &found->second;
}

namespace {

Result<void> decode_test_points(const json::Node& node, BoardType& type) {
  TRY_ASSIGN(const auto members, node.members());
  for (const auto& [id, value] : members) {
    TRY_ASSIGN(auto fields, json::Fields::of(value, "a test point"));
    TestPoint point;
    point.id = id;
    TRY_ASSIGN(point.title, fields.text("title"));
    TRY_ASSIGN(point.part, fields.text("part", ""));
    TRY_ASSIGN(const long long pin, fields.integer("pin", 1, 999, 0));
    point.pin = static_cast<int>(pin);
    TRY_ASSIGN(point.place, decode_place(fields));
    TRY_ASSIGN(point.stops_power, fields.boolean("stops_power", false));
    TRY(fields.finish());
    type.test_points.emplace(id, std::move(point));
  }
  return {};
}

Result<std::string> point_name(json::Fields& fields, const std::string& key,
                               const BoardType& type) {
  TRY_ASSIGN(const json::Node node, fields.need(key));
  TRY_ASSIGN(std::string id, node.text());
  if (type.find(id) == nullptr) return node.wrong("the name of a test point of this board type");
  return id;
}

Result<void> decode_signal(const json::Node& node, BoardType& type) {
  TRY_ASSIGN(auto fields, json::Fields::of(node, "\"outputs\""));
  TRY_ASSIGN(type.i_point, point_name(fields, "i", type));
  TRY_ASSIGN(type.q_point, point_name(fields, "q", type));
  TRY_ASSIGN(type.output_bias_v, fields.quantity("bias", Unit::volt));
  TRY_ASSIGN(type.output_swing_v, fields.quantity("swing", Unit::volt));
  TRY_ASSIGN(type.conversion_gain_db, fields.quantity("conversion_gain", Unit::db));
  TRY_ASSIGN(const json::Node leads, fields.need("leads_above"));
  TRY_ASSIGN(const std::size_t choice, leads.word({"i", "q"}));
  type.sense = choice == 0 ? 1 : -1;
  if (type.output_swing_v <= 0) return node.refuse("\"swing\" must be above 0 V");
  return fields.finish();
}

Result<void> decode_supply(const json::Node& node, BoardType& type) {
  TRY_ASSIGN(auto fields, json::Fields::of(node, "\"supply\""));
  TRY_ASSIGN(type.supply_point, point_name(fields, "at", type));
  TRY_ASSIGN(type.supply_v, fields.quantity("voltage", Unit::volt));
  TRY_ASSIGN(type.supply_limit_a, fields.quantity("current_limit", Unit::ampere));
  TRY_ASSIGN(type.supply_settle_s, fields.quantity("settle", Unit::second, 0.2));
  if (type.supply_v <= 0) return node.refuse("\"voltage\" must be above 0 V");
  if (type.supply_limit_a <= 0) return node.refuse("\"current_limit\" must be above 0 A");
  if (type.supply_settle_s < 0) return node.refuse("\"settle\" must not be below 0 s");
  return fields.finish();
}

}  // namespace

Result<BoardType> decode_board_type(const json::Node& root, std::string text) {
  BoardType type;
  type.file = root.file();
  type.text = std::move(text);
  TRY_ASSIGN(auto fields, json::Fields::of(root, "a board type"));
  TRY_ASSIGN(type.name, fields.text("board_type"));
  TRY_ASSIGN(type.title, fields.text("title"));
  TRY_ASSIGN(const json::Node points, fields.need("test_points"));
  TRY(decode_test_points(points, type));

  TRY_ASSIGN(const json::Node band, fields.need("band"));
  TRY_ASSIGN(auto band_fields, json::Fields::of(band, "\"band\""));
  TRY_ASSIGN(type.band_from_hz, band_fields.quantity("from", Unit::hertz));
  TRY_ASSIGN(type.band_to_hz, band_fields.quantity("to", Unit::hertz));
  TRY(band_fields.finish());
  if (!(type.band_from_hz > 0 && type.band_to_hz > type.band_from_hz)) {
    return band.refuse("\"from\" must be above 0 Hz and below \"to\"");
  }

  TRY_ASSIGN(const json::Node outputs, fields.need("outputs"));
  TRY(decode_signal(outputs, type));
  TRY_ASSIGN(const json::Node supply, fields.need("supply"));
  TRY(decode_supply(supply, type));

  if (fields.find("ground")) {
    TRY_ASSIGN(type.ground_point, point_name(fields, "ground", type));
  }
  TRY_ASSIGN(const json::Node lo, fields.need("lo"));
  TRY_ASSIGN(auto lo_fields, json::Fields::of(lo, "\"lo\""));
  TRY_ASSIGN(type.lo_amplitude_v, lo_fields.quantity("amplitude", Unit::volt));
  TRY_ASSIGN(type.lo_phase_deg, lo_fields.quantity("phase", Unit::degree, 90.0));
  TRY(lo_fields.finish());
  if (type.lo_amplitude_v <= 0) return lo.refuse("\"amplitude\" must be above 0 V");

  TRY_ASSIGN(type.rf_level_most_dbm, fields.quantity("rf_level_most", Unit::dbm));

  std::map<std::string, Unit> units = known_quantities();
  for (const auto& [id, point] : type.test_points) units.emplace(id, Unit::volt);
  TRY_ASSIGN(const json::Node limits, fields.need("limits"));
  TRY_ASSIGN(type.limits, decode_limits(limits, units));
  std::map<std::string, bool> points_known;
  for (const auto& [id, point] : type.test_points) points_known.emplace(id, true);
  TRY_ASSIGN(type.bring_up, decode_bring_up(fields, points_known, type.limits));

  if (const auto cautions = fields.find("cautions")) {
    TRY_ASSIGN(const auto elements, cautions->elements());
    for (const json::Node& each : elements) {
      TRY_ASSIGN(std::string caution, each.text());
      type.cautions.push_back(std::move(caution));
    }
  }
  TRY(fields.finish());
  return type;
}

Result<BoardType> read_board_type(const std::filesystem::path& path) {
  TRY_ASSIGN(const json::Node root, json::read_file(path));
  std::ifstream stream(path, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  return decode_board_type(root, std::move(text).str());
}

}  // namespace nightbench::script
