#include "mock_instruments/server/bench_plan.hpp"

#include <algorithm>
#include <charconv>

#include "mock_instruments/server/board_plan.hpp"

namespace nightbench::mock::server {
namespace {

using instrument::Latency;
using std::chrono::milliseconds;

enum Model : std::size_t {
  rf_source,
  lo_source,
  scope_waveform,
  scope_curve,
  scope_trace,
  scope_playback,
  meter,
  supply,
  relays
};
const std::vector<std::string>& model_words() {
  static const std::vector<std::string> words{"rf_source",   "lo_source",   "scope_waveform",
                                              "scope_curve", "scope_trace", "scope_playback",
                                              "meter",       "supply",      "relays"};
  return words;
}

// Settling of common bench equipment (common practice, no source).
Duration usual_settle(std::size_t model) {
  switch (model) {
    case rf_source:
    case lo_source:
      return milliseconds(10);
    case relays:
      return milliseconds(8);
    case meter:
    case supply:
      return milliseconds(10);
    default:
      return milliseconds(20);
  }
}

Result<double> not_negative(const json::Node& node, Result<double> value) {
  if (value && !(*value >= 0)) return node.wrong("a value of 0 or more");
  return value;
}

// Each reads an optional member into a value that holds its default already.
struct Members {
  json::Fields& fields;

