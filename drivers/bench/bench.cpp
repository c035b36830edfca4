#include "drivers/bench/bench.hpp"

#include <cstdio>
#include <utility>

#include "drivers/base/quantity.hpp"
#include "drivers/base/time_text.hpp"
#include "drivers/link/open.hpp"
#include "drivers/link/usbtmc/usbtmc_link.hpp"

namespace nightbench::bench {

using instrument::Instrument;
using instrument::Role;

namespace {

std::unexpected<Error> bad_input(const BenchFile& file, std::string message) {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = file.file.string();
  error.message = std::move(message);
  return fail(std::move(error));
}

}  // namespace

LinkMaker real_links(Clock& clock) {
  return [&clock](const std::string&, const std::string& resource) {
    return link::open(resource, clock);
  };
}

Bench::Bench(BenchFile file, Clock& clock) : file_(std::move(file)), clock_(clock) {}
Bench::~Bench() {
  close();
}

// The instrument of one entry, not opened yet.
Result<Instrument*> Bench::add(const InstrumentEntry& entry, const LinkMaker& links,
                               const std::filesystem::path& dialect_folder,
                               const BenchObserver& observer) {
  const std::string at = "/instruments/" + entry.name;
  TRY_ASSIGN(instrument::Dialect dialect, instrument::find_dialect(dialect_folder, entry.dialect));
  if (dialect.role() != entry.role) {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = file_.file.string();
    error.pointer = at + "/dialect";
    error.message = "the dialect '" + dialect.name() + "' is for the role " +
                    instrument::name(dialect.role()) + ", not " + instrument::name(entry.role);
    return fail(std::move(error));
  }
  auto link = links(entry.name, entry.resource);
  if (!link) {
    Error error = std::move(link).error();
    if (error.instrument.empty()) error.instrument = entry.name;
    if (error.kind == ErrorKind::bad_input && error.file.empty()) {
      error.file = file_.file.string();
      error.pointer = at + "/resource";
    }
    return fail(std::move(error));
  }
  if (auto* const usb = dynamic_cast<link::UsbtmcLink*>(link->get())) {
    usb->use(dialect.quirks().usb);
  }
  auto session = std::make_unique<scpi::Session>(*std::move(link), clock_, entry.name,
                                                 dialect.session_options(entry.timeout));
  if (observer) {
    session->observe(
        [observer, name = entry.name](const scpi::Traffic& traffic) { observer(name, traffic); });
  }
  instrument::RoleOptions options;
  options.settle = entry.settle;
  options.identity = entry.identity;
  options.channel = entry.channel;
  const auto make = [&](auto& slot) -> Instrument* {
    using Made = typename std::remove_reference_t<decltype(slot)>::element_type;
    slot = std::make_unique<Made>(std::move(session), std::move(dialect), std::move(options));
    return slot.get();
  };
  switch (entry.role) {
    case Role::rf_source:
      return make(rf_source_);
    case Role::lo_source:
      return make(lo_source_);
    case Role::scope:
      return make(scope_);
    case Role::meter:
      return make(meter_);
    case Role::supply:
      return make(supply_);
    case Role::relays:
      break;
  }
  Instrument* made = make(relays_);
  relays_->use(file_.relay_channels());
  return made;
}

Awaitable<Result<std::unique_ptr<Bench>>> Bench::open(BenchFile file, Clock& clock, LinkMaker links,
                                                      std::filesystem::path dialect_folder,
                                                      BenchObserver observer) {
  std::unique_ptr<Bench> bench(new Bench(std::move(file), clock));
  // All files are read before the first instrument is touched.
  CO_TRY_ASSIGN(std::optional<MatchFile> match, read_match(match_path(bench->file_.file)));
  std::vector<Instrument*> made;
  for (const InstrumentEntry& entry : bench->file_.instruments) {
    CO_TRY_ASSIGN(Instrument* const one, bench->add(entry, links, dialect_folder, observer));
    made.push_back(one);
  }
  std::optional<Error> first;
  for (Instrument* one : made) {
    Result<void> opened = co_await one->open();
    if (!opened) {
      first = std::move(opened).error();
      one->session().close();
      break;
    }
  }
  if (!first) {
    bench->consider_match(std::move(match));
    co_return bench;
  }
  // Whatever an earlier user has left on goes off as far as it can be reached.
  for (Instrument* one : bench->all()) {
    if (one->session().is_closed()) continue;
    const Result<void> off = co_await bench->switch_off(one, one->session().options().timeout);
    if (!off) first->message += "; " + one->name() + " could not be switched off";
  }
  bench->close();
  co_return fail(std::move(*first));
}

void Bench::consider_match(std::optional<MatchFile> kept) {
  const std::string name = match_path(file_.file).filename().string();
  match_remark_ = "the scope's channels were never matched on this bench: the data sheet's figure is in U";
  if (!kept) return;
  if (!scope_ || scope_->identity().text != kept->scope) {
    match_remark_ = name + " was measured with another scope and is not used";
    return;
  }
  const double days = seconds(clock_.wall() - kept->measured) / 86400;
  char age[32];
  std::snprintf(age, sizeof age, "%.1f days", days);
  const std::string text = name + ", measured " + exact_time(kept->measured).substr(0, 10);
  if (days < 0 || days > file_.match_good_for_days) {
    match_remark_ = text + ", is not used: " +
                    (days < 0 ? std::string("that is in the future")
                              : std::string(age) + " old, good for " +
                                    format(file_.match_good_for_days, Unit::one, 3));
    return;
  }
  match_remark_ = text + ", " + age + " old";
  match_ = std::move(kept);
}

void Bench::use_match(MatchFile match) {
  match_remark_ = "measured in this run";
  match_ = std::move(match);
}

std::vector<Instrument*> Bench::all() {
  std::vector<Instrument*> out;
  for (Instrument* one :
       {static_cast<Instrument*>(rf_source_.get()), static_cast<Instrument*>(lo_source_.get()),
        static_cast<Instrument*>(supply_.get()), static_cast<Instrument*>(relays_.get()),
        static_cast<Instrument*>(meter_.get()), static_cast<Instrument*>(scope_.get())}) {
    if (one != nullptr) out.push_back(one);
  }
  return out;
}

Result<void> Bench::require(const std::vector<Role>& roles) const {
  std::string missing;
  for (const Role role : roles) {
    if (file_.with_role(role) != nullptr) continue;
    if (!missing.empty()) missing += ", ";
    missing += instrument::name(role);
  }
  if (missing.empty()) return {};
  return bad_input(file_, "the bench '" + file_.name + "' has no " + missing);
}

const Connection* Bench::where(Role role, std::string_view test_point) const {
  if (const Connection* wired = file_.where(role, test_point)) return wired;
  const InstrumentEntry* entry = file_.with_role(role);
  if (entry == nullptr || test_point.empty()) return nullptr;
  for (const Connection& each : placed_) {
    if (each.instrument == entry->name && each.at == test_point) return &each;
  }
  return nullptr;
}

void Bench::place(const std::string& port, const std::string& test_point) {
  for (Connection& each : placed_) {
    if (port_name(each) != port) continue;
    each.at = test_point;
    return;
  }
  for (const Connection& each : file_.connections) {
    if (!each.by_hand || port_name(each) != port) continue;
    placed_.push_back(each);
    placed_.back().at = test_point;
  }
}

Result<int> Bench::scope_channel(std::string_view test_point) const {
  const Connection* connection = where(Role::scope, test_point);
  if (connection == nullptr || !connection->port) {
    return bad_input(file_, "no scope channel is wired to '" + std::string(test_point) + "'");
  }
  return *connection->port;
}

Awaitable<Result<void>> Bench::connect_meter(std::string test_point) {
  const Connection* connection = where(Role::meter, test_point);
  if (connection == nullptr) {
    co_return bad_input(file_, "the meter is not wired to '" + test_point + "'");
  }
  if (!connection->relay_channel || !relays_) co_return Result<void>{};
  const int channel = *connection->relay_channel;
  std::vector<int> others;
  for (const Connection& each : file_.connections) {
    if (each.instrument == connection->instrument && each.relay_channel) {
      others.push_back(*each.relay_channel);
    }
  }
  co_return co_await relays_->select(channel, std::move(others));
}

// make_safe() of one instrument, at most `most` long.
Awaitable<Result<void>> Bench::switch_off(Instrument* one, Duration most) {
  scpi::Session& session = one->session();
  const TimePoint deadline = clock_.now() + most;
  bool late = false;
  if (session.is_busy()) {
    session.close();
    const Duration kTurn = std::chrono::milliseconds(1);
    while (session.is_busy() && clock_.now() < deadline) co_await sleep_for(clock_, kTurn);
  }
  const auto alarm = clock_.arm(deadline, [&session, &late] {
    late = true;
    session.close();
  });
  Result<void> done;
  if (session.is_closed()) done = co_await session.open();
  if (done) done = co_await one->make_safe();
  if (!done && late) {
    Error error = done.error();
    error.kind = ErrorKind::timeout;
    error.message = "could not be switched off in time";
    co_return fail(std::move(error));
  }
  co_return done;
}

Awaitable<std::vector<NotSafe>> Bench::make_safe(Duration each_most) {
  std::vector<NotSafe> out;
  for (Instrument* one : all()) {
    if (one == meter_.get() || one == scope_.get()) continue;  // they drive nothing
    const Result<void> done = co_await switch_off(one, each_most);
    if (!done) {
      NotSafe entry;
      entry.instrument = one->name();
      entry.error = done.error();
      out.push_back(std::move(entry));
    }
  }
  co_return out;
}

void Bench::close() {
  for (Instrument* one : all()) one->session().close();
}

}  // namespace nightbench::bench
