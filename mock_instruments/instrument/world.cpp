#include "mock_instruments/instrument/world.hpp"

#include <array>
#include <cmath>
#include <utility>

namespace nightbench::mock::instrument {
namespace {

constexpr std::array<std::pair<std::string_view, std::string_view>, 3> kAliases{{
    {"board_supply", "supply_in"},
    {"op_amp_vee", "gnd"},
    {"switch_gnd", "gnd"},
}};

std::string normal_port(std::string_view port) {
  if (port.ends_with("/1") && !port.starts_with("scope")) port.remove_suffix(2);
  return std::string(port);
}

std::optional<std::string> normal_place(std::string_view place) {
  for (const auto& [alias, name] : kAliases) {
    if (place == alias) return std::string(name);
  }
  if (place == "lo_in" || board::find_test_point(place)) return std::string(place);
  return std::nullopt;
}

std::unexpected<Error> no_place(std::string_view place) {
  return fail(ErrorKind::bad_input, "the board has no test point \"" + std::string(place) + "\"");
}

}  // namespace

Result<void> Wiring::attach(std::string_view port, std::string_view place) {
  const std::string name = normal_port(port);
  if (place.empty()) {
    places_[name].clear();
    return {};
  }
  const auto normal = normal_place(place);
  if (!normal) return no_place(place);
  places_[name] = *normal;
  return {};
}

Result<void> Wiring::route(std::string_view port, std::string_view relay_bank, int channel,
                           std::string_view place) {
  const auto normal = normal_place(place);
  const auto point = normal ? board::find_test_point(*normal) : std::nullopt;
  if (!point) return no_place(place);
  routes_[normal_port(port)].push_back({std::string(relay_bank), channel, *point});
  return {};
}

std::string Wiring::place(std::string_view port) const {
  const auto found = places_.find(normal_port(port));
  return found == places_.end() ? std::string() : found->second;
}

bool Wiring::is_at(std::string_view port, std::string_view wanted) const {
  const auto normal = normal_place(wanted);
  return normal && place(port) == *normal;
}

std::optional<board::TestPoint> Wiring::direct(std::string_view port) const {
  return board::find_test_point(place(port));
}

bool Wiring::taken_off(std::string_view port) const {
  const auto found = places_.find(normal_port(port));
  return found != places_.end() && found->second.empty();
}

const std::vector<Wiring::Route>& Wiring::routes(std::string_view port) const {
  static const std::vector<Route> none;
  const auto found = routes_.find(normal_port(port));
  return found == routes_.end() ? none : found->second;
}

void World::place(std::unique_ptr<board::Board> board, std::string serial) {
  board_ = std::move(board);
  serial_ = std::move(serial);
  ++placements_;
}

void World::set_load(std::string_view port, double ohm, double farad) {
  loads_.insert_or_assign(normal_port(port), Load{ohm, farad});
}

std::vector<World::Contact> World::contacts(std::string_view port, TimePoint now) const {
  std::vector<Contact> out;
  if (const auto point = wiring.direct(port)) out.push_back({*point, false});
  for (const Wiring::Route& route : wiring.routes(port)) {
    const auto bank = relays.find(route.relays);
    if (bank == relays.end()) continue;
    const auto relay = bank->second.find(route.channel);
    if (relay == bank->second.end()) continue;
    const bool bouncing = now < relay->second.still_from;
    if (relay->second.closed || bouncing) out.push_back({route.point, bouncing});
  }
  return out;
}

board::Moment World::moment(TimePoint now) const {
  const auto whole = std::chrono::floor<std::chrono::seconds>(now - start_);
  board::Moment out;
  out.seconds = whole.count();
  out.fraction_s = seconds((now - start_) - whole);
  return out;
}

board::Stimulus World::stimulus(TimePoint now, std::string_view without) {
  board::Stimulus out;
  out.rf_on = false;
  out.lo_on = false;
  out.supply_on = false;
  out.temperature_c = temperature_c;
  for (const auto& [port, load] : loads_) {
    if (port == without) continue;
    for (const Contact& contact : contacts(port, now)) {
      if (contact.point == board::TestPoint::gnd) continue;
      out.loads.push_back({contact.point, load.ohm, load.farad});
    }
  }
  for (Source* source : signals_) source->drive(out, now);
  for (Source* supply : supplies_) supply->drive(out, now);
  return out;
}

void Ramp::set(double value, TimePoint now, Duration settle) {
  from_ = at(now);
  to_ = value;
  start_ = now;
  settle_ = settle;
}

double Ramp::at(TimePoint now) const {
  if (now >= start_ + settle_) return to_;
  const double part = seconds(now - start_) / seconds(settle_);
  return to_ + (from_ - to_) * std::exp(-11.5 * part);  // exp(-11.5) is 1e-5
}

}  // namespace nightbench::mock::instrument