  Result<void> quantity(const std::string& key, Unit unit, double& out) {
    TRY_ASSIGN(out, fields.quantity(key, unit, out));
    return {};
  }
  // The same, refusing negative values.
  Result<void> size(const std::string& key, Unit unit, double& out) {
    const auto node = fields.find(key);
    if (!node) return {};
    TRY_ASSIGN(out, not_negative(*node, node->quantity(unit)));
    return {};
  }
  template <typename T>
  Result<void> whole(const std::string& key, long long least, long long most, T& out) {
    TRY_ASSIGN(const long long value,
               fields.integer(key, least, most, static_cast<long long>(out)));
    out = static_cast<T>(value);
    return {};
  }
  Result<void> optional(const std::string& key, Unit unit, std::optional<double>& out) {
    const auto node = fields.find(key);
    if (!node) return {};
    TRY_ASSIGN(out, node->quantity(unit));
    return {};
  }
  Result<void> span(const std::string& key, Duration& out) {
    double value = seconds(out);
    TRY(size(key, Unit::second, value));
    out = from_seconds(value);
    return {};
  }
};

Result<ModelPlan> decode_rf_source(Members in) {
  instrument::RfSourceConfig out;
  TRY(in.size("frequency_least", Unit::hertz, out.least_hz));
  TRY(in.size("frequency_most", Unit::hertz, out.most_hz));
  TRY(in.size("frequency_step", Unit::hertz, out.frequency_step_hz));
  TRY(in.quantity("level_least", Unit::dbm, out.least_dbm));
  TRY(in.quantity("level_most", Unit::dbm, out.most_dbm));
  TRY(in.size("level_step", Unit::db, out.level_step_db));
  TRY(in.quantity("frequency_error", Unit::ppm, out.frequency_error_ppm));
  TRY(in.quantity("level_error", Unit::db, out.level_error_db));
  TRY(in.quantity("level_slope", Unit::db, out.level_slope_db_per_decade));
  TRY(in.optional("harmonic2", Unit::db, out.harmonic2_dbc));
  TRY(in.optional("harmonic3", Unit::db, out.harmonic3_dbc));
  return out;
}

Result<ModelPlan> decode_lo_source(Members in) {
  instrument::LoSourceConfig out;
  TRY(in.size("frequency_least", Unit::hertz, out.least_hz));
  TRY(in.size("frequency_most", Unit::hertz, out.most_hz));
  TRY(in.size("frequency_step", Unit::hertz, out.frequency_step_hz));
  TRY(in.size("phase_step", Unit::degree, out.phase_step_deg));
  TRY(in.size("amplitude_least", Unit::volt, out.least_v));
  TRY(in.size("amplitude_most", Unit::volt, out.most_v));
  TRY(in.quantity("frequency_error", Unit::ppm, out.frequency_error_ppm));
  TRY(in.quantity("phase_error", Unit::degree, out.phase_error_deg));
  return out;
}

Result<void> decode_recordings(Members& in, const std::filesystem::path& folder, ScopePlan& out) {
  TRY_ASSIGN(const json::Node node, in.fields.need("recordings"));
  TRY_ASSIGN(const auto records, node.elements(1));
  for (const json::Node& record : records) {
    std::vector<std::filesystem::path> files;
    if (record.is_array()) {
      TRY_ASSIGN(const auto names, record.elements(2));
      for (const json::Node& name : names) {
        TRY_ASSIGN(const std::string text, name.text());
        files.push_back(folder / text);
      }
    } else {
      TRY_ASSIGN(const std::string text, record.text());
      files.push_back(folder / text);
    }
    out.recordings.push_back(std::move(files));
  }
  const auto codes = in.fields.find("codes");
  std::size_t word = 0;
  if (codes) {
    TRY_ASSIGN(word, codes->word({"8", "16", "float"}));
  }
  out.config.bits = word == 0 ? 8 : 16;
  out.exact = word == 2;
  // A recording holds its own noise and errors.
  instrument::ScopeConfig& clean = out.config;
  clean.noise_lsb = clean.gain_error = clean.gain_match = clean.range_gain = 0.0;
  clean.offset_error = clean.skew_s = clean.time_base_error_ppm = clean.trigger_jitter_s = 0.0;
  return {};
}

Result<ModelPlan> decode_scope(Members in, ScopePlan::Family family,
                               const std::filesystem::path& folder) {
  ScopePlan out;
  out.family = family;
  instrument::ScopeConfig& scope = out.config;
  if (family == ScopePlan::Family::trace) scope.bits = 12;
  TRY(in.whole("channels", 1, 4, scope.channels));
  if (family == ScopePlan::Family::playback) {
    TRY(decode_recordings(in, folder, out));
  } else {
    TRY(in.whole("bits", 6, 16, scope.bits));
    TRY(in.size("noise_lsb", Unit::one, scope.noise_lsb));
    TRY(in.size("trigger_jitter", Unit::second, scope.trigger_jitter_s));
    TRY(in.quantity("time_base_error", Unit::ppm, scope.time_base_error_ppm));
    TRY(in.size("gain_error", Unit::one, scope.gain_error));
    TRY(in.size("gain_match", Unit::one, scope.gain_match));
    TRY(in.size("range_gain", Unit::one, scope.range_gain));
    TRY(in.size("offset_error", Unit::one, scope.offset_error));
    TRY(in.size("skew", Unit::second, scope.skew_s));
  }
  TRY(in.size("rate_most", Unit::hertz, scope.most_rate_hz));
  TRY(in.size("rate_least", Unit::hertz, scope.least_rate_hz));
  TRY(in.whole("memory", 1000, 10'000'000, scope.memory));
  TRY(in.whole("points_least", 1, 10'000, scope.least_points));
  TRY(in.size("division_least", Unit::volt, scope.least_division_v));
  TRY(in.size("division_most", Unit::volt, scope.most_division_v));
  TRY(in.size("offset_most", Unit::volt, scope.offset_most_v));
  TRY(in.size("input_resistance", Unit::ohm, scope.input_ohm));
  TRY(in.size("input_farad", Unit::one, scope.input_farad));
  return out;
}

Result<ModelPlan> decode_meter(Members in) {
  instrument::MeterConfig out;
  TRY(in.size("input_resistance", Unit::ohm, out.input_ohm));
  TRY(in.size("line", Unit::hertz, out.line_hz));
  TRY(in.size("volts_reading", Unit::one, out.volts_reading));
  TRY(in.size("volts_range", Unit::one, out.volts_range));
  TRY(in.size("ohms_reading", Unit::one, out.ohms_reading));
  TRY(in.size("ohms_range", Unit::one, out.ohms_range));
  TRY(in.size("noise", Unit::one, out.noise));
  return out;
}

Result<ModelPlan> decode_supply(Members in) {
  instrument::SupplyConfig out;
  TRY(in.whole("outputs", 1, 3, out.outputs));
  TRY(in.size("voltage_most", Unit::volt, out.most_v));
  TRY(in.size("current_most", Unit::ampere, out.most_a));
  TRY(in.size("voltage_step", Unit::volt, out.voltage_step_v));
  TRY(in.size("current_step", Unit::ampere, out.current_step_a));
  TRY(in.quantity("voltage_error", Unit::one, out.voltage_error));
  TRY(in.quantity("measure_voltage_error", Unit::one, out.measure_voltage_error));
  TRY(in.quantity("measure_current_error", Unit::one, out.measure_current_error));
  TRY(in.size("measure_voltage_noise", Unit::volt, out.measure_noise_v));
  TRY(in.size("measure_current_noise", Unit::ampere, out.measure_noise_a));
  TRY(in.span("ramp", out.ramp));
  return out;
}

Result<ModelPlan> decode_relays(Members in) {
  instrument::RelaysConfig out;
  const auto node = in.fields.find("channels");
  if (!node) return out;
  TRY_ASSIGN(const auto channels, node->elements(1));
  out.channels.clear();
  for (const json::Node& channel : channels) {
    TRY_ASSIGN(const long long number, channel.integer(0, 9999));
    out.channels.push_back(static_cast<int>(number));
  }
  return out;
}

Result<ModelPlan> decode_model(std::size_t model, Members in, const std::filesystem::path& folder) {
  switch (model) {
    case rf_source:
      return decode_rf_source(in);
    case lo_source:
      return decode_lo_source(in);
    case scope_waveform:
      return decode_scope(in, ScopePlan::Family::waveform, folder);
    case scope_curve:
      return decode_scope(in, ScopePlan::Family::curve, folder);
    case scope_trace:
      return decode_scope(in, ScopePlan::Family::trace, folder);
    case scope_playback:
      return decode_scope(in, ScopePlan::Family::playback, folder);
    case meter:
      return decode_meter(in);
    case supply:
      return decode_supply(in);
    default:
      return decode_relays(in);
  }
}

Result<bool> is_typical(json::Fields& fields, bool otherwise) {
  const auto node = fields.find("latency");
  if (!node) return otherwise;
  TRY_ASSIGN(const std::size_t word, node->word({"instant", "typical"}));
  return word == 1;
}

struct Common {
  bool typical = false;
  double time_scale = 1.0;
  const std::filesystem::path& folder;
};

Result<InstrumentPlan> decode_instrument(const std::string& name, const json::Node& node,
                                         const Common& common) {
  InstrumentPlan out;
  out.name = name;
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "an instrument"));
  Members in{fields};
  TRY_ASSIGN(const json::Node model_node, fields.need("model"));
  TRY_ASSIGN(const std::size_t model, model_node.word(model_words()));
  TRY_ASSIGN(out.model, decode_model(model, in, common.folder));
  if (const auto transport = fields.find("transport")) {
    TRY_ASSIGN(const std::size_t word,
               transport->word({"socket", "vxi11", "hislip", "serial", "usb"}));
    out.front = static_cast<Front>(word);
  }
  TRY(in.whole("port", 0, 65535, out.port));
  std::string title = model_words()[model];
  std::ranges::replace(title, '_', '-');
  TRY_ASSIGN(out.identity.model, fields.text("identity", "SIM-" + title));
  TRY_ASSIGN(out.identity.serial, fields.text("serial", name));
  TRY_ASSIGN(const bool typical, is_typical(fields, common.typical));
  out.latency = typical ? Latency::typical(usual_settle(model)) : Latency::instant();
  TRY(in.span("settle", out.latency.settle));
  out.latency.scale = common.time_scale;
  if (const auto second = fields.find("second_client")) {
    TRY_ASSIGN(const std::size_t word, second->word({"queue", "refuse"}));
    out.refuses_second_client = word == 1;
  }
  if (const auto troubles = fields.find("troubles")) {
    TRY_ASSIGN(out.troubles, decode_troubles(*troubles));
  }
  TRY(fields.finish());
  return out;
}

bool has_port(const BenchPlan& bench, const std::string& port) {
  const std::size_t slash = port.find('/');
  const std::string name = port.substr(0, slash);
  const auto found = std::ranges::find(bench.instruments, name, &InstrumentPlan::name);
  if (found == bench.instruments.end()) return false;
  if (slash == std::string::npos) return !std::holds_alternative<ScopePlan>(found->model);
  const std::string end = port.substr(slash + 1);
  if (end == "low") return std::holds_alternative<instrument::MeterConfig>(found->model);
  int number = 0;
  const auto [rest, failed] = std::from_chars(end.data(), end.data() + end.size(), number);
  int most = 1;
  if (const auto* scope = std::get_if<ScopePlan>(&found->model)) most = scope->config.channels;
  if (const auto* source = std::get_if<instrument::SupplyConfig>(&found->model)) {
    most = source->outputs;
  }
  return failed == std::errc() && rest == end.data() + end.size() && number >= 1 && number <= most;
}

Result<ConnectionPlan> decode_connection(const json::Node& node, const BenchPlan& bench) {
  ConnectionPlan out;
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "a connection"));
  TRY_ASSIGN(const json::Node port, fields.need("port"));
  TRY_ASSIGN(out.port, port.text());
  if (!has_port(bench, out.port)) return port.wrong("a port of an instrument of this bench");
  TRY_ASSIGN(out.place, fields.text("at"));
  if (const auto via = fields.find("via")) {
    TRY_ASSIGN(const std::string text, via->text());
    const std::size_t slash = text.find('/');
    out.relays = text.substr(0, slash);
    const auto found = std::ranges::find(bench.instruments, out.relays, &InstrumentPlan::name);
    const instrument::RelaysConfig* card =
        found == bench.instruments.end() ? nullptr
                                         : std::get_if<instrument::RelaysConfig>(&found->model);
    const char* end = text.data() + text.size();
    const char* begin = slash == std::string::npos ? end : text.data() + slash + 1;
    const bool number = std::from_chars(begin, end, out.channel).ptr == end && begin != end;
    const bool known = card != nullptr && number &&
                       std::ranges::find(card->channels, out.channel) != card->channels.end();
    if (!known) return via->wrong("a relay channel of this bench such as \"relays/101\"");
  }
  TRY(fields.finish());
  // The place is checked where the wiring knows its names.
  instrument::Wiring trial;
  const Result<void> placed = trial.attach(out.port, out.place);
  if (!placed) return node.refuse(placed.error().message);
  return out;
}

