#include "mock_instruments/transport/listener.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/address.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <utility>

namespace nightbench::mock::transport {
namespace asio = boost::asio;
using asio::ip::tcp;

struct Listener::State {
  explicit State(Clock& its_clock) : clock(its_clock), acceptor(its_clock.context()) {}
  Clock& clock;
  tcp::acceptor acceptor;
  Taker take;
  bool closed = false;
};

Result<std::unique_ptr<Listener>> Listener::open(Clock& clock, const std::string& address,
                                                 std::uint16_t port, Taker take) {
  auto state = std::make_shared<State>(clock);
  state->take = std::move(take);
  boost::system::error_code failed;
  const tcp::endpoint endpoint(asio::ip::make_address(address, failed), port);
  if (failed) return fail(ErrorKind::bad_input, "'" + address + "' is no address");
  state->acceptor.open(endpoint.protocol(), failed);
  if (!failed) state->acceptor.set_option(tcp::acceptor::reuse_address(true), failed);
  if (!failed) state->acceptor.bind(endpoint, failed);
  if (!failed) state->acceptor.listen(asio::socket_base::max_listen_connections, failed);
  if (failed) {
    Error error;
    error.kind = ErrorKind::refused;
    error.number = failed.value();
    error.message =
        "cannot listen on " + address + " port " + std::to_string(port) + ": " + failed.message();
    return fail(std::move(error));
  }
  const std::uint16_t bound = state->acceptor.local_endpoint().port();
  asio::co_spawn(clock.context(), accept_all(state), asio::detached);
  return std::unique_ptr<Listener>(new Listener(std::move(state), bound));
}

Listener::Listener(std::shared_ptr<State> state, std::uint16_t port)
    : state_(std::move(state)), port_(port) {}

Listener::~Listener() {
  state_->closed = true;
  state_->take = nullptr;
  boost::system::error_code ignored;  // closing is all that is wanted
  state_->acceptor.close(ignored);
}

Awaitable<void> Listener::accept_all(std::shared_ptr<State> state) {
  while (!state->closed) {
    boost::system::error_code failed;
    tcp::socket socket =
        co_await state->acceptor.async_accept(asio::redirect_error(asio::use_awaitable, failed));
    if (state->closed) co_return;
    if (!failed) {
      state->take(link::tcp_stream(std::move(socket), state->clock));
    } else {
      // Out of descriptors and the like pass; do not spin meanwhile.
      co_await sleep_for(state->clock, std::chrono::milliseconds(20));
    }
  }
}

}  // namespace nightbench::mock::transport
