// Raw TCP links over the loopback interface, on real time.
#include "drivers/link/tcp.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/use_awaitable.hpp>

#include "contract.hpp"

namespace nightbench::test {
namespace {
namespace asio = boost::asio;
using asio::ip::tcp;

class TcpFixture {
 public:
  static constexpr Duration kLittle = std::chrono::milliseconds(20);

  RealClock& clock() { return clock_; }
  std::unique_ptr<link::Link> link() {
    return link::tcp_link("127.0.0.1", acceptor_.local_endpoint().port(), clock_);
  }
  Awaitable<std::shared_ptr<link::Stream>> accept() {
    tcp::socket socket = co_await acceptor_.async_accept(asio::use_awaitable);
    std::unique_ptr<link::Stream> stream = link::tcp_stream(std::move(socket), clock_);
    co_return std::shared_ptr<link::Stream>(std::move(stream));
  }
  void go_away() { acceptor_.close(); }

 private:
  asio::io_context context_;
  RealClock clock_{context_};
  tcp::acceptor acceptor_{context_, tcp::endpoint(asio::ip::address_v4::loopback(), 0)};
};

INSTANTIATE_TYPED_TEST_SUITE_P(Tcp, LinkContract, TcpFixture);

TEST(Tcp, ResolvesNamesAndNamesTheResource) {
  asio::io_context context;
  RealClock clock(context);
  tcp::acceptor acceptor(context, tcp::endpoint(asio::ip::address_v4::loopback(), 0));
  const std::uint16_t port = acceptor.local_endpoint().port();
  const auto link = link::tcp_link("localhost", port, clock);
  EXPECT_EQ(link->resource(), "TCPIP0::localhost::" + std::to_string(port) + "::SOCKET");
  const auto connected = run(clock, link->connect(clock.now() + kPlenty));
  EXPECT_TRUE(connected) << describe(connected.error());
}

TEST(Tcp, RefusedConnectionNamesHostPortAndReason) {
  asio::io_context context;
  RealClock clock(context);
  tcp::acceptor acceptor(context, tcp::endpoint(asio::ip::address_v4::loopback(), 0));
  const std::uint16_t port = acceptor.local_endpoint().port();
  acceptor.close();
  const auto link = link::tcp_link("127.0.0.1", port, clock);
  const auto refused = run(clock, link->connect(clock.now() + kPlenty));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::refused);
  EXPECT_EQ(refused.error().number, ECONNREFUSED);
  EXPECT_EQ(refused.error().message,
            "cannot connect to 127.0.0.1 port " + std::to_string(port) + ": Connection refused");
}

TEST(Tcp, ConnectEndsAtItsDeadlineWhenNobodyAnswers) {
  // A listening socket whose queue is full drops what comes: the kernel of the other side is there,
  // but the connection is never made.
  asio::io_context context;
  RealClock clock(context);
  tcp::acceptor acceptor(context);
  acceptor.open(tcp::v4());
  acceptor.bind(tcp::endpoint(asio::ip::address_v4::loopback(), 0));
  acceptor.listen(0);
  const std::uint16_t port = acceptor.local_endpoint().port();
  std::vector<std::unique_ptr<link::Link>> fillers;
  Result<void> last;
  for (int i = 0; i < 8 && last; ++i) {
    fillers.push_back(link::tcp_link("127.0.0.1", port, clock));
    last = run(clock, fillers.back()->connect(clock.now() + TcpFixture::kLittle));
  }
  ASSERT_FALSE(last);
  EXPECT_EQ(last.error().kind, ErrorKind::timeout);
  EXPECT_EQ(last.error().message, "no answer from 127.0.0.1 port " + std::to_string(port));
}

TEST(Tcp, CloseEndsAPendingConnect) {
  asio::io_context context;
  RealClock clock(context);
  tcp::acceptor acceptor(context);
  acceptor.open(tcp::v4());
  acceptor.bind(tcp::endpoint(asio::ip::address_v4::loopback(), 0));
  acceptor.listen(0);
  const std::uint16_t port = acceptor.local_endpoint().port();
  std::vector<std::unique_ptr<link::Link>> fillers;
  Result<void> filled;
  for (int i = 0; i < 8 && filled; ++i) {
    fillers.push_back(link::tcp_link("127.0.0.1", port, clock));
    filled = run(clock, fillers.back()->connect(clock.now() + TcpFixture::kLittle));
  }
  ASSERT_FALSE(filled);
  const auto link = link::tcp_link("127.0.0.1", port, clock);
  const auto alarm = clock.arm(clock.now() + TcpFixture::kLittle, [&] { link->close(); });
  const TimePoint deadline = clock.now() + kPlenty;
  const auto stopped = run(clock, link->connect(deadline));
  ASSERT_FALSE(stopped);
  EXPECT_EQ(stopped.error().kind, ErrorKind::cancelled);
  EXPECT_LT(clock.now(), deadline);
}

}  // namespace
}  // namespace nightbench::test
