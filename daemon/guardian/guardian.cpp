#include "daemon/guardian/guardian.hpp"

#include <optional>

#include "daemon/guardian/log_file.hpp"
#include "daemon/guardian/order.hpp"
#include "daemon/guardian/outputs.hpp"

namespace nightbench::guardian {
namespace {

constexpr Duration kForTheOrder = std::chrono::seconds(10);

struct Post {
  Order order;
  Outputs outputs;
};

Awaitable<Result<Post>> take_order(Vigil& vigil, Clock& clock) {
  constexpr std::string_view kOrder = "order ";
  const TimePoint deadline = clock.now() + kForTheOrder;
  CO_TRY_ASSIGN(const std::string line, co_await vigil.line(deadline));
  if (!line.starts_with(kOrder)) {
    co_return fail(ErrorKind::bad_input, "an order was expected, found '" + excerpt(line) + "'");
  }
  Post post;
  CO_TRY_ASSIGN(post.order, read_order(std::string_view(line).substr(kOrder.size())));
  CO_TRY_ASSIGN(post.outputs.file, bench::read_bench(post.order.bench_file));
  post.outputs.dialects = post.order.dialects;
  post.outputs.resources = post.order.resources;
  co_return post;
}

std::string names(const Outputs& outputs) {
  std::string out;
  for (const bench::InstrumentEntry& each : outputs.driving()) {
    out += (out.empty() ? "" : ", ") + each.name;
  }
  return out;
}

const char* reason(VigilEnd end) {
  return end == VigilEnd::silent ? "it hangs and is ended" : "it left without saying goodbye";
}

// The rehearsal is the deed itself: whatever an earlier user left on goes off, and each output is
// known to obey over a link of ours before the program may switch it on.
Awaitable<std::optional<Error>> rehearse(const Post& post, const Surroundings& around) {
  const TimePoint once = around.clock.now();
  const Report quiet = [](const std::string&, const Error*) {};
  const std::vector<bench::NotSafe> left =
      co_await switch_all_off(post.outputs, around.clock, around.links, once, quiet);
  if (left.empty()) co_return std::nullopt;
  Error error = left.front().error;
  if (error.instrument.empty()) error.instrument = left.front().instrument;
  co_return error;
}

Awaitable<Duty> take_over(const Post& post, const Surroundings& around, const LogFile& log) {
  const auto tell = [&](const std::string& text) {
    log.line(around.clock.wall(), text);
    around.complain(text);
  };
  const Report report = [&](const std::string& instrument, const Error* error) {
    if (error == nullptr)
      tell(instrument + " is off");
    else
      log.line(around.clock.wall(), "not yet: " + instrument + ": " + describe(*error));
  };
  const TimePoint until = around.clock.now() + post.order.patience;
  const std::vector<bench::NotSafe> left =
      co_await switch_all_off(post.outputs, around.clock, around.links, until, report);
  if (left.empty()) co_return Duty::done;
  // Simulated instruments inside the program end with it; nothing real is on.
  if (post.outputs.file.kind == bench::Kind::simulated && !post.order.resources.empty()) {
    log.line(around.clock.wall(), "the simulated bench has ended with the program");
    co_return Duty::done;
  }
  for (const bench::NotSafe& each : left) {
    tell(each.instrument + " may still be on, switch it off by hand: " + describe(each.error));
  }
  co_return Duty::still_on;
}

}  // namespace

Awaitable<Duty> stand_guard(Vigil& vigil, Surroundings around) {
  Result<Post> post = co_await take_order(vigil, around.clock);
  if (!post) {
    vigil.say(refusal_line(post.error()));
    co_return Duty::useless;
  }
  const LogFile log(post->order.log);
  const std::string who = "process " + std::to_string(post->order.parent);
  const std::optional<Error> unable = co_await rehearse(*post, around);
  if (unable) {
    log.line(around.clock.wall(), "no post for " + who + ": " + describe(*unable));
    vigil.say(refusal_line(*unable));
    co_return Duty::useless;
  }
  log.line(around.clock.wall(), "watching " + who + "; can switch off " + names(post->outputs));
  vigil.say("ready");
  const VigilEnd end = co_await vigil.watch(post->order.watchdog);
  if (end == VigilEnd::goodbye) {
    log.line(around.clock.wall(), who + " said goodbye");
    co_return Duty::done;
  }
  const std::string text = who + ": " + reason(end) + "; switching off";
  log.line(around.clock.wall(), text);
  around.complain(text);
  // It could come back to life and switch on again, and it holds links that some instruments give
  // to one at a time.
  if (end == VigilEnd::silent) around.end(post->order.parent);
  co_return co_await take_over(*post, around, log);
}

}  // namespace nightbench::guardian
