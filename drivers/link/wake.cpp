#include "drivers/link/wake.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>

namespace nightbench::link {
namespace asio = boost::asio;

Wake::Wake(Clock& clock)
    : clock_(clock), timer_(clock.context(), asio::steady_timer::time_point::max()) {}

void Wake::ring() {
  timer_.cancel();
}

Awaitable<Wake::Why> Wake::wait(TimePoint deadline) {
  bool late = false;
  const auto alarm = clock_.arm(deadline, [this, &late] {
    late = true;
    timer_.cancel();
  });
  boost::system::error_code ignored;  // always cancelled; who did it is told apart below
  co_await timer_.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
  const asio::cancellation_state state = co_await asio::this_coro::cancellation_state;
  if (state.cancelled() != asio::cancellation_type::none) co_return Why::stopped;
  if (late) co_return Why::late;
  co_return Why::rung;
}

}  // namespace nightbench::link
