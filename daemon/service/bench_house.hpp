// The bench as the worker sees it: opened when it is needed, closed when it let us down, with its
// boards put in place by itself where that is possible. A guardian stands by while it is open.
#pragma once

#include <boost/asio/thread_pool.hpp>
#include <functional>
#include <memory>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/engine/operator.hpp"

namespace nightbench::service {

class BenchHouse {
 public:
  virtual ~BenchHouse() = default;
  // Reads the bench file anew. Errors: bad_input.
  virtual Result<bench::BenchFile> read() = 0;
  // Reads the file anew and connects to every instrument. Not while it is open.
  virtual Awaitable<Result<bench::Bench*>> open() = 0;
  // The open bench, or null.
  virtual bench::Bench* bench() = 0;
  // Before outputs are enabled, and when they are off again: in between the guardian switches off
  // when we are gone or hang. Errors: refused, timeout; then nothing may be enabled.
  virtual Awaitable<Result<void>> arm() = 0;
  virtual void rest() = 0;
  // What to do when the guardian itself ends: everything must go off and the bench be closed.
  virtual void on_guardian_lost(std::function<void()> lost) = 0;
  // Closes every link at once. Between arm() and rest() the guardian is left to switch off. No
  // operation may be pending.
  virtual void close() = 0;
  // Puts the board on the bench; false when only a person can. Errors: bad_input (unknown board).
  virtual Result<bool> place(const std::string& board) = 0;
  // Who answers on this bench, when `person` is who may be asked.
  virtual std::unique_ptr<engine::Operator> hand(engine::Operator& person) = 0;
  // Where fits are computed.
  virtual boost::asio::thread_pool* pool() = 0;
};

}  // namespace nightbench::service
