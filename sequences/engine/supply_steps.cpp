#include "sequences/engine/supply_steps.hpp"

#include <cmath>

#include "sequences/engine/context.hpp"
#include "sequences/engine/judge.hpp"
#include "sequences/reading/meter.hpp"

namespace nightbench::engine {
namespace {

constexpr Duration kTripWatch = std::chrono::milliseconds(20);
constexpr int kSoftSteps = 8;

Error tripped(const bench::Bench& bench, const script::Intent& intent, double amps) {
  Error error;
  error.kind = ErrorKind::unsafe;
  const bench::InstrumentEntry* entry = bench.file().with_role(instrument::Role::supply);
  if (entry != nullptr) error.instrument = entry->name;
  error.message = "the supply tripped at its limit of " +
                  format(intent.supply_limit_a, Unit::ampere, 3) + " (last reading " +
                  format(amps, Unit::ampere, 3) +
                  "): look for a short, a reversed part or the wrong polarity before trying again";
  return error;
}

reading::MeterAccuracy accuracy_of(const bench::SupplyAccuracy& accuracy) {
  reading::MeterAccuracy out;
  out.percent_of_reading = 100 * accuracy.reading;
  out.digits = 1;
  out.last_place = accuracy.floor;
  return out;
}

// Relays that were reset since would have left the meter on nothing.
Awaitable<Result<void>> still_connected(bench::Bench& bench, std::string test_point) {
  const bench::Connection* wired = bench.where(instrument::Role::meter, test_point);
  instrument::Relays* relays = bench.relays();
  if (wired == nullptr || !wired->relay_channel || relays == nullptr) co_return Result<void>();
  const int channel = *wired->relay_channel;
  CO_TRY_ASSIGN(const bool closed, co_await relays->is_closed(channel));
  if (closed) co_return Result<void>();
  relays->forget();
  Error error;
  error.kind = ErrorKind::bad_data;
  error.instrument = relays->name();
  error.message = "channel " + std::to_string(channel) + " no longer stands as it was set: open";
  co_return fail(std::move(error));
}

}  // namespace

Awaitable<Result<std::vector<record::Reading>>> power_on(bench::Bench& bench,
                                                         const script::BoardType& type,
                                                         script::Intent intent) {
  using Out = Result<std::vector<record::Reading>>;
  instrument::Supply& supply = *bench.supply();
  Clock& clock = bench.clock();
  // A soft start shows a short at an eighth of the voltage, where it does the least harm.
  const int steps = intent.soft_start_s > 0 ? kSoftSteps : 1;
  for (int step = 1; step <= steps; ++step) {
    const double volts = intent.supply_v * step / steps;
    CO_TRY(co_await supply.set(volts, intent.supply_limit_a));
    if (step == 1) CO_TRY(co_await supply.output(true));
    if (steps == 1) break;
    const TimePoint next = clock.now() + from_seconds(intent.soft_start_s / steps);
    do {
      CO_TRY_ASSIGN(const instrument::SupplyReading rising, co_await supply.measure());
      if (rising.tripped) co_return Out(fail(tripped(bench, intent, rising.amps)));
      co_await sleep_until(clock, std::min(next, clock.now() + kTripWatch));
    } while (clock.now() < next);
  }
  const TimePoint settled = clock.now() + from_seconds(type.supply_settle_s);
  instrument::SupplyReading now;
  for (;;) {
    CO_TRY_ASSIGN(now, co_await supply.measure());
    if (now.tripped) co_return Out(fail(tripped(bench, intent, now.amps)));
    if (clock.now() >= settled) break;
    co_await sleep_until(clock, std::min(settled, clock.now() + kTripWatch));
  }
  const bench::Uncertainty& limits = bench.file().uncertainty;
  const reading::Outcome volts = reading::meter_reading(
      "supply_voltage", now.volts, "V", accuracy_of(limits.supply_voltage));
  const reading::Outcome amps = reading::meter_reading("supply_current", now.amps, "A",
                                                       accuracy_of(limits.supply_current));
  std::vector<record::Reading> readings;
  readings.push_back(judge("supply_current", "Supply current", "A", amps,
                           script::limit_at(type.limits, "supply_current", 0)));
  readings.push_back(judge("supply_voltage", "Supply voltage", "V", volts,
                           script::limit_at(type.limits, "supply_voltage", 0)));
  co_return Out(std::move(readings));
}

Awaitable<Result<record::Reading>> measure_volts(bench::Bench& bench,
                                                 const script::BoardType& type,
                                                 std::string test_point) {
  using Out = Result<record::Reading>;
  CO_TRY(co_await bench.connect_meter(test_point));
  CO_TRY_ASSIGN(const instrument::MeterReading seen, co_await bench.meter()->dc_volts());
  CO_TRY(co_await still_connected(bench, test_point));
  const script::TestPoint* point = type.find(test_point);
  reading::Outcome outcome = reading::no_reading(
      reading::Reason::not_measured, "the meter reports an overload at this test point");
  if (!seen.overload) {
    reading::Loading loading;
    loading.input_ohm = bench.file().uncertainty.meter_input_ohm;
    outcome = reading::meter_reading(test_point, seen.value, "V",
                                     meter_accuracy(bench.file(), seen.range), loading);
  }
  co_return Out(judge(test_point, point != nullptr ? point->title : test_point, "V", outcome,
                      script::limit_at(type.limits, test_point, 0)));
}

}  // namespace nightbench::engine
