// One VXI-11 link as the device sees it: the core channel, the abort channel and the link number
// between create_link and destroy_link. The layer under Vxi11Link; it knows devices' answers, not
// the Link contract.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "drivers/link/resource.hpp"
#include "drivers/link/stream_link.hpp"
#include "drivers/link/vxi11/messages.hpp"
#include "drivers/link/vxi11/rpc_channel.hpp"

namespace nightbench::link::vxi11 {

// A device's error as ours: 15 timeout; 1, 5, 21 bad_data; 23 cancelled; all others refused.
std::unexpected<Error> refusal(DeviceError error);

struct Session {
  std::shared_ptr<RpcChannel> core;
  std::shared_ptr<RpcChannel> abort;  // none when the device has no abort port
  std::int32_t link = 0;
  std::size_t most_receive = least_receive;

  void close();
};

// What a pending open_session() waits for, so that cancel() can end it.
class Opening {
 public:
  void cancel();
  bool cancelled() const { return cancelled_; }
  // A channel to `port` of `host`; `what` names it in errors.
  Awaitable<Result<std::shared_ptr<RpcChannel>>> dial(std::string host, std::uint16_t port,
                                                      std::uint32_t program, Clock& clock,
                                                      TimePoint deadline);

 private:
  std::unique_ptr<Connector> connector_;
  std::shared_ptr<RpcChannel> channel_;
  bool cancelled_ = false;
};

// Finds the port, connects, creates the link. The abort channel is opened when the device has one;
// when it cannot be reached the session does without.
Awaitable<Result<std::shared_ptr<Session>>> open_session(std::shared_ptr<Opening> opening,
                                                         Vxi11Resource resource,
                                                         std::uint16_t mapper_port,
                                                         CreateLink wanted, Clock& clock,
                                                         TimePoint deadline);

// A call whose result is an error word only.
Awaitable<Result<void>> simple_call(std::shared_ptr<Session> session, Procedure procedure,
                                    std::string arguments, TimePoint deadline);
// Ends the call that keeps the core channel busy; nothing without an abort channel.
Awaitable<void> abort_call(std::shared_ptr<Session> session, TimePoint until);
// Aborts what is under way, destroys the link, closes. Never fails.
Awaitable<void> say_goodbye(std::shared_ptr<Session> session, TimePoint until);

}  // namespace nightbench::link::vxi11
