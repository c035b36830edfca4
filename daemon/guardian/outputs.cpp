#include "daemon/guardian/outputs.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <memory>

#include "drivers/link/wake.hpp"

namespace nightbench::guardian {
namespace asio = boost::asio;

namespace {

constexpr Duration kFirstPause = std::chrono::milliseconds(50);
constexpr Duration kLongestPause = std::chrono::seconds(5);

// What the tasks of one switch_all_off() share; they may outlive nobody but hold it themselves.
struct Joint {
  explicit Joint(Clock& clock) : done(clock) {}
  std::size_t pending = 0;
  std::vector<bench::NotSafe> left;
  link::Wake done;
};

Awaitable<void> persist(const Outputs& outputs, bench::InstrumentEntry entry, Clock& clock,
                        bench::LinkMaker links, TimePoint until, Report report,
                        std::shared_ptr<Joint> joint) {
  Duration pause = kFirstPause;
  for (;;) {
    const TimePoint began = clock.now();
    const Result<void> off = co_await switch_off(outputs, entry, clock, links);
    report(entry.name, off ? nullptr : &off.error());
    if (off) break;
    if (began >= until) {
      joint->left.push_back({entry.name, off.error()});
      break;
    }
    co_await sleep_for(clock, pause);
    pause = std::min(pause * 2, kLongestPause);
  }
  --joint->pending;
  joint->done.ring();
}

}  // namespace

std::vector<bench::InstrumentEntry> Outputs::driving() const {
  std::vector<bench::InstrumentEntry> out;
  for (const instrument::Role role :
       {instrument::Role::rf_source, instrument::Role::lo_source, instrument::Role::supply}) {
    const bench::InstrumentEntry* entry = file.with_role(role);
    if (entry == nullptr) continue;
    out.push_back(*entry);
    const auto given = resources.find(entry->name);
    if (given != resources.end()) out.back().resource = given->second;
  }
  return out;
}

Awaitable<Result<void>> switch_off(const Outputs& outputs, bench::InstrumentEntry entry,
                                   Clock& clock, bench::LinkMaker links) {
  // A bench of this instrument alone: what opening checks and switching off reads back is the same
  // as for the daemon.
  bench::BenchFile alone = outputs.file;
  const Duration most = entry.timeout;
  alone.instruments = {std::move(entry)};
  alone.connections.clear();
  CO_TRY_ASSIGN(const std::unique_ptr<bench::Bench> bench,
                co_await bench::Bench::open(std::move(alone), clock, links, outputs.dialects));
  const std::vector<bench::NotSafe> left = co_await bench->make_safe(most);
  bench->close();
  if (!left.empty()) co_return fail(left.front().error);
  co_return Result<void>();
}

Awaitable<std::vector<bench::NotSafe>> switch_all_off(const Outputs& outputs, Clock& clock,
                                                      bench::LinkMaker links, TimePoint until,
                                                      Report report) {
  const auto joint = std::make_shared<Joint>(clock);
  for (const bench::InstrumentEntry& entry : outputs.driving()) {
    ++joint->pending;
    asio::co_spawn(clock.context(), persist(outputs, entry, clock, links, until, report, joint),
                   asio::detached);
  }
  while (joint->pending > 0) {
    const link::Wake::Why why = co_await joint->done.wait(TimePoint::max());
    if (why == link::Wake::Why::stopped) break;
  }
  co_return std::move(joint->left);
}

}  // namespace nightbench::guardian
