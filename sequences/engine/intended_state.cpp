#include "sequences/engine/intended_state.hpp"

#include <algorithm>
#include <cmath>

#include "drivers/base/quantity.hpp"
#include "sequences/engine/drive.hpp"
#include "sequences/engine/supply_steps.hpp"

namespace nightbench::engine {
namespace {

// A supply within this of what was set delivers; its limits as a reading are judged elsewhere.
constexpr double kSupplyRelative = 0.05;
constexpr double kSupplyFloor_v = 0.1;
constexpr double kRelative = 1e-9;  // of a frequency: what writing a number can lose

std::unexpected<Error> departed(instrument::Instrument& one, const std::string& what) {
  Error error;
  error.kind = ErrorKind::bad_data;
  error.instrument = one.name();
  error.message = "it no longer stands as it was set: " + what;
  one.forget();
  return fail(std::move(error));
}

std::string changed(double found, double wanted, Unit unit) {
  return format(found, unit, 7) + " instead of " + format(wanted, unit, 7);
}

bool off_by(double found, double wanted, double most) {
  return !(std::fabs(found - wanted) <= most);
}

bool delivers(const instrument::SupplyReading& seen, const script::Intent& intent) {
  return std::fabs(seen.volts - intent.supply_v) <=
         kSupplyFloor_v + kSupplyRelative * std::fabs(intent.supply_v);
}

std::unexpected<Error> tripped(instrument::Supply& supply, const script::Intent& intent,
                               double amps) {
  Error error;
  error.kind = ErrorKind::unsafe;
  error.instrument = supply.name();
  error.message = "the supply has tripped at its limit of " +
                  format(intent.supply_limit_a, Unit::ampere, 3) + " (last reading " +
                  format(amps, Unit::ampere, 3) + "): look for a short before trying again";
  return fail(std::move(error));
}

Awaitable<Result<void>> verify_rf(instrument::RfSource& rf, script::Intent intent) {
  if (!intent.rf_on || intent.rf_hz <= 0) co_return Result<void>();
  const std::optional<instrument::RfSetting> set = rf.actual();
  CO_TRY_ASSIGN(const instrument::RfSetting found, co_await rf.read());
  if (!set || !rf.actual()) co_return departed(rf, "it was connected anew");
  const instrument::Resolution& steps = rf.dialect().resolution();
  if (found.on != set->on) co_return departed(rf, "its output is off");
  if (off_by(found.frequency_hz, set->frequency_hz,
             std::max(steps.frequency_hz, kRelative * set->frequency_hz))) {
    co_return departed(rf, changed(found.frequency_hz, set->frequency_hz, Unit::hertz));
  }
  if (off_by(found.level_dbm, set->level_dbm, steps.level_db)) {
    co_return departed(rf, changed(found.level_dbm, set->level_dbm, Unit::dbm));
  }
  co_return Result<void>();
}

Awaitable<Result<void>> verify_lo(instrument::LoSource& lo, script::Intent intent) {
  if (!intent.lo_on || intent.lo_hz() <= 0) co_return Result<void>();
  const std::optional<instrument::LoSetting> set = lo.actual();
  CO_TRY_ASSIGN(const instrument::LoSetting found, co_await lo.read());
  if (!set || !lo.actual()) co_return departed(lo, "it was connected anew");
  const instrument::Resolution& steps = lo.dialect().resolution();
  if (found.on != set->on) co_return departed(lo, "its outputs are off");
  if (off_by(found.frequency_hz, set->frequency_hz,
             std::max(steps.frequency_hz, kRelative * set->frequency_hz))) {
    co_return departed(lo, changed(found.frequency_hz, set->frequency_hz, Unit::hertz));
  }
  if (off_by(std::remainder(found.phase_deg - set->phase_deg, 360), 0, steps.phase_deg)) {
    co_return departed(lo, changed(found.phase_deg, set->phase_deg, Unit::degree));
  }
  if (off_by(found.amplitude_v, set->amplitude_v, steps.amplitude_v)) {
    co_return departed(lo, changed(found.amplitude_v, set->amplitude_v, Unit::volt));
  }
  co_return Result<void>();
}

}  // namespace

Awaitable<Result<TimePoint>> establish(bench::Bench& bench, const script::BoardType& type,
                                       script::Intent intent, bool* restored) {
  if (restored != nullptr) *restored = false;
  for (instrument::Instrument* each : bench.all()) each->forget();
  if (instrument::Supply* supply = bench.supply(); supply != nullptr && intent.supply_on) {
    CO_TRY_ASSIGN(const instrument::SupplyReading now, co_await supply->measure());
    if (now.tripped) co_return tripped(*supply, intent, now.amps);
    if (delivers(now, intent)) {
      // Its limit protects the board: what it is now is not known any more.
      CO_TRY(co_await supply->set(intent.supply_v, intent.supply_limit_a));
    } else {
      // RF into a switch without bias is stopped first (common practice, no source).
      if (bench.rf_source() != nullptr) CO_TRY(co_await bench.rf_source()->off());
      CO_TRY(co_await supply->off());
      CO_TRY(co_await power_on(bench, type, intent));
      if (restored != nullptr) *restored = true;
    }
  }
  co_return co_await drive(bench, type, intent);
}

Awaitable<Result<void>> verify(bench::Bench& bench, const script::BoardType&, script::Intent intent,
                               bool supply_too) {
  if (bench.rf_source() != nullptr) CO_TRY(co_await verify_rf(*bench.rf_source(), intent));
  if (bench.lo_source() != nullptr) CO_TRY(co_await verify_lo(*bench.lo_source(), intent));
  instrument::Supply* supply = bench.supply();
  if (!supply_too || supply == nullptr || !intent.supply_on) co_return Result<void>();
  CO_TRY_ASSIGN(const instrument::SupplyReading now, co_await supply->measure());
  if (now.tripped) co_return tripped(*supply, intent, now.amps);
  if (!delivers(now, intent)) {
    co_return departed(*supply, changed(now.volts, intent.supply_v, Unit::volt));
  }
  co_return Result<void>();
}

}  // namespace nightbench::engine
