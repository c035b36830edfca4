#include "sequences/engine/hand_steps.hpp"

#include <algorithm>
#include <cmath>

#include "sequences/engine/check_pair.hpp"
#include "sequences/engine/drawing.hpp"
#include "sequences/engine/judge.hpp"
#include "sequences/engine/ohms.hpp"
#include "sequences/engine/supply_steps.hpp"

namespace nightbench::engine {
using instrument::Role;
using script::ActionKind;

namespace {

constexpr int kMostTries = 3;
constexpr std::uint64_t kLookAhead = 64;
constexpr double kNothing_v = 50e-3;  // a meter that touches nothing shows less

bool missed(const record::Reading& reading) {
  return reading.decision == record::Decision::fail ||
         reading.decision == record::Decision::conditional_fail;
}

record::Reading unread(const std::string& quantity, const std::string& title,
                       const std::string& unit, const std::string& reason,
                       const script::Limits& limits, double frequency_hz) {
  record::Reading out;
  out.quantity = quantity;
  out.title = title;
  out.unit = unit;
  out.reason = reason;
  out.limit = script::limit_at(limits, quantity, frequency_hz);
  out.decision = record::Decision::no_reading;
  return out;
}

std::string span_text(const record::Limit& limit, const std::string& unit) {
  const auto put = [&unit](double value) {
    return format(value, unit == "V" ? Unit::volt : unit == "deg" ? Unit::degree : Unit::db, 4);
  };
  if (limit.lower && limit.upper) return put(*limit.lower) + " to " + put(*limit.upper);
  if (limit.lower) return "at least " + put(*limit.lower);
  return limit.upper ? "at most " + put(*limit.upper) : "";
}

}  // namespace

HandSteps::HandSteps(const script::Plan& plan, bench::Bench& bench, Operator* person,
                     StageTimes& times)
    : plan_(plan),
      type_(plan.board_type()),
      bench_(bench),
      person_(person),
      probes_(bench, plan.board_type(), person),
      outputs_(bench, plan, times) {}

Awaitable<Result<void>> HandSteps::perform(script::Action action, record::Point* point) {
  switch (action.kind) {
    case ActionKind::ask: co_return co_await ask(action, point);
    case ActionKind::ohms: co_return co_await ohms(action, point);
    case ActionKind::check: co_return co_await check(action, point);
    case ActionKind::volts: co_return co_await volts(action, point);
    default: break;
  }
  co_return fail(ErrorKind::internal, "no step for a person");
}

Awaitable<Result<void>> HandSteps::ask(script::Action action, record::Point* point) {
  const auto& step = std::get<script::AskStep>(action.step->what);
  if (person_ == nullptr) {
    co_return fail(ErrorKind::bad_input, "\"" + step.title + "\" is a question, and there is nobody "
                                                             "to answer it");
  }
  Prompt prompt;
  prompt.kind = PromptKind::question;
  prompt.id = step.id;
  prompt.title = step.title;
  prompt.text = step.text;
  prompt.part = step.part;
  prompt.powered = action.intent.supply_on;
  prompt.answers = {Answer::yes, Answer::no, Answer::skip, Answer::stop};
  const auto part = type_.bring_up.parts.find(step.part);
  if (part != type_.bring_up.parts.end()) prompt.drawing = part_drawing(part->second, 1);
  CO_TRY_ASSIGN(const Reply reply, co_await ask_watched(bench_, *person_, std::move(prompt)));
  if (reply.answer == Answer::stop) {
    co_return fail(ErrorKind::cancelled, "stopped at \"" + step.title + "\"");
  }
  record::Reading reading;
  reading.quantity = step.id;
  reading.title = step.title;
  reading.unit = "yes/no";
  reading.limit.lower = 1;
  reading.limit.name = step.id;
  if (reply.answer == Answer::yes || reply.answer == Answer::no) {
    const bool yes = reply.answer == Answer::yes;
    reading.value = yes ? 1 : 0;
    reading.decision = yes ? record::Decision::pass : record::Decision::fail;
  } else {
    reading.decision = record::Decision::no_reading;
    reading.reason = "skipped";
  }
  if (!reply.remark.empty()) {
    reading.detail = reply.remark;
    point->notes.push_back("remark: " + reply.remark);
  }
  if (!action.intent.supply_on) gate_.note(reading);
  point->readings.push_back(std::move(reading));
  co_return Result<void>();
}

void HandSteps::recall(const record::Point& point) {
  for (std::uint64_t n = 0; n < plan_.actions(); ++n) {
    const script::Action action = plan_.action(n);
    if (!action.measures() || action.ordinal < point.ordinal) continue;
    if (action.ordinal > point.ordinal) return;
    const bool counts = action.kind == ActionKind::ask || action.kind == ActionKind::ohms;
    if (!counts || action.intent.supply_on) return;
    for (const record::Reading& reading : point.readings) gate_.note(reading);
    return;
  }
}

// Ohms need a board without power, whatever an earlier user has left on.
Awaitable<Result<void>> HandSteps::quiet() {
  if (quiet_) co_return Result<void>();
  if (bench_.rf_source() != nullptr) CO_TRY(co_await bench_.rf_source()->off());
  if (bench_.lo_source() != nullptr) CO_TRY(co_await bench_.lo_source()->off());
  if (bench_.supply() != nullptr) CO_TRY(co_await bench_.supply()->off());
  quiet_ = true;
  co_return Result<void>();
}

Awaitable<Result<bool>> HandSteps::verified(Placing placing, bool verify, const Measure* measure,
                                            record::Point* point) {
  const bool by_hand = probes_.by_hand(placing.role, placing.points);
  std::string doubt;
  bool missed_before = false;
  for (int attempt = 1;; ++attempt) {
    Placed placed;
    if (by_hand) {
      CO_TRY_ASSIGN(placed, co_await probes_.place(placing, doubt));
      for (const std::string& remark : placed.remarks) point->notes.push_back("remark: " + remark);
      if (placed.skipped) co_return false;
    }
    // Probes that stayed where they were verified need no look of their own.
    if (!verify && placed.moves == 0) co_return true;
    CO_TRY_ASSIGN(Measured seen, co_await (*measure)());
    const bool keep = seen.finding == Finding::good || !by_hand || attempt == kMostTries ||
                      (seen.finding == Finding::off_limits && missed_before);
    if (!keep) {
      point->notes.push_back("asked again: " + seen.doubt);
      missed_before = seen.finding == Finding::off_limits;
      doubt = seen.doubt;
      continue;
    }
    if (seen.finding != Finding::good && attempt > 1) {
      point->notes.push_back("found again with the probes placed anew, so it is kept");
    }
    point->attempts = std::max(point->attempts, attempt);
    for (std::string& note : seen.notes) point->notes.push_back(std::move(note));
    for (record::Reading& reading : seen.readings) point->readings.push_back(std::move(reading));
    co_return true;
  }
}

Awaitable<Result<void>> HandSteps::ohms(script::Action action, record::Point* point) {
  CO_TRY(co_await quiet());
  const script::ResistanceCheck& check = type_.bring_up.resistances.at(action.check);
  Placing placing;
  placing.role = Role::meter;
  placing.id = check.id;
  placing.title = check.title;
  placing.points = {check.between[0], check.between[1]};
  placing.fixed_order =
      check.between[0] == type_.ground_point || check.between[1] == type_.ground_point;
  placing.later = points_after(action, Role::meter);
  const Measure measure = [this, &check] { return see_ohms(&check); };
  CO_TRY_ASSIGN(const bool done, co_await verified(placing, true, &measure, point));
  if (!done) {
    point->readings.push_back(unread(check.id, check.title, "ohm", "skipped", type_.limits, 0));
  }
  for (const record::Reading& reading : point->readings) gate_.note(reading);
  co_return Result<void>();
}

Awaitable<Result<HandSteps::Measured>> HandSteps::see_ohms(const script::ResistanceCheck* check) {
  CO_TRY_ASSIGN(OhmsSight seen, co_await measure_ohms(bench_, type_, *check));
  Measured out;
  out.doubt = seen.doubt;
  if (seen.no_contact) out.finding = Finding::no_contact;
  else if (missed(seen.reading)) out.finding = Finding::off_limits;
  out.readings.push_back(std::move(seen.reading));
  co_return out;
}

Awaitable<Result<void>> HandSteps::check(script::Action action, record::Point* point) {
  const script::PairCheck& pair = type_.bring_up.pairs.at(action.check);
  Placing placing;
  placing.role = Role::scope;
  placing.id = pair.id;
  placing.title = pair.title;
  placing.points = {pair.between[0], pair.between[1]};
  placing.later = points_after(action, Role::scope);
  placing.powered = action.intent.supply_on;
  const script::Intent intent = action.intent;
  const Measure measure = [this, &pair, intent] { return see_pair(&pair, intent); };
  CO_TRY_ASSIGN(const bool done, co_await verified(placing, true, &measure, point));
  if (!done) {
    point->readings = unread_pair(pair, type_.limits, {reading::Reason::not_measured, "skipped"});
    for (record::Reading& reading : point->readings) reading.reason = "skipped";
  }
  co_return Result<void>();
}

Awaitable<Result<HandSteps::Measured>> HandSteps::see_pair(const script::PairCheck* check,
                                                           script::Intent intent) {
  CO_TRY_ASSIGN(PairSight seen, co_await measure_pair(bench_, type_, *check, intent));
  Measured out;
  out.notes = std::move(seen.notes);
  for (const std::string& doubt : seen.doubts) {
    if (doubt.empty()) continue;
    out.finding = Finding::no_contact;
    out.doubt += (out.doubt.empty() ? "" : ". ") + doubt;
  }
  if (out.finding == Finding::good) {
    for (const record::Reading& reading : seen.readings) {
      if (!missed(reading)) continue;
      out.finding = Finding::off_limits;
      out.doubt = reading.title + " is " + format(*reading.value, Unit::one, 4) + " " +
                  reading.unit + ", expected " + span_text(reading.limit, reading.unit);
      const bool turned = reading.unit == "deg" && reading.limit.lower && reading.limit.upper;
      const double middle = turned ? 0.5 * (*reading.limit.lower + *reading.limit.upper) : 0;
      out.doubt += turned && std::fabs(std::remainder(*reading.value + middle, 360)) < 30
                       ? ": are the two probes swapped?"
                       : ": is each probe on its pin?";
      break;
    }
  }
  out.readings = std::move(seen.readings);
  co_return out;
}

Awaitable<Result<void>> HandSteps::volts(script::Action action, record::Point* point) {
  Placing placing;
  placing.role = Role::meter;
  placing.id = action.test_point;
  const script::TestPoint* place = type_.find(action.test_point);
  placing.title = place != nullptr ? place->title : action.test_point;
  placing.points = {action.test_point};
  if (!type_.ground_point.empty()) placing.points.push_back(type_.ground_point);
  placing.fixed_order = true;
  placing.later = points_after(action, Role::meter);
  placing.powered = action.intent.supply_on;
  const std::string test_point = action.test_point;
  const Measure measure = [this, test_point] { return see_volts(test_point); };
  CO_TRY_ASSIGN(const bool done, co_await verified(placing, true, &measure, point));
  if (!done) {
    point->readings.push_back(
        unread(action.test_point, placing.title, "V", "skipped", type_.limits, 0));
  }
  co_return Result<void>();
}

Awaitable<Result<HandSteps::Measured>> HandSteps::see_volts(std::string test_point) {
  CO_TRY_ASSIGN(record::Reading reading, co_await measure_volts(bench_, type_, test_point));
  Measured out;
  if (missed(reading) || !reading.value) {
    const bool nothing = !reading.value || std::fabs(*reading.value) < kNothing_v;
    out.finding = nothing ? Finding::no_contact : Finding::off_limits;
    out.doubt = doubt_of_volts(reading);
  }
  out.readings.push_back(std::move(reading));
  co_return out;
}

std::string HandSteps::doubt_of_volts(const record::Reading& reading) const {
  if (!reading.value || std::fabs(*reading.value) < kNothing_v) {
    return "the meter reads nothing: press the red tip on the pin and look at the black one";
  }
  const std::string start = "the meter reads " + format(*reading.value, Unit::volt, 4);
  if (*reading.value < 0) return start + ": are the tips swapped?";
  for (const auto& [id, point] : type_.test_points) {
    const record::Limit limit = script::limit_at(type_.limits, id, 0);
    if (id == reading.quantity || !limit.lower || !limit.upper) continue;
    if (*reading.value >= *limit.lower && *reading.value <= *limit.upper) {
      return start + ", as it should at " + place_text(point) + ": is the tip on the right pin?";
    }
  }
  return start + ", expected " + span_text(reading.limit, "V") + ": is the tip on the right pin?";
}

bool HandSteps::outputs_need_a_hand(const script::Action& action) const {
  return probes_.by_hand(Role::scope, points_of(action, Role::scope));
}

Awaitable<Result<bool>> HandSteps::bring_outputs(script::Action action, record::Point* point) {
  Placing placing;
  placing.role = Role::scope;
  placing.points = points_of(action, Role::scope);
  if (!probes_.by_hand(Role::scope, placing.points)) co_return true;
  placing.id = "outputs";
  placing.title = action.step->label;
  placing.later = points_after(action, Role::scope);
  placing.powered = action.intent.supply_on;
  const Measure measure = [this, action] { return see_outputs(action); };
  CO_TRY_ASSIGN(const bool done, co_await verified(placing, false, &measure, point));
  if (!done) {
    for (const char* quantity :
         {"if_error", "conversion_gain", "gain_balance", "phase_error", "image_rejection"}) {
      const script::Limits& limits = script::limits_for(type_, action.intent);
      const auto limit = limits.find(quantity);
      if (limit == limits.end()) continue;
      point->readings.push_back(unread(quantity, quantity, limit->second.unit, "skipped", limits,
                                       action.intent.rf_hz));
    }
  }
  co_return done;
}

// Only a look at whether the probes are where they should be: no readings come of it.
Awaitable<Result<HandSteps::Measured>> HandSteps::see_outputs(script::Action action) {
  CO_TRY_ASSIGN(const std::shared_ptr<const PairCapture> capture, co_await outputs_.capture(action));
  const PairAnalysis seen = PairMeter::analyse(*capture, script::limits_for(type_, action.intent),
                                               action.intent.rf_hz);
  Measured out;
  const double offset_hz = action.intent.signed_if_hz();
  for (const record::Reading& reading : seen.readings) {
    if (reading.quantity == "conversion_gain" && !reading.value) {
      out.finding = Finding::no_contact;
      out.doubt = "the outputs do not show the IF (" + reading.detail + ")";
      co_return out;
    }
    if (reading.quantity == "if_frequency" && reading.value && *reading.value * offset_hz < 0) {
      out.finding = Finding::off_limits;
      out.doubt = "I and Q turn the wrong way: are the two probes swapped?";
      co_return out;
    }
    const bool telling =
        reading.quantity == "conversion_gain" || reading.quantity == "gain_balance";
    if (telling && missed(reading)) {
      out.finding = Finding::off_limits;
      out.doubt = reading.title + " is " + format(*reading.value, Unit::db, 3) + ", expected " +
                  span_text(reading.limit, "dB") + ": is each probe on its pin?";
    }
  }
  co_return out;
}

std::vector<std::string> HandSteps::points_of(const script::Action& action, Role role) const {
  if (role == Role::scope) {
    if (action.kind == ActionKind::check) {
      const auto& between = type_.bring_up.pairs.at(action.check).between;
      return {between.begin(), between.end()};
    }
    if (action.kind != ActionKind::pair) return {};
    const auto& step = std::get<script::PairStep>(action.step->what);
    return {step.first.empty() ? type_.i_point : step.first,
            step.second.empty() ? type_.q_point : step.second};
  }
  if (action.kind == ActionKind::volts) return {action.test_point, type_.ground_point};
  if (action.kind != ActionKind::ohms) return {};
  const auto& between = type_.bring_up.resistances.at(action.check).between;
  return {between.begin(), between.end()};
}

std::vector<std::string> HandSteps::points_after(const script::Action& action, Role role) const {
  std::vector<std::string> out;
  const std::uint64_t end = std::min(plan_.actions(), action.index + 1 + kLookAhead);
  for (std::uint64_t n = action.index + 1; n < end; ++n) {
    for (std::string& point : points_of(plan_.action(n), role)) out.push_back(std::move(point));
  }
  return out;
}

}  // namespace nightbench::engine
