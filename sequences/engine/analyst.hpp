// Where fits are computed: on a small pool of threads beside the I/O thread, or, for runs on
// virtual time, at once and in order on the I/O thread itself.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <functional>
#include <memory>
#include <optional>
#include <utility>

#include "drivers/base/clock.hpp"

namespace nightbench::engine {

// A result that is being computed. get() may be awaited once, on the I/O thread.
template <typename T>
class Pending {
 public:
  Awaitable<T> get() {
    const auto state = state_;
    if (!state->value) {
      boost::system::error_code woken;
      co_await state->ready.async_wait(
          boost::asio::redirect_error(boost::asio::use_awaitable, woken));
    }
    co_return std::move(*state->value);
  }

 private:
  friend class Analyst;
  struct State {
    explicit State(boost::asio::io_context& io)
        : ready(io, boost::asio::steady_timer::time_point::max()) {}
    boost::asio::steady_timer ready;
    std::optional<T> value;
  };
  explicit Pending(std::shared_ptr<State> state) : state_(std::move(state)) {}
  std::shared_ptr<State> state_;
};

class Analyst {
 public:
  // Without a pool everything runs inline.
  Analyst(boost::asio::io_context& io, boost::asio::thread_pool* pool) : io_(io), pool_(pool) {}

  // Starts `work`, which must own or outlive what it reads, and must not throw.
  template <typename T>
  Pending<T> start(std::function<T()> work) {
    auto state = std::make_shared<typename Pending<T>::State>(io_);
    if (pool_ == nullptr) {
      state->value = work();
      return Pending<T>(state);
    }
    // The guard keeps the I/O loop alive until the result is back.
    auto guard = boost::asio::make_work_guard(io_);
    boost::asio::post(*pool_, [this, state, guard = std::move(guard), work = std::move(work)] {
      boost::asio::post(io_, [state, value = work()]() mutable {
        state->value = std::move(value);
        state->ready.cancel();
      });
    });
    return Pending<T>(state);
  }

 private:
  boost::asio::io_context& io_;
  boost::asio::thread_pool* pool_;
};

}  // namespace nightbench::engine
