// Decoding of bench files.

#include <algorithm>
#include <charconv>
#include <cmath>
#include <set>

#include "drivers/base/json.hpp"
#include "drivers/bench/bench_file.hpp"
#include "drivers/instrument/identity_pattern.hpp"
#include "drivers/link/resource.hpp"

namespace nightbench::bench {

using instrument::Role;

namespace {

Result<double> not_negative(json::Fields& fields, const std::string& key, Unit unit,
                            std::optional<double> otherwise) {
  TRY_ASSIGN(const double value, fields.quantity(key, unit, otherwise));
  if (value < 0) return (*fields.find(key)).wrong("a quantity that is not negative");
  return value;
}

// "2 %", "5 ppm", or a fraction.
Result<double> relative(json::Fields& fields, const std::string& key, double otherwise) {
  const auto node = fields.find(key);
  if (!node) return otherwise;
  constexpr double kMillion = 1e6;
  double value = 0;
  if (node->is_string() && node->text().value_or("").find("ppm") != std::string::npos) {
    TRY_ASSIGN(value, node->quantity(Unit::ppm));
    value /= kMillion;
  } else {
    TRY_ASSIGN(value, node->quantity(Unit::one));
  }
  if (value < 0 || value >= 1) return node->wrong("a fraction, such as \"2 %\" or \"5 ppm\"");
  return value;
}

Result<std::string> date(json::Fields& fields, const std::string& key) {
  const auto node = fields.find(key);
  if (!node) return std::string();
  TRY_ASSIGN(const std::string text, node->text());
  bool good = text.size() == 10;
  for (std::size_t i = 0; good && i < text.size(); ++i) {
    good = i == 4 || i == 7 ? text[i] == '-' : text[i] >= '0' && text[i] <= '9';
  }
  const auto part = [&](std::size_t at) { return (text[at] - '0') * 10 + (text[at + 1] - '0'); };
  good = good && part(5) >= 1 && part(5) <= 12 && part(8) >= 1 && part(8) <= 31;
  if (!good) return node->wrong("a date such as \"2026-03-01\"");
  return text;
}

Result<InstrumentEntry> decode_instrument(const std::string& name, const json::Node& node,
                                          Kind kind) {
  InstrumentEntry out;
  out.name = name;
  if (name.empty() || name.find('/') != std::string::npos) {
    return node.refuse("expected a name without '/', found \"" + name + "\"");
  }
  TRY_ASSIGN(auto fields, json::Fields::of(node, "an instrument"));
  TRY_ASSIGN(const json::Node role, fields.need("role"));
  std::vector<std::string> roles;
  for (const Role each : instrument::all_roles()) roles.emplace_back(instrument::name(each));
  TRY_ASSIGN(const std::size_t index, role.word(roles));
  out.role = instrument::all_roles()[index];
  TRY_ASSIGN(out.dialect, fields.text("dialect"));
  if (std::filesystem::path(out.dialect).extension() == ".json") {
    out.dialect = (std::filesystem::path(node.file()).parent_path() / out.dialect).string();
  }
  if (const auto resource = fields.find("resource")) {
    if (kind == Kind::simulated) {
      return resource->refuse("a simulated bench finds its instruments by name: no resource");
    }
    TRY_ASSIGN(out.resource, resource->text());
    const auto parsed = link::parse_resource(out.resource);
    if (!parsed) return resource->refuse(parsed.error().message);
  } else if (kind == Kind::instruments) {
    TRY(fields.need("resource"));
  }
  constexpr double kMostTimeout = 600;
  if (const auto timeout = fields.find("timeout")) {
    TRY_ASSIGN(const double value, timeout->quantity(Unit::second));
    if (value <= 0 || value > kMostTimeout) return timeout->wrong("a time up to 10 minutes");
    out.timeout = from_seconds(value);
  }
  if (const auto settle = fields.find("settle")) {
    TRY_ASSIGN(const double value, settle->quantity(Unit::second));
    if (value < 0 || value > kMostTimeout) return settle->wrong("a time up to 10 minutes");
    out.settle = from_seconds(value);
  }
  TRY_ASSIGN(out.calibrated, date(fields, "calibrated"));
  TRY_ASSIGN(out.calibration_due, date(fields, "calibration_due"));
  if (const auto identity = fields.find("identity")) {
    TRY_ASSIGN(out.identity, identity->text());
    const auto good = instrument::check_identity_pattern(out.identity);
    if (!good) return identity->refuse(good.error().message);
  }
  if (const auto channel = fields.find("channel")) {
    TRY_ASSIGN(const long long value, channel->integer(1, 64));
    out.channel = static_cast<int>(value);
  }
  TRY(fields.finish());
  return out;
}

// "scope/1" or "meter": an instrument of the bench and maybe a number.
struct Port {
  const InstrumentEntry* entry = nullptr;
  std::optional<int> number;
};

Result<Port> decode_port(const json::Node& node, const BenchFile& bench) {
  TRY_ASSIGN(const std::string text, node.text());
  const std::size_t slash = text.find('/');
  Port out;
  out.entry = bench.named(std::string_view(text).substr(0, slash));
  if (out.entry == nullptr) {
    std::vector<std::string> known;
    for (const InstrumentEntry& each : bench.instruments) known.push_back(each.name);
    const auto meant = json::nearest(text.substr(0, slash), known);
    return node.refuse("there is no instrument '" + text.substr(0, slash) + "' in this bench" +
                       (meant ? "; did you mean '" + *meant + "'?" : ""));
  }
  if (slash != std::string::npos) {
    int number = 0;
    const char* end = text.data() + text.size();
    const auto [stop, failed] = std::from_chars(text.data() + slash + 1, end, number);
    if (failed != std::errc() || stop != end || number < 0) {
      return node.wrong("a number after '/', such as \"scope/1\"");
    }
    out.number = number;
  }
  return out;
}

Result<Connection> decode_connection(const json::Node& node, const BenchFile& bench) {
  Connection out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a connection"));
  TRY_ASSIGN(const json::Node port_node, fields.need("port"));
  TRY_ASSIGN(const Port port, decode_port(port_node, bench));
  if (port.entry->role == Role::relays) {
    return port_node.refuse("relays are named in \"via\", not in \"port\"");
  }
  if (port.entry->role == Role::scope && !port.number) {
    return port_node.wrong("a scope channel, such as \"" + port.entry->name + "/1\"");
  }
  out.instrument = port.entry->name;
  out.port = port.number;
  if (const auto via = fields.find("via")) {
    TRY_ASSIGN(const Port relay, decode_port(*via, bench));
    if (relay.entry->role != Role::relays || !relay.number) {
      return via->wrong("a relay channel, such as \"relays/101\"");
    }
    out.relay_instrument = relay.entry->name;
    out.relay_channel = relay.number;
  }
  TRY_ASSIGN(out.by_hand, fields.boolean("by_hand", false));
  if (out.by_hand) {
    if (port.entry->role != Role::scope && port.entry->role != Role::meter) {
      return node.refuse("only probes of a scope or meter are moved by hand");
    }
    if (out.relay_channel || fields.find("at")) {
      return node.refuse("a probe moved by hand has neither \"at\" nor \"via\"");
    }
    TRY(fields.finish());
    return out;
  }
  TRY_ASSIGN(const json::Node at, fields.need("at"));
  TRY_ASSIGN(out.at, at.text());
  if (out.at.empty()) return at.wrong("the name of a test point");
  TRY(fields.finish());
  return out;
}

// Two wirings that cannot both be: one port on two points, one relay channel for two purposes, one
// kind of instrument twice on one point.
Result<void> check_against(const Connection& one, const std::vector<Connection>& earlier,
                           const json::Node& node) {
  for (const Connection& each : earlier) {
    if (one.relay_channel && each.relay_channel == one.relay_channel) {
      return node.refuse("relay channel " + std::to_string(*one.relay_channel) + " is used for '" +
                         each.at + "' already");
    }
    if (each.instrument != one.instrument) continue;
    if (each.by_hand || one.by_hand) {
      if (each.port != one.port) continue;
      return node.refuse("this port is listed already");
    }
    if (each.at == one.at) {
      return node.refuse("'" + one.instrument + "' is on '" + one.at + "' already");
    }
    const bool direct = !one.relay_channel || !each.relay_channel;
    if (each.port == one.port && direct) {
      return node.refuse("this port is on '" + each.at + "' already");
    }
  }
  return {};
}

Result<SupplyAccuracy> supply_accuracy(json::Fields& fields, const std::string& key, Unit unit,
                                       SupplyAccuracy out) {
  const auto node = fields.find(key);
  if (!node) return out;
  TRY_ASSIGN(auto inner, json::Fields::of(*node, "the accuracy of a read-out"));
  TRY_ASSIGN(out.reading, relative(inner, "reading", out.reading));
  TRY_ASSIGN(out.floor, not_negative(inner, "floor", unit, out.floor));
  TRY(inner.finish());
  return out;
}

Result<Uncertainty> decode_uncertainty(const json::Node& node) {
  Uncertainty out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "the uncertainty terms"));
  TRY_ASSIGN(out.scope_gain, relative(fields, "scope_gain", out.scope_gain));
  TRY_ASSIGN(out.scope_gain_match, relative(fields, "scope_gain_match", out.scope_gain_match));
  TRY_ASSIGN(out.scope_skew_s, not_negative(fields, "scope_skew", Unit::second, out.scope_skew_s));
  TRY_ASSIGN(out.time_base, relative(fields, "time_base", out.time_base));
  TRY_ASSIGN(out.rf_frequency, relative(fields, "rf_frequency", out.rf_frequency));
  TRY_ASSIGN(out.lo_frequency, relative(fields, "lo_frequency", out.lo_frequency));
  TRY_ASSIGN(out.rf_level_db, not_negative(fields, "rf_level", Unit::db, out.rf_level_db));
  if (const auto meter = fields.find("meter_dc")) {
    TRY_ASSIGN(auto inner, json::Fields::of(*meter, "the accuracy of a meter"));
    TRY_ASSIGN(out.meter_dc_reading, relative(inner, "reading", out.meter_dc_reading));
    TRY_ASSIGN(out.meter_dc_range, relative(inner, "range", out.meter_dc_range));
    TRY(inner.finish());
  }
  if (const auto meter = fields.find("meter_ohms")) {
    TRY_ASSIGN(auto inner, json::Fields::of(*meter, "the accuracy of a meter"));
    TRY_ASSIGN(out.meter_ohms_reading, relative(inner, "reading", out.meter_ohms_reading));
    TRY_ASSIGN(out.meter_ohms_range, relative(inner, "range", out.meter_ohms_range));
    TRY_ASSIGN(out.meter_ohms_floor,
               not_negative(inner, "floor", Unit::ohm, out.meter_ohms_floor));
    TRY(inner.finish());
  }
  TRY_ASSIGN(out.meter_input_ohm,
             not_negative(fields, "meter_input", Unit::ohm, out.meter_input_ohm));
  TRY_ASSIGN(out.supply_voltage,
             supply_accuracy(fields, "supply_voltage", Unit::volt, out.supply_voltage));
  TRY_ASSIGN(out.supply_current,
             supply_accuracy(fields, "supply_current", Unit::ampere, out.supply_current));
  TRY_ASSIGN(out.probe_gain, relative(fields, "probe_gain", out.probe_gain));
  if (const auto load = fields.find("probe_load")) {
    TRY_ASSIGN(auto inner, json::Fields::of(*load, "the load of a probe"));
    TRY_ASSIGN(out.probe_load_ohm, not_negative(inner, "ohm", Unit::ohm, out.probe_load_ohm));
    TRY_ASSIGN(out.probe_load_farad, inner.number("farad", out.probe_load_farad));
    if (out.probe_load_farad < 0) return load->refuse("a capacitance cannot be negative");
    TRY(inner.finish());
  }
  TRY(fields.finish());
  return out;
}

