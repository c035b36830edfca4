#include "daemon/guardian/vigil.hpp"

#include <boost/asio/read_until.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>

namespace nightbench::guardian {
namespace asio = boost::asio;

namespace {
constexpr std::size_t kLongestLine = 65'536;
}

Awaitable<Result<std::string>> Vigil::line(TimePoint deadline) {
  bool late = false;
  const auto alarm = clock_.arm(deadline, [this, &late] {
    late = true;
    socket_.cancel();
  });
  boost::system::error_code failed;
  const std::size_t size =
      co_await asio::async_read_until(socket_, asio::dynamic_buffer(bytes_, kLongestLine), '\n',
                                      asio::redirect_error(asio::use_awaitable, failed));
  if (!failed) {
    std::string out = bytes_.substr(0, size - 1);
    bytes_.erase(0, size);
    co_return out;
  }
  if (late) co_return fail(ErrorKind::timeout, "nothing was said in time");
  co_return fail(ErrorKind::refused, "the connection has ended: " + failed.message());
}

void Vigil::say(const std::string& word) {
  boost::system::error_code ignored;
  asio::write(socket_, asio::buffer(word + "\n"), ignored);
}

Awaitable<VigilEnd> Vigil::watch(Duration watchdog) {
  bool armed = false;
  for (;;) {
    const TimePoint deadline = armed ? clock_.now() + watchdog : TimePoint::max();
    const Result<std::string> word = co_await line(deadline);
    if (!word && word.error().kind == ErrorKind::timeout) {
      // It may be us who were kept from running, with signs of life waiting to be read.
      boost::system::error_code ignored;
      if (socket_.available(ignored) > 0) continue;
      co_return VigilEnd::silent;
    }
    if (!word) co_return VigilEnd::left;
    if (*word == "goodbye") co_return VigilEnd::goodbye;
    if (*word == "rest") armed = false;
    if (*word == "arm") {
      armed = true;
      say("armed");
    }
  }
}

}  // namespace nightbench::guardian
