// Talking to the service from another program: one request, or its events as they come. Coroutines
// on the clock's io_context; every wait has a deadline.
#pragma once

#include <functional>
#include <string>
#include <string_view>

#include "drivers/base/clock.hpp"

namespace nightbench::client {

struct Address {
  std::string unix_path;  // "" for TCP
  std::string host = "127.0.0.1";
  unsigned short port = 7411;
  std::string token;  // sent when not ""
  // The value of Host.
  std::string authority() const;
};

// "127.0.0.1:7411", "http://127.0.0.1:7411", "[::1]:7411", "unix:/path". Errors: bad_input.
Result<Address> parse_address(std::string_view text);

struct Reply {
  int status = 0;
  std::string body;
};

// Errors: refused (nobody there), timeout, bad_data. A status of 400 or more is no error here. At
// most 64 MiB of answer.
Awaitable<Result<Reply>> ask(Clock& clock, Address address, std::string method, std::string target,
                             std::string body, Duration most = std::chrono::seconds(30));

struct Event {
  std::string id;
  std::string type;
  std::string data;
};

// Reads the events that come after `after` until `take` returns false. Errors: as ask(); refused
// when the service closes the stream; timeout when it has been silent for a minute.
Awaitable<Result<void>> watch(Clock& clock, Address address, std::string after,
                              std::function<bool(const Event&)> take);

}  // namespace nightbench::client