// Limits have no defaults: who has a source or supply must say what is safe.
Result<SafeLimits> decode_safe(json::Fields& bench_fields, const BenchFile& bench) {
  SafeLimits out;
  const bool rf = bench.with_role(Role::rf_source) != nullptr;
  const bool supply = bench.with_role(Role::supply) != nullptr;
  const auto node = bench_fields.find("safe");
  if (!node) {
    if (rf || supply) TRY(bench_fields.need("safe"));
    return out;
  }
  TRY_ASSIGN(auto fields, json::Fields::of(*node, "the safe limits"));
  std::optional<double> otherwise;
  if (!rf) otherwise = 0;
  TRY_ASSIGN(out.rf_level_most_dbm, fields.quantity("rf_level_most", Unit::dbm, otherwise));
  otherwise.reset();
  if (!supply) otherwise = 0;
  TRY_ASSIGN(out.supply_voltage_most_v,
             not_negative(fields, "supply_voltage_most", Unit::volt, otherwise));
  TRY_ASSIGN(out.supply_current_most_a,
             not_negative(fields, "supply_current_most", Unit::ampere, otherwise));
  TRY(fields.finish());
  return out;
}

Result<Duration> span(json::Fields& fields, const char* key, Duration otherwise) {
  TRY_ASSIGN(const double length_s,
             not_negative(fields, key, Unit::second, seconds(otherwise)));
  return from_seconds(length_s);
}

