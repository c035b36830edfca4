// The script of a watch, made from the board type alone.
#include <nlohmann/json.hpp>

#include "drivers/base/json.hpp"
#include "drivers/base/quantity.hpp"
#include "sequences/engine/watch.hpp"

namespace nightbench::engine {
namespace {

using Json = nlohmann::ordered_json;

constexpr double kOffset_hz = 5e3;
constexpr double kBelowMost_db = 6;

Json power(bool on) {
  if (!on) return {{"step", "power"}, {"output", "off"}};
  return {{"step", "power"}, {"output", "on"}, {"soft_start", "400 ms"}};
}

Json drive_for(const script::BoardType& type, script::Carrier at, const WatchSources& sources) {
  const double middle_hz = 0.5 * (type.band_from_hz + type.band_to_hz);
  const auto given = [](const std::string& text, double otherwise) {
    return text.empty() ? Json(otherwise) : Json(text);
  };
  Json out{{"step", "drive"}};
  if (at != script::Carrier::rf) out["lo"] = given(sources.lo, middle_hz);
  if (at != script::Carrier::lo) {
    out["rf"] = given(sources.rf, at == script::Carrier::rf ? middle_hz : middle_hz + kOffset_hz);
    out["level"] = given(sources.level, type.rf_level_most_dbm - kBelowMost_db);
  }
  return out;
}

}  // namespace

Result<std::string> watch_script(const script::BoardType& type, const std::string& name,
                                 const WatchSources& sources) {
  Json steps = Json::array();
  const auto pair = type.bring_up.pairs.find(name);
  if (pair != type.bring_up.pairs.end()) {
    steps.push_back(power(pair->second.powered));
    steps.push_back(drive_for(type, pair->second.at, sources));
    steps.push_back({{"step", "pair"}, {"check", name}});
  } else if (type.bring_up.resistances.contains(name)) {
    steps.push_back(power(false));
    steps.push_back({{"step", "ohms"}, {"check", name}});
  } else if (type.find(name) != nullptr) {
    steps.push_back(power(true));
    steps.push_back({{"step", "volts"}, {"at", Json::array({name})}});
  } else {
    std::vector<std::string> known;
    for (const auto& [id, each] : type.bring_up.pairs) known.push_back(id);
    for (const auto& [id, each] : type.bring_up.resistances) known.push_back(id);
    for (const auto& [id, each] : type.test_points) known.push_back(id);
    std::string message = "the board type \"" + type.name +
                          "\" has no pair, resistance or test point \"" + name + "\"";
    if (const auto close = json::nearest(name, known)) {
      message += "; did you mean \"" + *close + "\"?";
    }
    return fail(ErrorKind::bad_input, message);
  }
  const Json script{{"script", "watch-" + name}, {"title", "Watch"}, {"steps", std::move(steps)}};
  return script.dump(2);
}

}  // namespace nightbench::engine
