#include "sequences/engine/match_step.hpp"

#include <cmath>

#include "sequences/engine/context.hpp"
#include "sequences/engine/judge.hpp"
#include "sequences/reading/channel_ratio.hpp"

namespace nightbench::engine {
using instrument::Role;

namespace {

constexpr int kCaptures = 4;
constexpr int kMostTries = 3;

bool probes_wrong(const reading::ChannelRatio& seen) {
  if (seen.gain_ratio_db) return false;
  const reading::Reason why = seen.gain_ratio_db.error().reason;
  return why == reading::Reason::empty || why == reading::Reason::channels_disagree;
}

std::vector<std::string> names(const std::array<bench::Connection, 2>& ports) {
  return {bench::port_name(ports[0]), bench::port_name(ports[1])};
}

}  // namespace

std::optional<std::array<bench::Connection, 2>> matched_ports(const bench::BenchFile& file,
                                                              const script::BoardType& type) {
  const bench::Connection* const i = file.where(Role::scope, type.i_point);
  const bench::Connection* const q = file.where(Role::scope, type.q_point);
  if (i != nullptr && q != nullptr) return std::array{*i, *q};
  const std::vector<bench::Connection> loose = file.by_hand(Role::scope);
  if (loose.size() >= 2) return std::array{loose[0], loose[1]};
  return std::nullopt;
}

MatchMeter::MatchMeter(const script::Plan& plan, bench::Bench& bench, PairMeter& captures,
                       ProbeKeeper& probes)
    : plan_(plan), bench_(bench), captures_(captures), probes_(probes) {}

Awaitable<Result<bool>> MatchMeter::bring(const script::Action& action, std::string doubt,
                                          record::Point* point) {
  Placing placing;
  placing.role = Role::scope;
  placing.id = "match";
  placing.title = "Match of the scope's channels";
  placing.points = {action.test_point, action.test_point};
  placing.powered = action.intent.supply_on;
  const auto ports = names(*matched_ports(bench_.file(), plan_.board_type()));
  CO_TRY_ASSIGN(const Placed placed, co_await probes_.gather(placing, ports, std::move(doubt)));
  for (const std::string& each : placed.remarks) point->notes.push_back("remark: " + each);
  co_return !placed.skipped;
}

Awaitable<Result<void>> MatchMeter::measure(script::Action action, record::Point* point) {
  const auto ports = matched_ports(bench_.file(), plan_.board_type());
  if (!ports || !(*ports)[0].port || !(*ports)[1].port) {
    co_return fail(ErrorKind::bad_input, "a match needs two scope probes: wired to the board's "
                                         "outputs, or moved by hand");
  }
  const double if_hz = std::fabs(action.intent.signed_if_hz());
  reading::ChannelRatio seen;
  double full_scale_v = 0;
  std::string doubt;
  for (int attempt = 1;; ++attempt) {
    CO_TRY_ASSIGN(const bool there, co_await bring(action, doubt, point));
    point->attempts = attempt;
    if (!there) break;
    std::vector<std::shared_ptr<PairCapture>> captures;
    std::vector<reading::TracePair> traces;
    for (int n = 0; n < kCaptures; ++n) {
      CO_TRY_ASSIGN(auto capture, co_await captures_.capture_on(action, *(*ports)[0].port,
                                                                *(*ports)[1].port));
      traces.push_back({trace_of(capture->samples.channels[0]), trace_of(capture->samples.channels[1])});
      captures.push_back(std::move(capture));
    }
    full_scale_v = captures.back()->context.full_scale_v.value_or(0);
    seen = reading::channel_ratio(traces, if_hz);
    if (!probes_wrong(seen) || attempt == kMostTries) break;
    doubt = seen.gain_ratio_db.error().detail;
    point->notes.push_back("probes asked for again: " + doubt);
  }
  const auto both = names(*ports);
  const std::string over = both[1] + " over " + both[0];
  point->readings.push_back(judge("match_gain", "Channel match, gain of " + over, "dB", seen.gain_ratio_db, {}));
  point->readings.push_back(
      judge("match_phase", "Channel match, phase of " + over, "deg", seen.phase_deg, {}));
  if (seen.gain_ratio_db && seen.phase_deg && full_scale_v > 0) {
    rows_.push_back({if_hz, full_scale_v, seen.gain_ratio_db->value, seen.gain_ratio_db->U,
                     seen.phase_deg->value, seen.phase_deg->U});
  }
  co_return Result<void>();
}

Awaitable<Result<void>> MatchMeter::put_back(bool powered) {
  const auto ports = matched_ports(bench_.file(), plan_.board_type());
  if (!ports || (*ports)[0].by_hand) co_return Result<void>();
  Placing placing;
  placing.role = Role::scope;
  placing.id = "match_end";
  placing.title = "Probes back to the outputs";
  placing.points = {(*ports)[0].at, (*ports)[1].at};
  placing.powered = powered;
  CO_TRY_ASSIGN(const Placed placed, co_await probes_.gather(placing, names(*ports), ""));
  if (placed.skipped) {
    co_return fail(ErrorKind::cancelled,
                   "the scope's probes were not put back to the outputs after the match");
  }
  co_return Result<void>();
}

std::optional<bench::MatchFile> MatchMeter::take(const std::string& run_id) {
  const auto ports = matched_ports(bench_.file(), plan_.board_type());
  if (rows_.empty() || !ports) return std::nullopt;
  bench::MatchFile out;
  out.bench = bench_.file().name;
  out.scope = bench_.scope()->identity().text;
  out.first = bench::port_name((*ports)[0]);
  out.second = bench::port_name((*ports)[1]);
  out.run = run_id;
  out.measured = bench_.clock().wall();
  out.rows = std::exchange(rows_, {});
  return bench::in_order(std::move(out));
}

}  // namespace nightbench::engine