Result<TroubleSettings> decode_trouble(const json::Node& node) {
  TroubleSettings out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "the trouble policy"));
  TRY_ASSIGN(const long long tries, fields.integer("tries", 1, 100, out.tries));
  out.tries = static_cast<int>(tries);
  TRY_ASSIGN(out.patience, span(fields, "patience", out.patience));
  TRY_ASSIGN(out.give_up_after, span(fields, "give_up_after", out.give_up_after));
  TRY_ASSIGN(out.look_again, span(fields, "look_again", out.look_again));
  TRY_ASSIGN(const long long restores,
             fields.integer("supply_restores_most", 0, 100, out.supply_restores_most));
  out.supply_restores_most = static_cast<int>(restores);
  TRY(fields.finish());
  return out;
}

Result<DriftSettings> decode_drift(const json::Node& node) {
  DriftSettings out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "the drift watch"));
  TRY_ASSIGN(out.every, span(fields, "every", out.every));
  TRY_ASSIGN(out.limit, fields.number("limit", out.limit));
  if (!(out.limit > 0)) return node.wrong("a positive \"limit\"");
  TRY(fields.finish());
  return out;
}

Result<GuardianSettings> decode_guardian(const json::Node& node) {
  constexpr Duration kShortestWatchdog = std::chrono::milliseconds(200);
  GuardianSettings out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "the guardian"));
  TRY_ASSIGN(out.watchdog, span(fields, "watchdog", out.watchdog));
  TRY_ASSIGN(out.patience, span(fields, "patience", out.patience));
  if (out.watchdog < kShortestWatchdog) return node.wrong("a \"watchdog\" of 200 ms or more");
  TRY(fields.finish());
  return out;
}

