#include "sequences/engine/ohms.hpp"

#include "sequences/engine/judge.hpp"
#include "sequences/reading/meter.hpp"

namespace nightbench::engine {

OhmsSight judge_ohms(const instrument::MeterReading& seen, const bench::Uncertainty& meter,
                     const script::ResistanceCheck& check, const script::Limits& limits) {
  OhmsSight out;
  const record::Limit limit = script::limit_at(limits, check.id, 0);
  const bool open = seen.overload || (check.open_above_ohm && seen.value > *check.open_above_ohm);
  if (open) {
    out.no_contact = true;
    const std::string what =
        seen.overload ? "overload" : format(seen.value, Unit::ohm, 3);
    out.doubt = "the meter sees no connection (" + what + "): press both tips on their pins";
    out.reading = judge(check.id, check.title, "ohm",
                        reading::no_reading(reading::Reason::empty, out.doubt), limit);
    out.reading.reason = "open";
    if (limit.upper) out.reading.decision = record::Decision::fail;
    return out;
  }
  reading::MeterAccuracy accuracy;
  accuracy.percent_of_reading = 100 * meter.meter_ohms_reading;
  accuracy.percent_of_range = 100 * meter.meter_ohms_range;
  accuracy.range = seen.range;
  accuracy.digits = 1;
  accuracy.last_place = meter.meter_ohms_floor;
  out.reading = judge(check.id, check.title, "ohm",
                      reading::meter_reading(check.id, seen.value, "ohm", accuracy), limit);
  const std::string value = format(seen.value, Unit::ohm, 3);
  if (out.reading.decision == record::Decision::fail ||
      out.reading.decision == record::Decision::conditional_fail) {
    if (limit.lower && seen.value < *limit.lower) {
      out.doubt = "the meter reads " + value + ", expected is at least " +
                  format(*limit.lower, Unit::ohm, 3) + ": do the tips touch each other?";
    } else if (limit.upper) {
      out.doubt = "the meter reads " + value + ", expected is at most " +
                  format(*limit.upper, Unit::ohm, 3) +
                  ": a tip may be on another pin or press on flux";
    }
  }
  return out;
}

Awaitable<Result<OhmsSight>> measure_ohms(bench::Bench& bench, const script::BoardType& type,
                                          const script::ResistanceCheck& check) {
  // Which tip is on which point does not matter where neither is ground.
  const bool first = bench.where(instrument::Role::meter, check.between[0]) != nullptr;
  const std::string point = check.between[first ? 0 : 1];
  CO_TRY(co_await bench.connect_meter(point));
  CO_TRY_ASSIGN(const instrument::MeterReading seen, co_await bench.meter()->ohms());
  co_return judge_ohms(seen, bench.file().uncertainty, check, type.limits);
}

}  // namespace nightbench::engine
