#include "drivers/instrument/scope.hpp"

#include <algorithm>
#include <cmath>
#include <set>

namespace nightbench::instrument {
namespace {

std::unexpected<Error> refused_setup(const std::string& message) {
  return fail(ErrorKind::bad_input, message);
}

Result<void> check_setup(const ScopeSetup& setup, const ScopeTraits& traits) {
  if (setup.channels.empty()) return refused_setup("expected at least one channel");
  std::set<int> seen;
  for (const ChannelSetup& each : setup.channels) {
    if (each.channel < 1 || !seen.insert(each.channel).second) {
      return refused_setup("expected channels from 1, each once");
    }
    if (!std::isfinite(each.full_scale_v) || each.full_scale_v <= 0 ||
        !std::isfinite(each.offset_v)) {
      return refused_setup("expected a positive full scale and a finite offset");
    }
  }
  if (!std::isfinite(setup.sample_rate_hz) || setup.sample_rate_hz <= 0) {
    return refused_setup("expected a positive sample rate");
  }
  if (setup.points < 1 || setup.points > traits.points_most) {
    return refused_setup("expected 1 to " + std::to_string(traits.points_most) + " points");
  }
  if (setup.averages < 1) return refused_setup("expected at least one acquisition to average");
  return {};
}

Values of_channel(int channel) {
  return {{"channel", std::to_string(channel)}};
}

const ChannelSetup* find_channel(const std::vector<ChannelSetup>& channels, int channel) {
  const auto found =
      std::find_if(channels.begin(), channels.end(),
                   [channel](const ChannelSetup& each) { return each.channel == channel; });
  return found == channels.end() ? nullptr : &*found;
}

}  // namespace

Duration ScopeActual::acquisition_time() const {
  if (!(sample_rate_hz > 0)) return Duration{};
  return from_seconds(static_cast<double>(points) / sample_rate_hz * averages);
}

void Scope::forget() {
  known_.reset();
  actual_.reset();
}

// What has to be said to get from the known state to `setup`, in an order that every instrument can
// follow: channels first, because they share the memory; then points; then the rate.
std::vector<std::string> Scope::changes(const ScopeSetup& setup) const {
  std::vector<std::string> out;
  const ScopeTraits& traits = dialect().scope();
  bool channels_changed = !known_;
  for (int channel = 1; channel <= traits.channels; ++channel) {
    const bool was = !known_ || find_channel(known_->channels, channel) != nullptr;
    if (was && find_channel(setup.channels, channel) == nullptr) {
      add(out, "channel_off", of_channel(channel));
      channels_changed = true;
    }
  }
  for (const ChannelSetup& each : setup.channels) {
    const ChannelSetup* before = known_ ? find_channel(known_->channels, each.channel) : nullptr;
    Values values = of_channel(each.channel);
    if (before == nullptr) {
      add(out, "channel_on", values);
      channels_changed = true;
    }
    if (before == nullptr || before->dc_coupled != each.dc_coupled) {
      add(out, each.dc_coupled ? "set_coupling_dc" : "set_coupling_ac", values);
    }
    values["full_scale_v"] = scpi::write_number(each.full_scale_v);
    values["scale_v"] = scpi::write_number(each.full_scale_v / traits.divisions);
    values["offset_v"] = scpi::write_number(each.offset_v);
    const bool range = before == nullptr || before->full_scale_v != each.full_scale_v;
    if (range) add(out, "set_full_scale", values);
    // The range often limits or rounds the offset.
    if (range || before->offset_v != each.offset_v) add(out, "set_offset", values);
  }
  if (channels_changed || known_->points != setup.points ||
      known_->sample_rate_hz != setup.sample_rate_hz) {
    const double range_s = static_cast<double>(setup.points) / setup.sample_rate_hz;
    add(out, "set_points", {{"points", std::to_string(setup.points)}});
    add(out, "set_sample_rate", {{"sample_rate_hz", scpi::write_number(setup.sample_rate_hz)}});
    add(out, "set_interval", {{"interval_s", scpi::write_number(1 / setup.sample_rate_hz)}});
    add(out, "set_time_range", {{"time_range_s", scpi::write_number(range_s)}});
  }
  if (!known_ || known_->averages != setup.averages) {
    if (setup.averages > 1) {
      add(out, "set_averages", {{"averages", std::to_string(setup.averages)}});
    } else {
      add(out, "set_averages_off");
    }
  }
  if (!known_ || known_->edge_trigger != setup.edge_trigger ||
      known_->trigger_channel != setup.trigger_channel ||
      known_->trigger_level_v != setup.trigger_level_v) {
    if (setup.edge_trigger) {
      add(out, "trigger_edge",
          {{"channel", std::to_string(setup.trigger_channel)},
           {"level_v", scpi::write_number(setup.trigger_level_v)}});
    } else {
      add(out, "trigger_free");
    }
  }
  return out;
}

Awaitable<Result<ScopeActual>> Scope::apply(ScopeSetup setup) {
  const Result<void> sensible = check_setup(setup, dialect().scope());
  if (!sensible) co_return trouble(ErrorKind::bad_input, sensible.error().message);
  if (setup.averages > 1 && !dialect().has("set_averages")) {
    co_return trouble(ErrorKind::bad_input, "the dialect has no 'set_averages'");
  }
  if (setup.edge_trigger && !dialect().has("trigger_edge")) {
    co_return trouble(ErrorKind::bad_input, "the dialect has no 'trigger_edge'");
  }
  CO_TRY(co_await begin());
  if (known_ && *known_ == setup && actual_) co_return *actual_;
  const std::vector<std::string> commands = changes(setup);
  forget();  // until all is confirmed
  CO_TRY(co_await Instrument::apply(commands));
  CO_TRY_ASSIGN(ScopeActual actual, co_await read_actual(setup));
  known_ = std::move(setup);
  actual_ = actual;
  co_return actual;
}

Awaitable<Result<ScopeActual>> Scope::read_actual(ScopeSetup setup) {
  ScopeActual out;
  out.channels = setup.channels;
  out.averages = setup.averages;
  const char* rate = "get_time_range";
  if (dialect().has("get_interval")) rate = "get_interval";
  if (dialect().has("get_sample_rate")) rate = "get_sample_rate";

  // All questions in one go: instruments that chain answer in one turn.
  std::vector<std::string> texts = dialect().say("get_points");
  for (std::string& text : dialect().say(rate)) texts.push_back(std::move(text));
  for (const ChannelSetup& each : setup.channels) {
    for (const char* operation : {"get_full_scale", "get_offset"}) {
      for (std::string& text : dialect().say(operation, of_channel(each.channel))) {
        texts.push_back(std::move(text));
      }
    }
  }
  const bool has_offset = dialect().has("get_offset");
  const std::size_t each_channel = has_offset ? 2 : 1;
  if (texts.size() != 2 + each_channel * setup.channels.size()) {
    co_return trouble(ErrorKind::bad_input, "the dialect asks settings back with several queries");
  }
  CO_TRY_ASSIGN(const std::vector<std::string> answers, co_await session().queries(texts));

  std::vector<double> values;
  for (std::size_t i = 0; i < answers.size(); ++i) {
    const Result<double> value = scpi::read_value(answers[i]);
    const bool is_offset = i >= 2 && has_offset && (i - 2) % 2 == 1;
    const bool good = value && (is_offset || *value > 0);
    if (!good) {
      co_return trouble(ErrorKind::bad_data,
                        std::string("expected a ") + (is_offset ? "" : "positive ") +
                            "number, found '" + scpi::shown(answers[i]) + "'",
                        texts[i]);
    }
    values.push_back(*value);
  }
  if (values[0] != std::floor(values[0]) ||
      values[0] > static_cast<double>(dialect().scope().points_most)) {
    co_return trouble(ErrorKind::bad_data,
                      "expected a number of points, found '" + scpi::shown(answers[0]) + "'",
                      texts[0]);
  }
  out.points = static_cast<std::size_t>(values[0]);
  const std::string asked = rate;
  out.sample_rate_hz = values[1];
  if (asked == "get_interval") out.sample_rate_hz = 1 / values[1];
  if (asked == "get_time_range") out.sample_rate_hz = values[0] / values[1];
  for (std::size_t i = 0; i < out.channels.size(); ++i) {
    const std::size_t at = 2 + i * each_channel;
    out.channels[i].full_scale_v = values[at] * dialect().scope().divisions;
    if (has_offset) out.channels[i].offset_v = values[at + 1];
  }
  co_return out;
}

// ---- acquisition ----

Awaitable<Result<void>> Scope::arm() {
  const bool was_set = actual_.has_value();
  CO_TRY(co_await begin());
  if (!actual_) {
    if (was_set) {
      co_return trouble(ErrorKind::refused, "the scope was connected anew: set it up again");
    }
    co_return trouble(ErrorKind::bad_input, "the scope was armed before it was set up");
  }
  std::vector<std::string> commands;
  add(commands, "arm");
  co_return co_await session().commands(commands);
}

Awaitable<Result<void>> Scope::complete() {
  if (!actual_) co_return trouble(ErrorKind::bad_input, "the scope was not armed");
  // An average waits for as many triggers, and the scope rearms in between.
  constexpr Duration kRearm = std::chrono::milliseconds(100);
  const Duration most = actual_->acquisition_time() + session().options().timeout +
                        (actual_->averages > 1 ? kRearm * actual_->averages : Duration{});
  if (dialect().scope().poll) {
    CO_TRY(co_await poll_complete(session().clock().now() + most));
  } else {
    CO_TRY(co_await session().wait_complete(most));
  }
  co_return co_await session().check();
}

Awaitable<Result<void>> Scope::poll_complete(TimePoint deadline) {
  const std::vector<std::string> texts = dialect().say("is_complete");
  for (;;) {
    CO_TRY_ASSIGN(const std::string answer, co_await session().query(texts.front()));
    if (scpi::trimmed(answer) == dialect().scope().done) co_return Result<void>{};
    if (session().clock().now() >= deadline) {
      std::vector<std::string> stop;
      add(stop, "stop");
      // The caller gets the time-out either way; whether the stop was liked shows at the next
      // check.
      if (!stop.empty()) CO_TRY(co_await session().commands(stop));
      co_return trouble(
          ErrorKind::timeout,
          "the acquisition did not end in time; the last answer was '" + scpi::shown(answer) + "'",
          texts.front());
    }
    co_await sleep_for(session().clock(), dialect().scope().poll_every);
  }
}

Awaitable<Result<Capture>> Scope::fetch(std::vector<int> channels) {
  if (!actual_) co_return trouble(ErrorKind::bad_input, "the scope was not set up");
  Capture out;
  for (const int channel : channels) {
    const ChannelSetup* setup = find_channel(actual_->channels, channel);
    if (setup == nullptr) {
      co_return trouble(ErrorKind::bad_input,
                        "channel " + std::to_string(channel) + " was not set up");
    }
    const ChannelSetup wanted = *setup;
    CO_TRY_ASSIGN(ChannelCapture capture, co_await fetch_channel(wanted));
    out.channels.push_back(std::move(capture));
  }
  // A selection that the instrument refused would have sent another channel's samples.
  CO_TRY(co_await session().check());
  co_return out;
}

Awaitable<Result<ChannelCapture>> Scope::fetch_channel(ChannelSetup channel) {
  Values values = of_channel(channel.channel);
  const std::string text = dialect().say("get_data", values).front();
  std::vector<std::string> select;
  Values select_values = values;
  select_values["points"] = std::to_string(actual_->points);
  add(select, "select_source", select_values);
  if (!select.empty()) CO_TRY(co_await session().commands(select));
  CO_TRY_ASSIGN(const Preamble preamble, co_await read_preamble(channel.channel));
  const std::size_t bytes = preamble.points * bytes_per_sample(preamble.format);
  CO_TRY_ASSIGN(std::string data, co_await session().query_block(text, bytes));
  Result<ChannelCapture> out = decode_samples(std::move(data), preamble, dialect().scope().bits,
                                              channel.full_scale_v, channel.offset_v);
  if (!out) co_return trouble(ErrorKind::bad_data, out.error().message, text);
  out->channel = channel.channel;
  co_return out;
}

Awaitable<Result<Preamble>> Scope::read_preamble(int channel) {
  const ScopeTraits& traits = dialect().scope();
  if (traits.family == ScopeFamily::trace) {
    Preamble out;
    out.format = traits.format;
    out.big_endian = traits.big_endian;
    out.points = actual_->points;
    out.dt_s = 1 / actual_->sample_rate_hz;
    co_return out;
  }
  const Values values = of_channel(channel);
  const std::vector<std::string> texts = dialect().say("get_preamble", values);
  CO_TRY_ASSIGN(const std::vector<std::string> answers, co_await session().queries(texts));
  const Result<Preamble> preamble = traits.family == ScopeFamily::curve
                                        ? curve_preamble(answers, traits)
                                        : waveform_preamble(answers.front(), traits);
  if (!preamble) co_return trouble(ErrorKind::bad_data, preamble.error().message, texts.front());
  co_return *preamble;
}

Awaitable<Result<Capture>> Scope::acquire() {
  CO_TRY(co_await arm());
  CO_TRY(co_await complete());
  co_return co_await collect();
}

Awaitable<Result<Capture>> Scope::collect() {
  if (!actual_) co_return trouble(ErrorKind::bad_input, "the scope was not set up");
  std::vector<int> channels;
  for (const ChannelSetup& each : actual_->channels) channels.push_back(each.channel);
  if (dialect().scope().family != ScopeFamily::trace || !known_) {
    co_return co_await fetch(std::move(channels));
  }
  // Volts alone do not tell what was recorded: settings lost since they were read back would go
  // unnoticed.
  CO_TRY_ASSIGN(Capture capture, co_await fetch(std::move(channels)));
  const ScopeActual before = *actual_;
  const ScopeSetup setup = *known_;
  CO_TRY_ASSIGN(const ScopeActual now, co_await read_actual(setup));
  if (now.sample_rate_hz != before.sample_rate_hz || now.points != before.points ||
      now.channels != before.channels) {
    forget();
    co_return trouble(ErrorKind::bad_data, "the scope no longer stands as it was set");
  }
  co_return capture;
}

}  // namespace nightbench::instrument