Result<void> decode_instruments(const json::Node& node, BenchFile& out) {
  if (!node.is_object()) return node.wrong("an object of instruments");
  TRY_ASSIGN(const auto members, node.members());
  if (members.empty()) return node.wrong("at least one instrument");
  for (const auto& [name, value] : members) {
    TRY_ASSIGN(InstrumentEntry entry, decode_instrument(name, value, out.kind));
    if (const InstrumentEntry* other = out.with_role(entry.role)) {
      return value.refuse("the role " + std::string(instrument::name(entry.role)) +
                          " is filled by '" + other->name + "' already");
    }
    out.instruments.push_back(std::move(entry));
  }
  return {};
}

}  // namespace

Result<BenchFile> decode_bench(const json::Node& node) {
  BenchFile out;
  out.file = node.file();
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a bench"));
  TRY_ASSIGN(out.name, fields.text("bench"));
  TRY_ASSIGN(const json::Node kind, fields.need("kind"));
  TRY_ASSIGN(const std::size_t kind_index, kind.word({"instruments", "simulated", "replay"}));
  out.kind = static_cast<Kind>(kind_index);
  if (out.kind == Kind::simulated) {
    TRY_ASSIGN(const std::string path, fields.text("simulation"));
    out.simulation = (out.file.parent_path() / path).lexically_normal();
  }
  if (out.kind == Kind::replay) {
    TRY_ASSIGN(const std::string path, fields.text("recording"));
    out.recording = (out.file.parent_path() / path).lexically_normal();
  }
  TRY_ASSIGN(const json::Node instruments, fields.need("instruments"));
  TRY(decode_instruments(instruments, out));
  if (const auto connections = fields.find("connections")) {
    TRY_ASSIGN(const auto elements, connections->elements());
    for (const json::Node& element : elements) {
      TRY_ASSIGN(Connection connection, decode_connection(element, out));
      TRY(check_against(connection, out.connections, element));
      out.connections.push_back(std::move(connection));
    }
  }
  if (const auto path = fields.find("rf_path")) {
    TRY_ASSIGN(auto inner, json::Fields::of(*path, "the RF path"));
    TRY_ASSIGN(out.rf_path.loss_db, inner.quantity("loss", Unit::db, 0));
    TRY_ASSIGN(out.rf_path.loss_uncertainty_db,
               not_negative(inner, "loss_uncertainty", Unit::db, 0));
    TRY(inner.finish());
  }
  TRY_ASSIGN(out.safe, decode_safe(fields, out));
  if (const auto uncertainty = fields.find("uncertainty")) {
    TRY_ASSIGN(out.uncertainty, decode_uncertainty(*uncertainty));
  }
  if (const auto trouble = fields.find("trouble")) {
    TRY_ASSIGN(out.trouble, decode_trouble(*trouble));
  }
  if (const auto match = fields.find("match")) {
    TRY_ASSIGN(auto inner, json::Fields::of(*match, "the channel match"));
    TRY_ASSIGN(out.match_good_for_days, inner.number("good_for_days", out.match_good_for_days));
    if (!(out.match_good_for_days > 0)) return match->wrong("\"good_for_days\" above 0");
    TRY(inner.finish());
  }
  if (const auto drift = fields.find("drift")) {
    TRY_ASSIGN(out.drift, decode_drift(*drift));
  }
  if (const auto guardian = fields.find("guardian")) {
    TRY_ASSIGN(out.guardian, decode_guardian(*guardian));
  }
  TRY(fields.finish());
  return out;
}

Result<BenchFile> read_bench(const std::filesystem::path& file) {
  TRY_ASSIGN(const json::Node node, json::read_file(file));
  return decode_bench(node);
}

}  // namespace nightbench::bench
