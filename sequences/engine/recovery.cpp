#include "sequences/engine/recovery.hpp"

#include <algorithm>

#include "sequences/engine/intended_state.hpp"

namespace nightbench::engine {
using instrument::Role;

namespace {

constexpr Duration kFirstWait = std::chrono::milliseconds(200);
constexpr Duration kLongestWait = std::chrono::seconds(10);

Duration back_off(int attempt) {
  Duration wait = kFirstWait;
  for (int n = 1; n < attempt && wait < kLongestWait; ++n) wait *= 2;
  return std::min(wait, kLongestWait);
}

bool ends_the_board(const Error& error) {
  switch (error.kind) {
    case ErrorKind::timeout:
    case ErrorKind::refused:
    case ErrorKind::device:
    case ErrorKind::bad_data:
      return false;
    // Another instrument answers where ours was: wait for ours, do not drive a stranger.
    case ErrorKind::bad_input:
      return error.command != "*IDN?";
    default:
      return true;
  }
}

}  // namespace

std::vector<Role> roles_of(const script::Action& action) {
  switch (action.kind) {
    case script::ActionKind::power:
      return {Role::supply};
    case script::ActionKind::drive:
      return {Role::lo_source, Role::rf_source};
    case script::ActionKind::pair:
    case script::ActionKind::check:
    case script::ActionKind::match:
      return {Role::lo_source, Role::rf_source, Role::scope};
    case script::ActionKind::volts:
      return {Role::meter, Role::relays};
    case script::ActionKind::ohms:
      return {Role::meter};
    case script::ActionKind::wait:
    case script::ActionKind::ask:
      break;
  }
  return {};
}

Recovery::Recovery(bench::Bench& bench, const script::BoardType& type, Establish establish, Say say,
                   Wait wait)
    : bench_(bench),
      type_(type),
      settings_(bench.file().trouble),
      establish_(std::move(establish)),
      say_(std::move(say)),
      wait_(std::move(wait)) {}

instrument::Instrument* Recovery::find(const std::string& name) {
  for (instrument::Instrument* each : bench_.all()) {
    if (each->name() == name) return each;
  }
  return nullptr;
}

Treatment Recovery::treat(const Error& error, int attempt) const {
  if (ends_the_board(error)) return Treatment::stop;
  return attempt >= settings_.tries ? Treatment::give_up : Treatment::again;
}

std::optional<Error> Recovery::lost(const std::vector<Role>& roles) const {
  for (const Role role : roles) {
    const bench::InstrumentEntry* entry = bench_.file().with_role(role);
    if (entry == nullptr) continue;
    const auto found = away_.find(entry->name);
    if (found == away_.end() || !found->second.lost) continue;
    if (bench_.clock().now() < found->second.look_at) return found->second.last;
  }
  return std::nullopt;
}

void Recovery::went_well(const std::vector<Role>& roles) {
  for (const Role role : roles) {
    if (const bench::InstrumentEntry* entry = bench_.file().with_role(role)) {
      away_.erase(entry->name);
    }
  }
}

std::unexpected<Error> Recovery::given_up(instrument::Instrument& one, Error last,
                                          script::Intent intent) {
  if (&one == bench_.supply() && intent.supply_on) {
    Error error = last;
    error.kind = ErrorKind::unsafe;
    error.message = "the supply is out of reach while the board is under power: " + last.message;
    return fail(std::move(error));
  }
  const TimePoint now = bench_.clock().now();
  Away& away = away_[one.name()];
  away.last = last;
  if (now - away.since >= settings_.give_up_after) {
    away.lost = true;
    away.look_at = now + settings_.look_again;
  }
  return fail(std::move(last));
}

// Connects until it answers as the instrument that it was, for as long as patience allows.
Awaitable<Result<void>> Recovery::bring_back(instrument::Instrument* one, script::Intent intent) {
  const TimePoint now = bench_.clock().now();
  const auto [entry, fresh] = away_.try_emplace(one->name(), Away{now, now, Error{}, false});
  // One that has been lost gets one look, not the patience of the first time.
  const TimePoint until = entry->second.lost ? now : now + settings_.patience;
  for (int attempt = 1;; ++attempt) {
    one->session().close();
    const Result<void> opened = co_await one->open();
    if (opened) co_return Result<void>();
    const TimePoint next = bench_.clock().now() + back_off(attempt);
    if (ends_the_board(opened.error()) || next > until) {
      co_return given_up(*one, opened.error(), intent);
    }
    CO_TRY(co_await wait_(next));
  }
}

Awaitable<Result<TimePoint>> Recovery::stand_up(script::Intent intent) {
  bool switched_on = false;
  const Result<TimePoint> settled = co_await establish_(bench_, type_, intent, &switched_on);
  if (switched_on) {
    ++restored_supply_;
    CO_TRY(say_(record::Severity::warning, "supply-restored",
                "the supply did not deliver any more and was switched on again"));
    if (restored_supply_ > settings_.supply_restores_most) {
      co_return fail(ErrorKind::unsafe, "the supply had to be switched on again " +
                                            std::to_string(restored_supply_) +
                                            " times: it is not to be relied on");
    }
  }
  co_return settled;
}

Awaitable<Result<void>> Recovery::restore(Error error, int attempt, script::Intent intent) {
  const std::string text = describe(error) + "; connecting anew, setting up and measuring again, " +
                           std::to_string(attempt + 1) + " of " + std::to_string(settings_.tries);
  CO_TRY(say_(record::Severity::warning, "measured-again", text));
  const TimePoint waited = bench_.clock().now() + back_off(attempt);
  CO_TRY(co_await wait_(waited));
  instrument::Instrument* failed = find(error.instrument);
  // What stood in the way of one may have hit others as well: each that fails is brought back, and
  // no more often than there are instruments.
  const std::size_t rounds = bench_.all().size() + 1;
  for (std::size_t round = 0;; ++round) {
    if (failed != nullptr) CO_TRY(co_await bring_back(failed, intent));
    const Result<TimePoint> settled = co_await stand_up(intent);
    if (settled) co_return co_await wait_(*settled);
    if (ends_the_board(settled.error())) co_return fail(settled.error());
    failed = find(settled.error().instrument);
    if (failed == nullptr || round >= rounds) {
      if (failed != nullptr) co_return given_up(*failed, settled.error(), intent);
      co_return fail(settled.error());
    }
  }
}

}  // namespace nightbench::engine
