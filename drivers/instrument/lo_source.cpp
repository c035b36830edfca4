#include "drivers/instrument/lo_source.hpp"

#include <cmath>

namespace nightbench::instrument {

void LoSource::forget() {
  known_.reset();
  actual_.reset();
}

Awaitable<Result<void>> LoSource::apply(LoSetting setting) {
  if (!std::isfinite(setting.frequency_hz) || setting.frequency_hz <= 0 ||
      !std::isfinite(setting.phase_deg) || !std::isfinite(setting.amplitude_v) ||
      setting.amplitude_v <= 0) {
    co_return trouble(ErrorKind::bad_input,
                      "expected a positive frequency and amplitude and a finite phase");
  }
  CO_TRY(co_await begin());
  const std::optional<LoSetting> before = known_;
  LoSetting actual = actual_.value_or(setting);
  const bool frequency = !before || before->frequency_hz != setting.frequency_hz;
  const bool phase = frequency || before->phase_deg != setting.phase_deg;
  const bool amplitude = !before || before->amplitude_v != setting.amplitude_v;
  const bool output = !before || before->on != setting.on;

  std::vector<std::string> commands;
  if (output && (!before || !setting.on)) add(commands, "output_off");
  if (amplitude) {
    add(commands, "set_amplitude", {{"amplitude_v", scpi::write_number(setting.amplitude_v)}});
  }
  if (frequency) {
    add(commands, "set_frequency", {{"frequency_hz", scpi::write_number(setting.frequency_hz)}});
  }
  if (phase) add(commands, "set_phase", {{"phase_deg", scpi::write_number(setting.phase_deg)}});
  if (output && setting.on) add(commands, "output_on");
  if (commands.empty()) co_return Result<void>{};

  forget();  // until all is confirmed
  CO_TRY(co_await Instrument::apply(commands));
  const Resolution& resolution = dialect().resolution();
  if (amplitude) {
    CO_TRY_ASSIGN(actual.amplitude_v, co_await read_back("get_amplitude", setting.amplitude_v,
                                                         resolution.amplitude_v, Unit::volt));
  }
  if (frequency) {
    CO_TRY_ASSIGN(actual.frequency_hz, co_await read_back("get_frequency", setting.frequency_hz,
                                                          resolution.frequency_hz, Unit::hertz));
  }
  if (phase) {
    CO_TRY_ASSIGN(actual.phase_deg, co_await read_back("get_phase", setting.phase_deg,
                                                       resolution.phase_deg, Unit::degree));
  }
  if (output) {
    const Values none;
    CO_TRY(co_await read_back_state("get_output", none, setting.on));
  }
  actual.on = setting.on;
  known_ = setting;
  actual_ = actual;
  co_return Result<void>{};
}

Awaitable<Result<void>> LoSource::off() {
  forget();
  const Values none;
  co_return co_await switch_off("output_off", "get_output", none);
}

Awaitable<Result<LoSetting>> LoSource::read() {
  CO_TRY(co_await begin());
  LoSetting out = actual_.value_or(LoSetting{});
  const Values none;
  if (dialect().has("get_frequency")) {
    CO_TRY_ASSIGN(out.frequency_hz, co_await ask_value("get_frequency", none));
  }
  if (dialect().has("get_phase")) {
    CO_TRY_ASSIGN(out.phase_deg, co_await ask_value("get_phase", none));
  }
  if (dialect().has("get_amplitude")) {
    CO_TRY_ASSIGN(out.amplitude_v, co_await ask_value("get_amplitude", none));
  }
  if (dialect().has("get_output")) {
    CO_TRY_ASSIGN(const double on, co_await ask_value("get_output", none));
    out.on = on != 0;
  }
  co_return out;
}

}  // namespace nightbench::instrument
