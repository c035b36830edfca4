#include "drivers/instrument/instrument.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "drivers/instrument/identity_pattern.hpp"

namespace nightbench::instrument {

Instrument::Instrument(std::unique_ptr<scpi::Session> session, Dialect dialect, RoleOptions options)
    : options_(std::move(options)), session_(std::move(session)), dialect_(std::move(dialect)) {}

std::unexpected<Error> Instrument::trouble(ErrorKind kind, std::string message,
                                           std::string command) {
  if (kind == ErrorKind::bad_data) session_->distrust();
  Error error;
  error.kind = kind;
  error.message = std::move(message);
  error.command = std::move(command);
  error.instrument = name();
  return fail(std::move(error));
}

Awaitable<Result<void>> Instrument::open() {
  generation_ = 0;
  forget();
  CO_TRY(co_await session_->open());
  const std::string& found = session_->identity().text;
  std::vector<std::string> patterns;
  patterns.push_back(options_.identity);
  patterns.push_back(dialect_.identity_pattern());
  for (const std::string& pattern : patterns) {
    if (!pattern.empty() && !identity_matches(found, pattern)) {
      co_return trouble(ErrorKind::bad_input,
                        "expected an identity like '" + pattern + "', found '" + found + "'",
                        "*IDN?");
    }
  }
  co_return co_await begin();
}

Awaitable<Result<void>> Instrument::make_safe() {
  co_return Result<void>{};
}

Awaitable<Result<void>> Instrument::begin() {
  const Result<void> ready = co_await session_->prepare();
  const int generation = session_->generation();
  if (generation == generation_) co_return ready;
  forget();
  if (!ready) co_return ready;
  std::vector<std::string> setup;
  add(setup, "setup");
  CO_TRY(co_await apply(setup));
  generation_ = generation;
  co_return Result<void>{};
}

void Instrument::add_select(std::vector<std::string>& out) const {
  if (!options_.channel || !dialect_.has("select")) return;
  const std::string channel = std::to_string(*options_.channel);
  for (std::string& text : dialect_.say("select", {{"channel", channel}})) {
    out.push_back(std::move(text));
  }
}

void Instrument::add(std::vector<std::string>& out, std::string_view operation,
                     const Values& values) const {
  if (out.empty()) add_select(out);
  for (std::string& text : dialect_.say(operation, values)) out.push_back(std::move(text));
}

Awaitable<Result<void>> Instrument::apply(std::vector<std::string> commands) {
  if (commands.empty()) co_return Result<void>{};
  const bool complete = dialect_.confirm() == Confirm::complete;
  const Result<void> applied = co_await session_->apply(std::move(commands), complete);
  obeyed_ = session_->clock().now();
  co_return applied;
}

Awaitable<Result<std::vector<std::string>>> Instrument::ask(std::string operation, Values values) {
  std::vector<std::string> select;
  add_select(select);
  if (!select.empty()) CO_TRY(co_await session_->commands(select));
  std::vector<std::string> texts = dialect_.say(operation, values);
  co_return co_await session_->queries(std::move(texts));
}

Awaitable<Result<double>> Instrument::ask_value(std::string operation, Values values) {
  const Result<std::vector<std::string>> answers = co_await ask(operation, values);
  if (!answers) co_return fail(answers.error());
  if (answers->empty()) {
    co_return trouble(ErrorKind::internal, "the dialect has no '" + operation + "'");
  }
  const Result<double> value = scpi::read_value(answers->front());
  if (!value) {
    co_return trouble(ErrorKind::bad_data, value.error().message,
                      dialect_.say(operation, values).front());
  }
  co_return *value;
}

Awaitable<Result<double>> Instrument::read_back(std::string operation, double wanted,
                                                double resolution, Unit unit) {
  if (dialect_.confirm() != Confirm::read_back || !dialect_.has(operation)) co_return wanted;
  const Result<std::vector<std::string>> answers = co_await ask(operation);
  if (!answers) co_return fail(answers.error());
  // Without an error queue this answer is the first sign that the command was carried out.
  if (!session_->options().has_error_queue) obeyed_ = session_->clock().now();
  const std::vector<std::string> texts = dialect_.say(operation);
  double first = wanted;
  for (std::size_t i = 0; i < answers->size(); ++i) {
    const Result<double> value = scpi::read_value((*answers)[i]);
    if (!value) co_return trouble(ErrorKind::bad_data, value.error().message, texts[i]);
    double difference = std::fabs(*value - wanted);
    if (unit == Unit::degree) difference = std::fabs(std::remainder(*value - wanted, 360.0));
    // Half a unit in the twelfth digit pays for the instrument's decimal text.
    if (difference > resolution + 1e-12 * std::fabs(wanted)) {
      co_return trouble(
          ErrorKind::device,
          "set to " + format(wanted, unit, 9) + ", but reads back " + format(*value, unit, 9),
          texts[i]);
    }
    if (i == 0) first = *value;
  }
  co_return first;
}

Awaitable<Result<void>> Instrument::compare_state(std::string operation, Values values,
                                                  bool wanted) {
  const Result<std::vector<std::string>> answers = co_await ask(operation, values);
  if (!answers) co_return fail(answers.error());
  const std::vector<std::string> texts = dialect_.say(operation, values);
  for (std::size_t i = 0; i < answers->size(); ++i) {
    for (const std::string& item : scpi::split((*answers)[i], ',')) {
      const Result<bool> state = scpi::read_boolean(item);
      if (!state) co_return trouble(ErrorKind::bad_data, state.error().message, texts[i]);
      if (*state != wanted) {
        co_return trouble(ErrorKind::device,
                          std::string("expected ") + (wanted ? "1" : "0") + ", reads back '" +
                              scpi::shown((*answers)[i]) + "'",
                          texts[i]);
      }
    }
  }
  co_return Result<void>{};
}

Awaitable<Result<void>> Instrument::read_back_state(std::string operation, Values values,
                                                    bool wanted) {
  if (dialect_.confirm() != Confirm::read_back || !dialect_.has(operation)) {
    co_return Result<void>{};
  }
  co_return co_await compare_state(std::move(operation), std::move(values), wanted);
}

Awaitable<Result<void>> Instrument::switch_off(std::string operation, std::string state,
                                               Values state_values) {
  std::vector<std::string> commands;
  add(commands, operation);
  Result<void> applied = co_await apply(commands);
  const auto arrived = [&applied] {
    return applied || applied.error().kind == ErrorKind::device ||
           applied.error().kind == ErrorKind::cancelled;
  };
  // It may not have been heard: saying it twice harms nothing.
  if (!arrived()) applied = co_await apply(commands);
  if (!dialect_.has(state)) co_return applied;
  // A device error may be an older command's: what the output says counts.
  if (!applied && applied.error().kind != ErrorKind::device) co_return applied;
  co_return co_await compare_state(std::move(state), std::move(state_values), false);
}

}  // namespace nightbench::instrument
