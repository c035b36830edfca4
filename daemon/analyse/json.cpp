#include <cmath>
#include <nlohmann/json.hpp>

#include "daemon/analyse/analyse.hpp"

namespace nightbench::analyse {
namespace {

using Json = nlohmann::ordered_json;

Json number(double value) {
  return std::isfinite(value) ? Json(value) : Json();
}

Json known(double value) {
  return value > 0 ? Json(value) : Json();
}

template <typename T>
Json maybe(const std::optional<T>& value) {
  return value ? Json(*value) : Json();
}

const char* word(reading::Distribution distribution) {
  switch (distribution) {
    case reading::Distribution::normal:
      return "normal";
    case reading::Distribution::rectangular:
      return "rectangular";
    case reading::Distribution::triangular:
      return "triangular";
    case reading::Distribution::u_shaped:
      return "u-shaped";
  }
  return "normal";
}

Json form(const reading::NoReading& why) {
  return {{"reason", reading::name(why.reason)}, {"detail", why.detail}};
}

Json form(const Quantity& quantity) {
  Json out = {{"name", quantity.name}, {"title", quantity.title}, {"unit", quantity.unit}};
  if (!quantity.outcome) {
    out["value"] = nullptr;
    out["no_reading"] = form(quantity.outcome.error());
    return out;
  }
  const reading::Reading& reading = *quantity.outcome;
  const reading::Interval bounds = reading.bounds();
  out["value"] = number(reading.value);
  out["expanded_u"] = number(reading.U);
  out["k"] = number(reading.k);
  out["low"] = number(bounds.low);
  out["high"] = number(bounds.high);
  out["degrees_of_freedom"] = number(reading.dof);
  out["notes"] = reading.notes;
  out["budget"] = Json::array();
  for (const reading::BudgetRow& row : reading.budget) {
    out["budget"].push_back({{"name", row.name},
                             {"type", row.type == reading::Evaluation::type_a ? "A" : "B"},
                             {"distribution", word(row.distribution)},
                             {"u", number(row.u)},
                             {"sensitivity", number(row.sensitivity)},
                             {"degrees_of_freedom", number(row.dof)}});
  }
  return out;
}

}  // namespace

std::string as_json(const AnalyseOutcome& outcome) {
  const capture::Capture& capture = outcome.capture;
  Json out;
  out["capture"] = {{"file", capture.file},
                    {"format", capture.format},
                    {"samples", capture.samples()},
                    {"sample_rate_hz", capture.rate_hz},
                    {"centre_hz", maybe(capture.centre_hz)},
                    {"datetime", capture.datetime},
                    {"description", capture.description},
                    {"volts", capture.volts},
                    {"hash_checked", capture.hash_checked},
                    {"i_channel", outcome.i_channel},
                    {"q_channel", outcome.q_channel}};
  out["context"] = {{"rf_hz", known(outcome.context.rf_hz)},
                    {"lo_hz", known(outcome.context.lo_hz)},
                    {"level_dbm", maybe(outcome.context.level_dbm)},
                    {"sense", outcome.context.sense},
                    {"channels_matched", outcome.context.match.calibrated}};
  out["refused"] = outcome.refused ? form(*outcome.refused) : Json();
  out["quantities"] = Json::array();
  for (const Quantity& each : outcome.quantities) out["quantities"].push_back(form(each));
  out["findings"] = Json::array();
  for (const reading::Finding& each : outcome.findings) {
    out["findings"].push_back({{"kind", reading::name(each.kind)}, {"detail", each.detail}});
  }
  out["remarks"] = outcome.remarks;
  return out.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace nightbench::analyse
