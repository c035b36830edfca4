#include "drivers/instrument/relays.hpp"

namespace nightbench::instrument {

void Relays::use(std::vector<int> channels) {
  in_use_.insert(channels.begin(), channels.end());
}

Awaitable<Result<void>> Relays::close(int channel) {
  CO_TRY(co_await begin());
  in_use_.insert(channel);
  const Values values{{"channel", std::to_string(channel)}};
  std::vector<std::string> commands;
  add(commands, "close", values);
  CO_TRY(co_await apply(commands));
  co_return co_await read_back_state("get_closed", values, true);
}

Awaitable<Result<void>> Relays::open(int channel) {
  CO_TRY(co_await begin());
  in_use_.insert(channel);
  const Values values{{"channel", std::to_string(channel)}};
  std::vector<std::string> commands;
  add(commands, "open", values);
  CO_TRY(co_await apply(commands));
  co_return co_await read_back_state("get_closed", values, false);
}

Awaitable<Result<void>> Relays::open_all() {
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
