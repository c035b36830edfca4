#include "drivers/instrument/supply.hpp"

#include <cmath>

namespace nightbench::instrument {

Awaitable<Result<void>> Supply::set(double volts, double current_limit_a) {
  if (!std::isfinite(volts) || volts < 0 || !std::isfinite(current_limit_a) ||
      current_limit_a <= 0) {
    co_return trouble(ErrorKind::bad_input, "expected a voltage and a positive current limit");
  }
  CO_TRY(co_await begin());
  std::vector<std::string> commands;
  add(commands, "set_current_limit", {{"current_a", scpi::write_number(current_limit_a)}});
  add(commands, "set_voltage", {{"voltage_v", scpi::write_number(volts)}});
  CO_TRY(co_await apply(commands));
  const Resolution& resolution = dialect().resolution();
  CO_TRY(
      co_await read_back("get_current_limit", current_limit_a, resolution.current_a, Unit::ampere));
  CO_TRY(co_await read_back("get_voltage", volts, resolution.voltage_v, Unit::volt));
  co_return Result<void>{};
}

Awaitable<Result<bool>> Supply::tripped() {
  if (!dialect().has("get_tripped")) co_return false;
  const Values none;
  const Result<std::vector<std::string>> answers = co_await ask("get_tripped", none);
  if (!answers) co_return fail(answers.error());
  bool any = false;
  for (std::size_t i = 0; i < answers->size(); ++i) {
    const Result<bool> one = scpi::read_boolean((*answers)[i]);
    if (!one) {
      co_return trouble(ErrorKind::bad_data, one.error().message, dialect().say("get_tripped")[i]);
    }
    any = any || *one;
  }
  co_return any;
}

Awaitable<Result<void>> Supply::output(bool on) {
  const Values none;
  if (!on) {
    co_return co_await switch_off("output_off", "get_output", none);
  }
  CO_TRY(co_await begin());
  std::vector<std::string> commands;
  add(commands, "output_on");
  CO_TRY(co_await apply(commands));
  CO_TRY_ASSIGN(const bool trip, co_await tripped());
  if (trip) {
    co_return trouble(ErrorKind::unsafe, "the protection tripped when the output was switched on",
                      commands.back());
  }
  co_return co_await read_back_state("get_output", none, true);
}

Awaitable<Result<SupplyReading>> Supply::measure() {
  CO_TRY(co_await begin());
  const Values none;
  SupplyReading out;
  CO_TRY_ASSIGN(out.volts, co_await ask_value("measure_voltage", none));
  CO_TRY_ASSIGN(out.amps, co_await ask_value("measure_current", none));
  CO_TRY_ASSIGN(out.tripped, co_await tripped());
  co_return out;
}

Awaitable<Result<void>> Supply::clear_trip() {
  CO_TRY(co_await begin());
  std::vector<std::string> commands;
  add(commands, "clear_trip");
  co_return co_await apply(commands);
}

}  // namespace nightbench::instrument
