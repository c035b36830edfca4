// Which operations each role has, and what their texts may say.

#include "drivers/instrument/dialect.hpp"

namespace nightbench::instrument {
namespace {

constexpr bool kQuery = true;
constexpr bool kCommand = false;
constexpr bool kRequired = true;
constexpr bool kOptional = false;

std::vector<Operation> rf_source() {
  return {{"setup", kCommand, kOptional, {}},
          {"set_frequency", kCommand, kRequired, {"frequency_hz"}},
          {"get_frequency", kQuery, kOptional, {}},
          {"set_level", kCommand, kRequired, {"level_dbm"}},
          {"get_level", kQuery, kOptional, {}},
          {"output_on", kCommand, kRequired, {}},
          {"output_off", kCommand, kRequired, {}},
          {"get_output", kQuery, kOptional, {}}};
}

std::vector<Operation> lo_source() {
  return {{"setup", kCommand, kOptional, {}},
          {"set_frequency", kCommand, kRequired, {"frequency_hz"}},
          {"get_frequency", kQuery, kOptional, {}},
          {"set_phase", kCommand, kRequired, {"phase_deg"}},
          {"get_phase", kQuery, kOptional, {}},
          {"set_amplitude", kCommand, kRequired, {"amplitude_v"}},
          {"get_amplitude", kQuery, kOptional, {}},
          {"output_on", kCommand, kRequired, {}},
          {"output_off", kCommand, kRequired, {}},
          {"get_output", kQuery, kOptional, {}}};
}

std::vector<Operation> scope() {
  return {{"setup", kCommand, kOptional, {}},
          {"channel_on", kCommand, kRequired, {"channel"}},
          {"channel_off", kCommand, kOptional, {"channel"}},
          {"set_full_scale", kCommand, kRequired, {"channel", "full_scale_v", "scale_v"}},
          {"get_full_scale", kQuery, kRequired, {"channel"}},
          {"set_offset", kCommand, kOptional, {"channel", "offset_v"}},
          {"get_offset", kQuery, kOptional, {"channel"}},
          {"set_coupling_dc", kCommand, kOptional, {"channel"}},
          {"set_coupling_ac", kCommand, kOptional, {"channel"}},
          {"set_points", kCommand, kRequired, {"points"}},
          {"get_points", kQuery, kRequired, {}},
          {"set_sample_rate", kCommand, kOptional, {"sample_rate_hz"}},
          {"get_sample_rate", kQuery, kOptional, {}},
          {"set_interval", kCommand, kOptional, {"interval_s"}},
          {"get_interval", kQuery, kOptional, {}},
          {"set_time_range", kCommand, kOptional, {"time_range_s"}},
          {"get_time_range", kQuery, kOptional, {}},
          {"set_averages", kCommand, kOptional, {"averages"}},
          {"set_averages_off", kCommand, kOptional, {}},
          {"trigger_free", kCommand, kOptional, {}},
          {"trigger_edge", kCommand, kOptional, {"channel", "level_v"}},
          {"arm", kCommand, kRequired, {}},
          {"is_complete", kQuery, kOptional, {}},
          {"stop", kCommand, kOptional, {}},
          {"select_source", kCommand, kOptional, {"channel", "points"}},
          {"get_preamble", kQuery, kOptional, {"channel"}},
          {"get_data", kQuery, kRequired, {"channel"}}};
}

std::vector<Operation> meter() {
  return {{"setup", kCommand, kOptional, {}},
          {"configure_dc_volts", kCommand, kRequired, {"range_v"}},
          {"configure_dc_volts_auto", kCommand, kRequired, {}},
          {"get_dc_volts_range", kQuery, kRequired, {}},
          {"configure_ohms", kCommand, kRequired, {"range_ohm"}},
          {"configure_ohms_auto", kCommand, kRequired, {}},
          {"get_ohms_range", kQuery, kRequired, {}},
          {"read", kQuery, kRequired, {}}};
}

std::vector<Operation> supply() {
  return {{"setup", kCommand, kOptional, {}},
          {"select", kCommand, kOptional, {"channel"}},
          {"set_current_limit", kCommand, kRequired, {"current_a"}},
          {"get_current_limit", kQuery, kOptional, {}},
          {"set_voltage", kCommand, kRequired, {"voltage_v"}},
          {"get_voltage", kQuery, kOptional, {}},
          {"output_on", kCommand, kRequired, {}},
          {"output_off", kCommand, kRequired, {}},
          {"get_output", kQuery, kOptional, {}},
          {"measure_voltage", kQuery, kRequired, {}},
          {"measure_current", kQuery, kRequired, {}},
          {"get_tripped", kQuery, kOptional, {}},
          {"clear_trip", kCommand, kRequired, {}}};
}

std::vector<Operation> relays() {
  return {{"setup", kCommand, kOptional, {}},
          {"close", kCommand, kRequired, {"channel"}},
          {"open", kCommand, kRequired, {"channel"}},
          {"open_all", kCommand, kRequired, {}},
          {"get_closed", kQuery, kRequired, {"channel"}}};
}

}  // namespace

const std::vector<Operation>& operations_of(Role role) {
  static const std::vector<Operation> kRfSource = rf_source();
  static const std::vector<Operation> kLoSource = lo_source();
  static const std::vector<Operation> kScope = scope();
  static const std::vector<Operation> kMeter = meter();
  static const std::vector<Operation> kSupply = supply();
  static const std::vector<Operation> kRelays = relays();
  switch (role) {
    case Role::rf_source:
      return kRfSource;
    case Role::lo_source:
      return kLoSource;
    case Role::scope:
      return kScope;
    case Role::meter:
      return kMeter;
    case Role::supply:
      return kSupply;
    case Role::relays:
      return kRelays;
  }
  return kMeter;
}

}  // namespace nightbench::instrument
