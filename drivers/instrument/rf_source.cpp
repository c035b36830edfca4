#include "drivers/instrument/rf_source.hpp"

#include <cmath>

namespace nightbench::instrument {

void RfSource::forget() {
  known_.reset();
  actual_.reset();
}

Awaitable<Result<void>> RfSource::apply(RfSetting setting) {
  if (!std::isfinite(setting.frequency_hz) || setting.frequency_hz <= 0 ||
      !std::isfinite(setting.level_dbm)) {
    co_return trouble(ErrorKind::bad_input, "expected a positive frequency and a finite level");
  }
  CO_TRY(co_await begin());
  const std::optional<RfSetting> before = known_;
  RfSetting actual = actual_.value_or(setting);
  const bool frequency = !before || before->frequency_hz != setting.frequency_hz;
  const bool level = !before || before->level_dbm != setting.level_dbm;
  const bool output = !before || before->on != setting.on;

  std::vector<std::string> commands;
  if (output && (!before || !setting.on)) add(commands, "output_off");
  if (frequency) {
    add(commands, "set_frequency", {{"frequency_hz", scpi::write_number(setting.frequency_hz)}});
  }
  if (level) add(commands, "set_level", {{"level_dbm", scpi::write_number(setting.level_dbm)}});
  if (output && setting.on) add(commands, "output_on");
  if (commands.empty()) co_return Result<void>{};

  forget();  // until all is confirmed
  CO_TRY(co_await Instrument::apply(commands));
  const Resolution& resolution = dialect().resolution();
  if (frequency) {
    CO_TRY_ASSIGN(actual.frequency_hz, co_await read_back("get_frequency", setting.frequency_hz,
                                                          resolution.frequency_hz, Unit::hertz));
  }
  if (level) {
    CO_TRY_ASSIGN(actual.level_dbm, co_await read_back("get_level", setting.level_dbm,
                                                       resolution.level_db, Unit::dbm));
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

Awaitable<Result<void>> RfSource::off() {
  forget();  // what is left of the state is not worth the risk of a wrong guess
  const Values none;
  co_return co_await switch_off("output_off", "get_output", none);
}

Awaitable<Result<RfSetting>> RfSource::read() {
  CO_TRY(co_await begin());
  RfSetting out = actual_.value_or(RfSetting{});
  const Values none;
  if (dialect().has("get_frequency")) {
    CO_TRY_ASSIGN(out.frequency_hz, co_await ask_value("get_frequency", none));
  }
  if (dialect().has("get_level")) {
    CO_TRY_ASSIGN(out.level_dbm, co_await ask_value("get_level", none));
  }
  if (dialect().has("get_output")) {
    CO_TRY_ASSIGN(const double on, co_await ask_value("get_output", none));
    out.on = on != 0;
  }
  co_return out;
}

}  // namespace nightbench::instrument
