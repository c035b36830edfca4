#include "drivers/instrument/relays.hpp"

namespace nightbench::instrument {

void Relays::use(std::vector<int> channels) {
  in_use_.insert(channels.begin(), channels.end());
}

Awaitable<Result<void>> Relays::close(int channel) {
  CO_TRY(co_await begin());
  in_use_.insert(channel);
  closed_.erase(channel);
  const Values values{{"channel", std::to_string(channel)}};
  std::vector<std::string> commands;
  add(commands, "close", values);
  CO_TRY(co_await apply(commands));
  CO_TRY(co_await read_back_state("get_closed", values, true));
  // Contacts bounce: what is behind them can be trusted only when they are still.
  co_await sleep_for(session().clock(), settle());
  closed_[channel] = true;
  co_return Result<void>{};
}

Awaitable<Result<void>> Relays::open(int channel) {
  CO_TRY(co_await begin());
  in_use_.insert(channel);
  closed_.erase(channel);
  const Values values{{"channel", std::to_string(channel)}};
  std::vector<std::string> commands;
  add(commands, "open", values);
  CO_TRY(co_await apply(commands));
  CO_TRY(co_await read_back_state("get_closed", values, false));
  co_await sleep_for(session().clock(), settle());
  closed_[channel] = false;
  co_return Result<void>{};
}

bool Relays::is_known(int channel, bool closed) const {
  const auto found = closed_.find(channel);
  return found != closed_.end() && found->second == closed;
}

Awaitable<Result<void>> Relays::select(int channel, std::vector<int> others) {
  CO_TRY(co_await begin());
  for (const int other : others) {
    if (other != channel && !is_known(other, false)) CO_TRY(co_await open(other));
  }
  if (!is_known(channel, true)) CO_TRY(co_await close(channel));
  co_return Result<void>{};
}

Awaitable<Result<void>> Relays::open_all() {
  closed_.clear();
  std::string list;
  for (const int channel : in_use_) {
    if (!list.empty()) list += ',';
    list += std::to_string(channel);
  }
  if (list.empty()) {
    std::vector<std::string> commands;
    add(commands, "open_all");
    co_return co_await apply(commands);
  }
  const Values values{{"channel", list}};
  co_return co_await switch_off("open_all", "get_closed", values);
}

Awaitable<Result<bool>> Relays::is_closed(int channel) {
  CO_TRY(co_await begin());
  const Values values{{"channel", std::to_string(channel)}};
  CO_TRY_ASSIGN(const double state, co_await ask_value("get_closed", values));
  co_return state != 0;
}

}  // namespace nightbench::instrument
