#include "simulation_cases.hpp"
#include "tests/support/places.hpp"

#include <cmath>
#include <fstream>
#include <map>
#include <stdexcept>

namespace nightbench::mock::board::test {

namespace {

const std::string folder = NIGHTBENCH_SOURCE_DIR "/tests/data/circuit_simulation/";

// What the table says is wrong, in our words.
std::vector<Fault> faults_of(const std::string& id) {
  using enum FaultKind;
  static const std::map<std::string, Fault> table{
      {"lo_phase_2deg", {.kind = lo_phase_error, .degrees = 2}},
      {"lo_phase_5deg", {.kind = lo_phase_error, .degrees = 5}},
      {"lo_duty_55", {.kind = lo_duty, .factor = 0.55}},
      {"cap_mismatch_5pct", {.kind = capacitor_off_value, .phase = Phase::deg_90, .factor = 1.05}},
      {"gain_resistor_2pct",
       {.kind = gain_resistor_off, .channel = Channel::i, .inverting = true, .factor = 1.02}},
      {"bias_low_20pct", {.kind = bias_low, .factor = 0.8}},
      {"cap_path_open_90", {.kind = capacitor_path_open, .phase = Phase::deg_90}},
      {"splitter_open_phase", {.kind = splitter_end_open, .winding = Winding::phase_half}},
      {"splitter_reversed", {.kind = winding_reversed, .winding = Winding::antiphase_half}},
      {"pins_5_4_interchanged", {.kind = pins_interchanged, .pin = 5, .other_pin = 4}},
      {"pairs_90_270_swapped",
       {.kind = pairs_swapped, .phase = Phase::deg_90, .other_phase = Phase::deg_270}},
      {"pairs_90_180_swapped",
       {.kind = pairs_swapped, .phase = Phase::deg_90, .other_phase = Phase::deg_180}},
      {"lo_swapped", {.kind = lo_swapped}},
      {"lo_pin2_stuck_low", {.kind = lo_missing, .pin = 2}},
      {"lo_pin14_stuck_low", {.kind = lo_missing, .pin = 14}},
      {"opamp_plus_open_q", {.kind = op_amp_input_open, .channel = Channel::q}},
      {"opamp_minus_open_q", {.kind = op_amp_input_open, .channel = Channel::q, .inverting = true}},
  };
  std::string key = id;
  for (const std::string prefix : {"tp_unpowered_", "tp_"}) {
    if (key.starts_with(prefix)) key = key.substr(prefix.size());
  }
  const auto found = table.find(key);
  if (found != table.end()) return {found->second};
  if (key.starts_with("healthy") || key.starts_with("level")) return {};
  throw std::runtime_error("no fault of ours for case " + id);
}

StageParameters stage(const nlohmann::json& values, char channel) {
  const auto at = [&](const std::string& name) { return values.at(name + channel).get<double>(); };
  return {at("rinp"), at("rinn"), at("rfp"), at("rfn"), at("cfp"), at("cfn"), at("vos")};
}

Parameters parameters_of(const std::string& board, const nlohmann::json& values, bool tolerance) {
  Parameters out = board == "30m" ? healthy_30m() : healthy_10mhz();
  if (tolerance) {
    out.sampling_farad = {values.at("c0"), values.at("c90"), values.at("c180"), values.at("c270")};
    out.i_stage = stage(values, 'i');
    out.q_stage = stage(values, 'q');
  }
  return out;
}

}  // namespace

std::vector<SimulationCase> simulation_cases() {
  std::ifstream file(folder + "cases.json");
  const auto root = nlohmann::json::parse(file);
  std::vector<SimulationCase> out;
  for (const auto& entry : root.at("cases")) {
    const auto& inputs = entry.at("inputs");
    const auto& values = inputs.at("params");
    SimulationCase one;
    one.id = entry.at("id");
    one.rf = entry.at("kind") == "rf";
    one.parameters = parameters_of(inputs.at("board"), values, one.id == "healthy_tolerance");
    one.faults = faults_of(one.id);
    one.rate_hz = entry.at("sample_rate");
    one.reference = entry.at("reference");
    one.files = entry.at("files");

    Stimulus& stimulus = one.stimulus;
    stimulus.rf_hz = values.at("frf");
    stimulus.rf_dbm = values.at("rfdbm");
    stimulus.rf_phase_deg = values.at("rfphase");
    stimulus.lo_hz = values.at("flo");
    // The simulation's pin 14 begins to rise half a period after the start of the run.
    const double half_edge = values.at("tedge").get<double>() / 2;
    stimulus.lo_start_deg = -360.0 * (0.5 + half_edge * stimulus.lo_hz);
    const bool powered = values.at("enable") == 1.0;
    stimulus.supply_on = powered;
    stimulus.lo_on = powered;
    // Its writer leaves out this much after the start of the record.
    const double skipped = one.rf ? 0.2e-6 : 2e-6;
    one.start = Moment::at(values.at("tstart").get<double>() + skipped);
    out.push_back(std::move(one));
  }
  return out;
}

std::vector<float> capture(const std::string& file) {
  std::ifstream in(folder + file, std::ios::binary | std::ios::ate);
  if (!in) throw std::runtime_error("cannot read " + folder + file);
  std::vector<float> out(static_cast<std::size_t>(in.tellg()) / sizeof(float));
  in.seekg(0);
  in.read(reinterpret_cast<char*>(out.data()),
          static_cast<std::streamsize>(out.size() * sizeof(float)));
  return out;
}

}  // namespace nightbench::mock::board::test