Result<void> decode_lists(json::Fields& fields, const Common& common, BenchPlan& out) {
  TRY_ASSIGN(const json::Node instruments, fields.need("instruments"));
  TRY_ASSIGN(const auto members, instruments.members());
  for (const auto& [name, node] : members) {
    if (name.empty() || name.find('/') != std::string::npos) {
      return node.refuse("an instrument's name must not be empty or hold '/'");
    }
    TRY_ASSIGN(InstrumentPlan plan, decode_instrument(name, node, common));
    out.instruments.push_back(std::move(plan));
  }
  if (out.instruments.empty()) return instruments.wrong("at least one instrument");
  if (const auto connections = fields.find("connections")) {
    TRY_ASSIGN(const auto elements, connections->elements());
    for (const json::Node& element : elements) {
      TRY_ASSIGN(ConnectionPlan plan, decode_connection(element, out));
      out.connections.push_back(std::move(plan));
    }
  }
  if (const auto boards = fields.find("boards")) {
    TRY_ASSIGN(const auto serials, boards->members());
    for (const auto& [serial, node] : serials) {
      TRY_ASSIGN(BoardPlan plan, decode_board(serial, node));
      out.boards.push_back(std::move(plan));
    }
  }
  return {};
}

}  // namespace

Result<BenchPlan> decode_bench(const json::Node& root, const std::filesystem::path& folder) {
  BenchPlan out;
  TRY_ASSIGN(json::Fields fields, json::Fields::of(root, "a simulated bench"));
  TRY_ASSIGN(out.name, fields.text("simulated_bench"));
  Members in{fields};
  TRY(in.whole("seed", 0, 1LL << 53, out.seed));
  Common common{.folder = folder};
  TRY_ASSIGN(common.typical, is_typical(fields, false));
  TRY(in.size("time_scale", Unit::one, common.time_scale));
  TRY(in.quantity("temperature", Unit::celsius, out.temperature_c));
  if (const auto path = fields.find("rf_path")) {
    TRY_ASSIGN(json::Fields loss, json::Fields::of(*path, "\"rf_path\""));
    TRY_ASSIGN(out.rf_path_loss_db, loss.quantity("loss", Unit::db, 0.0));
    TRY(loss.finish());
  }
  TRY(decode_lists(fields, common, out));
  if (const auto board = fields.find("board")) {
    TRY_ASSIGN(out.board, board->text());
    const bool known =
        std::ranges::find(out.boards, out.board, &BoardPlan::serial) != out.boards.end();
    if (!known && !out.board.empty()) return board->wrong("a serial number listed in \"boards\"");
  }
  TRY(fields.finish());
  return out;
}

}  // namespace nightbench::mock::server
