// The program's side of its guardian: starts it, shows signs of life, says goodbye.
//
// Destroyed without goodbye() the guardian takes over and switches off. On the clock's io_context
// thread only; that thread shows the signs of life, so that a program whose loop stands still is
// taken for hung.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "daemon/guardian/order.hpp"

namespace nightbench::guardian {

class Guard {
 public:
  // Starts `program` and waits until it has reached every output of the bench and switched it off.
  // Errors: refused (it cannot be started, or ended), timeout, and what the instruments said.
  static Awaitable<Result<std::unique_ptr<Guard>>> start(Clock& clock,
                                                         std::filesystem::path program, Order order);
  ~Guard();
  Guard(const Guard&) = delete;
  Guard& operator=(const Guard&) = delete;

  // Is called once when the guardian ends before goodbye(): whatever is on must go off.
  void on_lost(std::function<void()> lost);

  // Before any output is enabled. Errors: refused when the guardian is gone, timeout.
  Awaitable<Result<void>> arm();
  // The outputs are off; silence is no matter until the next arm().
  void rest();
  // The outputs are off and the guardian may go.
  void goodbye();

  bool is_lost() const;
  int pid() const;

 private:
  struct State;
  explicit Guard(std::shared_ptr<State> state) : state_(std::move(state)) {}
  std::shared_ptr<State> state_;
};

}  // namespace nightbench::guardian
