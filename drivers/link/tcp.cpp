#include "drivers/link/tcp.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/address.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <optional>
#include <utility>
#include <vector>

#include "drivers/link/resource.hpp"

namespace nightbench::link {
namespace asio = boost::asio;
using asio::ip::tcp;

namespace {

// A look-up in progress. The system's resolver cannot be interrupted, so it is left behind at the
// deadline and finishes into this record, which it keeps alive.
struct LookUp {
  explicit LookUp(asio::io_context& context)
      : resolver(context), done(context, asio::steady_timer::time_point::max()) {}
  tcp::resolver resolver;
  asio::steady_timer done;
  bool finished = false;
  bool late = false;
  boost::system::error_code failed;
  std::vector<tcp::endpoint> found;
};

class TcpConnector final : public Connector {
 public:
  TcpConnector(std::string host, std::uint16_t port, Clock& clock)
      : host_(std::move(host)), port_(port), clock_(clock) {}

  Awaitable<Result<std::unique_ptr<Stream>>> connect(TimePoint deadline) override {
    stopped_ = false;
    const Result<std::vector<tcp::endpoint>> addresses = co_await look_up(deadline);
    if (!addresses) co_return fail(addresses.error());
    std::optional<Error> first;
    for (std::size_t i = 0; i < addresses->size(); ++i) {
      // A dead address must not use up the time of the others.
      const Duration left = deadline - clock_.now();
      const TimePoint until =
          clock_.now() + left / static_cast<Duration::rep>(addresses->size() - i);
      Result<std::unique_ptr<Stream>> made = co_await try_one((*addresses)[i], until);
      if (made || made.error().kind == ErrorKind::cancelled) co_return made;
      if (!first) first = made.error();
    }
    co_return fail(*first);
  }

  void cancel() override {
    stopped_ = true;
    boost::system::error_code ignored;
    if (pending_) pending_->close(ignored);
    if (looking_up_) looking_up_->done.cancel();
  }

 private:
  std::string place() const { return host_ + " port " + std::to_string(port_); }
  static std::unexpected<Error> stopped() {
    return fail(ErrorKind::cancelled, "the link was closed while connecting");
  }

  Awaitable<Result<std::vector<tcp::endpoint>>> look_up(TimePoint deadline) {
    boost::system::error_code no_address;
    const asio::ip::address address = asio::ip::make_address(host_, no_address);
    if (!no_address) co_return std::vector<tcp::endpoint>(1, tcp::endpoint(address, port_));

    const auto search = std::make_shared<LookUp>(clock_.context());
    looking_up_ = search;
    search->resolver.async_resolve(host_, std::to_string(port_),
                                   [search](const boost::system::error_code& failed,
                                            const tcp::resolver::results_type& results) {
                                     search->finished = true;
                                     search->failed = failed;
                                     for (const auto& each : results) {
                                       search->found.push_back(each.endpoint());
                                     }
                                     search->done.cancel();
                                   });
    const auto alarm = clock_.arm(deadline, [search] {
      search->late = true;
      search->done.cancel();
    });
    boost::system::error_code ignored;  // woken by the result, the alarm or cancel()
    co_await search->done.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
    looking_up_.reset();
    if (stopped_) co_return stopped();
    if (!search->finished) {
      co_return fail(ErrorKind::timeout,
                     "the address of '" + host_ + "' could not be found in time");
    }
    if (search->failed || search->found.empty()) {
      co_return fail(ErrorKind::refused,
                     "the host '" + host_ + "' is not known: " + search->failed.message());
    }
    co_return search->found;
  }

  Awaitable<Result<std::unique_ptr<Stream>>> try_one(tcp::endpoint address, TimePoint until) {
    const auto socket = std::make_shared<tcp::socket>(clock_.context());
    pending_ = socket;
    bool late = false;
    const auto alarm = clock_.arm(until, [socket, &late] {
      late = true;
      boost::system::error_code ignored;
      socket->close(ignored);
    });
    boost::system::error_code failed;
    co_await socket->async_connect(address, asio::redirect_error(asio::use_awaitable, failed));
    pending_.reset();
    if (stopped_) co_return stopped();
    if (late) co_return fail(ErrorKind::timeout, "no answer from " + place());
    if (failed) {
      Error error;
      error.kind =
          failed == asio::error::operation_aborted ? ErrorKind::cancelled : ErrorKind::refused;
      error.number = failed.value();
      error.message = "cannot connect to " + place() + ": " + failed.message();
      co_return fail(std::move(error));
    }
    co_return tcp_stream(std::move(*socket), clock_);
  }

  std::string host_;
  std::uint16_t port_;
  Clock& clock_;
  std::shared_ptr<tcp::socket> pending_;
  std::shared_ptr<LookUp> looking_up_;
  bool stopped_ = false;
};

}  // namespace

std::unique_ptr<Connector> tcp_connector(std::string host, std::uint16_t port, Clock& clock) {
  return std::make_unique<TcpConnector>(std::move(host), port, clock);
}

std::unique_ptr<Link> tcp_link(std::string host, std::uint16_t port, Clock& clock) {
  SocketResource resource;
  resource.host = host;
  resource.port = port;
  return std::make_unique<StreamLink>(normalised(resource),
                                      tcp_connector(std::move(host), port, clock));
}

}  // namespace nightbench::link
