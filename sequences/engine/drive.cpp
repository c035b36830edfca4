#include "sequences/engine/drive.hpp"

#include <algorithm>

namespace nightbench::engine {

Awaitable<Result<TimePoint>> drive(bench::Bench& bench, const script::BoardType& type,
                                   script::Intent intent) {
  TimePoint settled{};
  if (instrument::LoSource* lo = bench.lo_source(); lo != nullptr) {
    if (!intent.lo_on) {
      if (lo->actual() && lo->actual()->on) CO_TRY(co_await lo->off());
    } else if (intent.lo_hz() > 0) {
      instrument::LoSetting setting;
      setting.frequency_hz = intent.lo_hz();
      setting.phase_deg = type.lo_phase_deg;
      setting.amplitude_v = type.lo_amplitude_v;
      setting.on = true;
      CO_TRY(co_await lo->apply(setting));
      settled = std::max(settled, lo->settled_at());
    }
  }
  if (instrument::RfSource* rf = bench.rf_source(); rf != nullptr) {
    if (!intent.rf_on) {
      if (rf->actual() && rf->actual()->on) CO_TRY(co_await rf->off());
    } else if (intent.rf_hz > 0) {
      instrument::RfSetting setting;
      setting.frequency_hz = intent.rf_hz;
      setting.level_dbm = intent.level_dbm;
      setting.on = true;
      CO_TRY(co_await rf->apply(setting));
      settled = std::max(settled, rf->settled_at());
    }
  }
  co_return settled;
}

}  // namespace nightbench::engine
