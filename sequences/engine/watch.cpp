#include "sequences/engine/watch.hpp"

#include <algorithm>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cmath>

#include "sequences/engine/check_pair.hpp"
#include "sequences/engine/drive.hpp"
#include "sequences/engine/ohms.hpp"
#include "sequences/engine/power_gate.hpp"
#include "sequences/engine/probes.hpp"
#include "sequences/engine/supply_steps.hpp"

namespace nightbench::engine {
namespace asio = boost::asio;
using instrument::Role;
using script::ActionKind;

namespace {

constexpr std::size_t kTrendOf = 5;
constexpr double kStepOfSpan = 0.02;

bool limited(const record::Reading& reading) {
  return reading.limit.lower || reading.limit.upper;
}

bool within(const record::Reading& reading) {
  const record::Limit& limit = reading.limit;
  if (!limit.lower && !limit.upper) return true;
  if (!reading.value) return false;
  return (!limit.lower || *reading.value >= *limit.lower) &&
         (!limit.upper || *reading.value <= *limit.upper);
}

Placing placing_of(const script::Action& action, const script::BoardType& type) {
  Placing out;
  out.powered = action.intent.supply_on;
  if (action.kind == ActionKind::check) {
    const script::PairCheck& pair = type.bring_up.pairs.at(action.check);
    out.id = pair.id;
    out.title = pair.title;
    out.points = {pair.between[0], pair.between[1]};
    return out;
  }
  out.role = Role::meter;
  if (action.kind == ActionKind::ohms) {
    const script::ResistanceCheck& check = type.bring_up.resistances.at(action.check);
    out.id = check.id;
    out.title = check.title;
    out.points = {check.between[0], check.between[1]};
  } else {
    const script::TestPoint* point = type.find(action.test_point);
    out.id = action.test_point;
    out.title = point != nullptr ? point->title : action.test_point;
    out.points = {action.test_point};
    if (!type.ground_point.empty()) out.points.push_back(type.ground_point);
  }
  out.fixed_order = true;
  return out;
}

Prompt before_power() {
  Prompt prompt;
  prompt.kind = PromptKind::question;
  prompt.id = "before_power";
  prompt.title = "The checks before power";
  prompt.text =
      "The supply comes on for this value. Were orientation, polarity and the resistances without "
      "power checked since the board was last worked on, and were they good?";
  prompt.answers = {Answer::yes, Answer::no, Answer::stop};
  return prompt;
}

}  // namespace

double Trend::step(const record::Reading& reading) const {
  if (reading.limit.lower && reading.limit.upper) {
    return kStepOfSpan * (*reading.limit.upper - *reading.limit.lower);
  }
  return kStepOfSpan * std::fabs(reading.value.value_or(0));
}

bool Trend::next(const record::Reading& reading) {
  inside_ = within(reading) ? inside_ + 1 : 0;
  const bool appeared = reading.value.has_value() != had_value_;
  had_value_ = reading.value.has_value();
  if (!reading.value) {
    last_.clear();
    ticked_.reset();
    const bool tick = appeared && !first_;
    first_ = false;
    return tick;
  }
  step_ = step(reading);
  last_.push_back(*reading.value);
  if (last_.size() > kTrendOf) last_.pop_front();
  const bool moved = ticked_ && std::fabs(*reading.value - *ticked_) > step_;
  const bool tick = !first_ && (moved || appeared);
  if (!ticked_ || tick) ticked_ = reading.value;
  first_ = false;
  return tick;
}

Heading Trend::heading() const {
  if (last_.size() < 3) return Heading::steady;
  const double middle = 0.5 * static_cast<double>(last_.size() - 1);
  double along = 0;
  double square = 0;
  for (std::size_t k = 0; k < last_.size(); ++k) {
    const double x = static_cast<double>(k) - middle;
    along += x * last_[k];
    square += x * x;
  }
  // Over the values looked at, in steps.
  const double rise = along / square * static_cast<double>(last_.size() - 1);
  if (std::fabs(rise) <= step_) return Heading::steady;
  return rise > 0 ? Heading::rising : Heading::falling;
}

Watch::Watch(const script::Plan& plan, bench::Bench& bench, Operator* person,
             WatchSettings settings)
    : plan_(plan),
      type_(plan.board_type()),
      bench_(bench),
      person_(person),
      settings_(std::move(settings)) {}

void Watch::request_stop() {
  stop_ = true;
  if (waiting_) waiting_->cancel();
  if (person_ != nullptr) person_->withdraw();
}

Awaitable<Result<WatchEnd>> Watch::run(std::function<void(const WatchRound&)> show) {
  Result<WatchEnd> ending = co_await work(std::move(show));
  const std::vector<bench::NotSafe> left = co_await bench_.make_safe();
  if (!left.empty()) {
    co_return fail(
        ErrorKind::unsafe,
        left[0].instrument + " may still be on, switch it off by hand: " + describe(left[0].error));
  }
  if (!ending && stop_ && ending.error().kind == ErrorKind::cancelled) {
    co_return WatchEnd::stopped;
  }
  co_return ending;
}

Awaitable<Result<void>> Watch::power(script::Action action) {
  if (!action.intent.supply_on) co_return co_await bench_.supply()->off();
  PowerGate gate;
  record::Reading checked;
  checked.quantity = "before_power";
  checked.title = "The checks before power";
  checked.decision = record::Decision::no_reading;
  checked.reason = "nobody to ask";
  if (person_ != nullptr) {
    CO_TRY_ASSIGN(const Reply reply, co_await person_->ask(before_power()));
    if (reply.answer == Answer::stop) co_return fail(ErrorKind::cancelled, "stopped before power");
    const bool yes = reply.answer == Answer::yes;
    checked.decision = yes ? record::Decision::pass : record::Decision::fail;
    checked.reason = "";
  }
  gate.note(checked);
  CO_TRY(gate.may_power());
  CO_TRY_ASSIGN(const std::vector<record::Reading> readings,
                co_await power_on(bench_, type_, action.intent));
  for (const record::Reading& reading : readings) {
    if (reading.decision != record::Decision::fail) continue;
    co_return fail(ErrorKind::unsafe, reading.title + " is out of its limits: " + reading.detail);
  }
  co_return Result<void>();
}

Awaitable<Result<void>> Watch::prepare() {
  if (bench_.rf_source() != nullptr) CO_TRY(co_await bench_.rf_source()->off());
  if (bench_.lo_source() != nullptr) CO_TRY(co_await bench_.lo_source()->off());
  if (bench_.supply() != nullptr) CO_TRY(co_await bench_.supply()->off());
  for (std::uint64_t n = 0; n + 1 < plan_.actions(); ++n) {
    const script::Action action = plan_.action(n);
    if (action.kind == ActionKind::power) CO_TRY(co_await power(action));
    if (action.kind != ActionKind::drive) continue;
    CO_TRY_ASSIGN(const TimePoint settled, co_await drive(bench_, type_, action.intent));
    co_await sleep_until(bench_.clock(), settled);
  }
  co_return Result<void>();
}

Awaitable<Result<void>> Watch::place(script::Action action) {
  ProbeKeeper probes(bench_, type_, person_);
  const Placing placing = placing_of(action, type_);
  if (!probes.by_hand(placing.role, placing.points)) co_return Result<void>();
  CO_TRY_ASSIGN(const Placed placed, co_await probes.place(placing, ""));
  if (placed.skipped) co_return fail(ErrorKind::cancelled, "skipped: there is nothing to watch");
  co_return Result<void>();
}

Awaitable<void> Watch::wait_until(TimePoint when) {
  if (stop_ || bench_.clock().now() >= when) co_return;
  waiting_.emplace(bench_.clock().context(), asio::steady_timer::time_point::max());
  const auto alarm = bench_.clock().arm(when, [this] {
    if (waiting_) waiting_->cancel();
  });
  boost::system::error_code woken;
  co_await waiting_->async_wait(asio::redirect_error(asio::use_awaitable, woken));
  waiting_.reset();
}

Awaitable<Result<void>> Watch::look_at_supply(script::Action action) {
  if (!action.intent.supply_on || bench_.supply() == nullptr) co_return Result<void>();
  CO_TRY_ASSIGN(const instrument::SupplyReading seen, co_await bench_.supply()->measure());
  if (!seen.tripped) co_return Result<void>();
  co_return fail(ErrorKind::unsafe, "the supply tripped: everything is switched off");
}

Awaitable<Result<WatchRound>> Watch::measure(script::Action action) {
  WatchRound round;
  if (action.kind == ActionKind::check) {
    const script::PairCheck& pair = type_.bring_up.pairs.at(action.check);
    CO_TRY_ASSIGN(PairSight seen, co_await measure_pair(bench_, type_, pair, action.intent));
    for (const std::string& doubt : seen.doubts) {
      if (!doubt.empty()) round.doubt += (round.doubt.empty() ? "" : ". ") + doubt;
    }
    const std::string wanted =
        pair.id + "." + (settings_.quantity.empty() ? "phase" : settings_.quantity);
    for (record::Reading& reading : seen.readings) {
      if (reading.quantity == wanted) {
        round.shown = std::move(reading);
      } else {
        round.others.push_back(std::move(reading));
      }
    }
    if (round.shown.quantity.empty()) {
      co_return fail(ErrorKind::bad_input, "the pair \"" + pair.id + "\" has no \"" +
                                               settings_.quantity +
                                               "\": phase, balance, level_1, level_2, frequency");
    }
  } else if (action.kind == ActionKind::ohms) {
    const script::ResistanceCheck& check = type_.bring_up.resistances.at(action.check);
    CO_TRY_ASSIGN(OhmsSight seen, co_await measure_ohms(bench_, type_, check));
    if (seen.no_contact) round.doubt = seen.doubt;
    round.shown = std::move(seen.reading);
  } else {
    CO_TRY_ASSIGN(round.shown, co_await measure_volts(bench_, type_, action.test_point));
  }
  co_return round;
}

Awaitable<Result<WatchEnd>> Watch::work(std::function<void(const WatchRound&)> show) {
  const script::Action action = plan_.action(plan_.actions() - 1);
  if (action.kind != ActionKind::check && action.kind != ActionKind::ohms &&
      action.kind != ActionKind::volts) {
    co_return fail(ErrorKind::bad_input, "the script does not end with something to watch");
  }
  CO_TRY(co_await prepare());
  CO_TRY(co_await place(action));
  Clock& clock = bench_.clock();
  const TimePoint began = clock.now();
  Trend trend;
  int all_inside = 0;
  for (std::uint64_t n = 1; !stop_; ++n) {
    const TimePoint due = clock.now() + settings_.every;
    CO_TRY(co_await look_at_supply(action));
    CO_TRY_ASSIGN(WatchRound round, co_await measure(action));
    round.number = n;
    round.elapsed_s = seconds(clock.now() - began);
    round.changed = trend.next(round.shown);
    round.heading = trend.heading();
    bool good = round.shown.value && within(round.shown);
    bool judged = limited(round.shown);
    for (const record::Reading& each : round.others) {
      good = good && within(each);
      judged = judged || limited(each);
    }
    all_inside = good && judged ? all_inside + 1 : 0;
    show(round);
    if (all_inside >= settings_.rounds_inside) co_return WatchEnd::inside;
    co_await wait_until(due);
  }
  co_return WatchEnd::stopped;
}

}  // namespace nightbench::engine
