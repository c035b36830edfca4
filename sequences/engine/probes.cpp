#include "sequences/engine/probes.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>

#include "sequences/engine/drawing.hpp"

namespace nightbench::engine {
namespace asio = boost::asio;
using instrument::Role;

namespace {

constexpr Duration kTripPoll = std::chrono::milliseconds(50);

// How soon a place is needed again; the size of `later` when never.
std::size_t next_use(const std::string& at, const std::vector<std::string>& later) {
  if (at.empty()) return later.size() + 1;
  return static_cast<std::size_t>(std::find(later.begin(), later.end(), at) - later.begin());
}

struct TripWatch {
  explicit TripWatch(asio::io_context& io)
      : nap(io, asio::steady_timer::time_point::max()),
        ended(io, asio::steady_timer::time_point::max()) {}
  asio::steady_timer nap, ended;
  bool answered = false;
  bool over = false;
  std::optional<Error> trouble;
};

Awaitable<void> watch_for_trip(bench::Bench& bench, Operator& person,
                               std::shared_ptr<TripWatch> watch) {
  while (!watch->answered) {
    const Result<instrument::SupplyReading> seen = co_await bench.supply()->measure();
    if (!seen || seen->tripped) {
      Error error;
      error.kind = ErrorKind::unsafe;
      error.message = "the supply tripped while the board was worked on: everything is switched off";
      watch->trouble = seen ? error : seen.error();
      if (!watch->answered) person.withdraw();
      break;
    }
    if (watch->answered) break;
    const auto alarm =
        bench.clock().arm(bench.clock().now() + kTripPoll, [watch] { watch->nap.cancel(); });
    boost::system::error_code woken;
    co_await watch->nap.async_wait(asio::redirect_error(asio::use_awaitable, woken));
  }
  watch->over = true;
  watch->ended.cancel();
}

}  // namespace

const char* word(Answer answer) {
  switch (answer) {
    case Answer::yes: return "yes";
    case Answer::no: return "no";
    case Answer::done: return "done";
    case Answer::skip: return "skip";
    case Answer::redo: return "redo";
    case Answer::stop: return "stop";
  }
  return "?";
}

std::optional<std::vector<Move>> fewest_moves(const std::vector<Probe>& probes,
                                              const std::vector<std::string>& wanted,
                                              const std::vector<std::string>& later) {
  if (probes.size() < wanted.size()) return std::nullopt;
  std::vector<bool> kept(probes.size(), false);
  std::vector<std::string> open;
  for (const std::string& point : wanted) {
    const auto there = std::find_if(probes.begin(), probes.end(),
                                    [&](const Probe& each) { return each.at == point; });
    if (there == probes.end()) open.push_back(point);
    else kept[static_cast<std::size_t>(there - probes.begin())] = true;
  }
  std::vector<Move> moves;
  for (const std::string& point : open) {
    std::optional<std::size_t> best;
    for (std::size_t k = 0; k < probes.size(); ++k) {
      if (kept[k]) continue;
      if (!best || next_use(probes[k].at, later) > next_use(probes[*best].at, later)) best = k;
    }
    kept[*best] = true;
    moves.push_back({probes[*best].port, point});
  }
  return moves;
}

Awaitable<Result<Reply>> ask_watched(bench::Bench& bench, Operator& person, Prompt prompt) {
  if (!prompt.powered || bench.supply() == nullptr) co_return co_await person.ask(std::move(prompt));
  auto watch = std::make_shared<TripWatch>(bench.clock().context());
  asio::co_spawn(bench.clock().context(), watch_for_trip(bench, person, watch), asio::detached);
  Result<Reply> reply = co_await person.ask(std::move(prompt));
  watch->answered = true;
  watch->nap.cancel();
  if (!watch->over) {
    // The supply's session serves one caller at a time.
    boost::system::error_code woken;
    co_await watch->ended.async_wait(asio::redirect_error(asio::use_awaitable, woken));
  }
  if (watch->trouble) co_return fail(*watch->trouble);
  co_return reply;
}

ProbeKeeper::ProbeKeeper(bench::Bench& bench, const script::BoardType& type, Operator* person)
    : bench_(bench), type_(type), person_(person) {
  for (const bench::Connection& each : bench.file().by_hand(Role::scope)) {
    scope_.push_back({bench::port_name(each), ""});
  }
  for (const bench::Connection& each : bench.file().by_hand(Role::meter)) {
    meter_.push_back({bench::port_name(each), ""});
    meter_.push_back({bench::port_name(each) + "/low", ""});
  }
}

std::vector<Probe>& ProbeKeeper::probes_of(Role role) {
  return role == Role::meter ? meter_ : scope_;
}

std::vector<std::string> ProbeKeeper::by_hand_points(const Placing& placing) const {
  if (placing.role == Role::meter) {
    const bool wired = bench_.file().where(Role::meter, placing.points[0]) != nullptr;
    return wired ? std::vector<std::string>() : placing.points;
  }
  std::vector<std::string> out;
  for (const std::string& point : placing.points) {
    if (bench_.file().where(placing.role, point) == nullptr) out.push_back(point);
  }
  return out;
}

bool ProbeKeeper::by_hand(Role role, const std::vector<std::string>& points) const {
  Placing placing;
  placing.role = role;
  placing.points = points;
  return !by_hand_points(placing).empty();
}

Result<std::vector<Move>> ProbeKeeper::moves_for(const Placing& placing) {
  const std::vector<std::string> wanted = by_hand_points(placing);
  const std::vector<Probe>& probes = probes_of(placing.role);
  if (placing.fixed_order) {
    std::vector<Move> moves;
    for (std::size_t k = 0; k < wanted.size() && k < probes.size(); ++k) {
      if (probes[k].at != wanted[k]) moves.push_back({probes[k].port, wanted[k]});
    }
    if (wanted.size() <= probes.size()) return moves;
  } else if (auto moves = fewest_moves(probes, wanted, placing.later)) {
    return *std::move(moves);
  }
  return fail(ErrorKind::bad_input, "the bench has " + std::to_string(probes.size()) +
                                        " probes to move by hand, \"" + placing.title +
                                        "\" needs " + std::to_string(wanted.size()));
}

Prompt ProbeKeeper::prompt_for(const Placing& placing, const Move& move,
                               const std::string& doubt) const {
  const script::TestPoint* point = type_.find(move.to);
  const script::TestPoint* ground = type_.find(type_.ground_point);
  Prompt prompt;
  prompt.kind = PromptKind::move;
  prompt.id = placing.id;
  prompt.port = move.port;
  prompt.test_point = move.to;
  prompt.doubt = doubt;
  prompt.powered = placing.powered;
  prompt.answers = {Answer::done, Answer::skip, Answer::redo, Answer::stop};
  const bool black = move.port.ends_with("/low");
  std::string what = "probe " + move.port;
  if (placing.role == Role::meter) what = black ? "the meter's black tip" : "the meter's red tip";
  const std::string where = point != nullptr ? place_text(*point) : "ground";
  prompt.title = placing.title + ": " + what + " to " + where;
  prompt.text = "Put " + what + " on " + where + ".";
  if (placing.role == Role::scope) {
    prompt.text += " Its ground clip goes to " +
                   (ground != nullptr ? place_text(*ground) : std::string("the board's ground")) +
                   ": a scope's clip is mains earth.";
  }
  if (placing.powered) {
    prompt.text += " The board is under power: touch this one pin only, a slip can short its "
                   "neighbours.";
  }
  if (point != nullptr) {
    prompt.part = point->part;
    prompt.pin = point->pin;
    if (const script::Part* part = type_.part_of(*point)) {
      prompt.drawing = part_drawing(*part, point->pin);
    }
    prompt.drawing += board_drawing(type_, *point);
  }
  return prompt;
}

Awaitable<Result<Placed>> ProbeKeeper::place(Placing placing, std::string doubt) {
  std::vector<Probe>& probes = probes_of(placing.role);
  Way way = [this, &placing] { return moves_for(placing); };
  co_return co_await walk(placing, std::move(doubt), &probes, std::move(way));
}

Awaitable<Result<Placed>> ProbeKeeper::gather(Placing placing, std::vector<std::string> ports,
                                              std::string doubt) {
  std::vector<Probe>* probes = &scope_;
  for (const bench::Connection& each : bench_.file().connections) {
    const std::string port = bench::port_name(each);
    if (each.by_hand || std::find(ports.begin(), ports.end(), port) == ports.end()) continue;
    probes = &wired_;
    const auto known = std::find_if(wired_.begin(), wired_.end(),
                                    [&port](const Probe& probe) { return probe.port == port; });
    if (known == wired_.end()) wired_.push_back({port, each.at});
  }
  Way way = [&placing, &ports, probes]() -> Result<std::vector<Move>> {
    std::vector<Move> moves;
    for (std::size_t k = 0; k < ports.size(); ++k) {
      const auto probe = std::find_if(probes->begin(), probes->end(),
                                      [&](const Probe& each) { return each.port == ports[k]; });
      if (probe != probes->end() && probe->at != placing.points[k]) {
        moves.push_back({ports[k], placing.points[k]});
      }
    }
    return moves;
  };
  co_return co_await walk(placing, std::move(doubt), probes, std::move(way));
}

Awaitable<Result<Placed>> ProbeKeeper::walk(Placing placing, std::string doubt,
                                            std::vector<Probe>* probes_in_use, Way way) {
  Placed out;
  std::vector<Probe>& probes = *probes_in_use;
  if (!doubt.empty()) {
    for (Probe& each : probes) each.at.clear();
  }
  CO_TRY_ASSIGN(std::vector<Move> moves, way());
  if (!moves.empty() && person_ == nullptr) {
    co_return fail(ErrorKind::bad_input,
                   "\"" + placing.title + "\" needs probes moved by hand, and there is nobody to ask");
  }
  for (std::size_t n = 0; n < moves.size();) {
    const Move move = moves[n];
    CO_TRY_ASSIGN(const Reply reply,
                  co_await ask_watched(bench_, *person_, prompt_for(placing, move, doubt)));
    if (!reply.remark.empty()) out.remarks.push_back(reply.remark);
    for (Probe& each : probes) {
      if (each.port == move.port) each.at = reply.answer == Answer::done ? move.to : "";
    }
    if (reply.answer == Answer::stop) {
      co_return fail(ErrorKind::cancelled, "stopped at \"" + placing.title + "\"");
    }
    if (reply.answer == Answer::skip) {
      out.skipped = true;
      co_return out;
    }
    if (reply.answer == Answer::redo) {
      for (Probe& each : probes) each.at.clear();
      CO_TRY_ASSIGN(moves, way());
      n = 0;
      continue;
    }
    ++out.moves;
    ++n;
  }
  for (const Probe& each : probes) {
    if (!each.port.ends_with("/low")) bench_.place(each.port, each.at);
  }
  co_return out;
}

}  // namespace nightbench::engine
