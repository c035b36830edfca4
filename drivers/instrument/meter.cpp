#include "drivers/instrument/meter.hpp"

#include <cmath>

namespace nightbench::instrument {

void Meter::forget() {
  known_.reset();
}

Awaitable<Result<MeterReading>> Meter::dc_volts(std::optional<double> range_v) {
  const Function function{false, range_v};
  co_return co_await measure(function);
}

Awaitable<Result<MeterReading>> Meter::ohms(std::optional<double> range_ohm) {
  const Function function{true, range_ohm};
  co_return co_await measure(function);
}

Awaitable<Result<MeterReading>> Meter::measure(Function function) {
  if (function.range && (!std::isfinite(*function.range) || *function.range <= 0)) {
    co_return trouble(ErrorKind::bad_input, "expected a positive range");
  }
  CO_TRY(co_await begin());
  const std::string what = function.ohms ? "ohms" : "dc_volts";
  const Values none;
  if (known_ != function) {
    known_.reset();
    std::vector<std::string> commands;
    if (function.range) {
      const char* placeholder = function.ohms ? "range_ohm" : "range_v";
      add(commands, "configure_" + what, {{placeholder, scpi::write_number(*function.range)}});
    } else {
      add(commands, "configure_" + what + "_auto");
    }
    CO_TRY(co_await apply(commands));
    co_await sleep_for(session().clock(), settle());
    known_ = function;
  }

  const std::vector<std::string> text = dialect().say("read");
  CO_TRY_ASSIGN(const std::vector<std::string> answers, co_await ask("read", none));
  const Result<scpi::Number> number = scpi::read_number(answers.front());
  if (!number) co_return trouble(ErrorKind::bad_data, number.error().message, text.front());
  if (number->kind == scpi::Number::Kind::not_a_number) {
    co_return trouble(ErrorKind::bad_data,
                      "the meter has no value ('" + scpi::shown(answers.front()) + "')",
                      text.front());
  }
  MeterReading out;
  out.overload = !number->usable();
  out.value = number->value;
  CO_TRY_ASSIGN(out.range, co_await ask_value("get_" + what + "_range", none));
  co_return out;
}

}  // namespace nightbench::instrument
