#include "daemon/client/http_client.hpp"

#include <boost/asio/connect.hpp>
#include <boost/asio/generic/stream_protocol.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/http/parser.hpp>
#include <boost/beast/http/read.hpp>
#include <boost/beast/http/string_body.hpp>
#include <boost/beast/http/write.hpp>
#include <charconv>

namespace nightbench::client {
namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using Socket = asio::generic::stream_protocol::socket;

namespace {

constexpr std::uint64_t kMostAnswer = 64ULL << 20U;
constexpr Duration kLongestSilence = std::chrono::minutes(1);

// A socket with a deadline for what it is doing.
struct Line {
  explicit Line(Clock& its_clock) : clock(its_clock), socket(its_clock.context()) {}
  void limit(Duration most) {
    late = false;
    alarm = clock.arm(clock.now() + most, [this] {
      late = true;
      boost::system::error_code ignored;
      socket.close(ignored);
    });
  }
  std::unexpected<Error> failed(const boost::system::error_code& code,
                                const Address& address) const {
    const std::string where = address.unix_path.empty() ? address.authority() : address.unix_path;
    if (late)
      return fail(ErrorKind::timeout, "the service at " + where + " did not answer in time");
    if (code == http::error::end_of_stream || code == asio::error::eof ||
        code == http::error::partial_message) {
      return fail(ErrorKind::refused, "the service at " + where + " closed the connection");
    }
    return fail(ErrorKind::refused,
                "no service at " + where + ": " + code.message() + " (is nightbenchd running?)");
  }
  Clock& clock;
  Socket socket;
  std::unique_ptr<Alarm> alarm;
  bool late = false;
};

Awaitable<Result<void>> connect(Line& line, const Address& address) {
  boost::system::error_code failed;
  if (!address.unix_path.empty()) {
    const asio::local::stream_protocol::endpoint endpoint(address.unix_path);
    line.socket.open(endpoint.protocol(), failed);
    if (!failed) {
      const asio::generic::stream_protocol::endpoint there(endpoint);
      co_await line.socket.async_connect(there, asio::redirect_error(asio::use_awaitable, failed));
    }
  } else {
    asio::ip::tcp::resolver resolver(line.clock.context());
    const std::string port = std::to_string(address.port);
    const auto found = co_await resolver.async_resolve(
        address.host, port, asio::redirect_error(asio::use_awaitable, failed));
    if (!failed && found.empty()) failed = asio::error::host_not_found;
    if (!failed) {
      const asio::ip::tcp::endpoint endpoint = found.begin()->endpoint();
      line.socket.open(endpoint.protocol(), failed);
      const asio::generic::stream_protocol::endpoint there(endpoint);
      co_await line.socket.async_connect(there, asio::redirect_error(asio::use_awaitable, failed));
    }
  }
  if (failed) co_return line.failed(failed, address);
  co_return Result<void>();
}

http::request<http::string_body> request_of(const Address& address, const std::string& method,
                                            const std::string& target, const std::string& body) {
  http::request<http::string_body> out;
  out.version(11);
  out.method_string(method);
  out.target(target);
  out.set(http::field::host, address.authority());
  out.set(http::field::user_agent, "nightbench");
  if (!address.token.empty()) out.set(http::field::authorization, "Bearer " + address.token);
  if (!body.empty()) out.set(http::field::content_type, "application/json");
  out.body() = body;
  if (method != "GET") out.content_length(body.size());
  out.keep_alive(false);
  return out;
}

// Takes whole events off the front of `text` (the event stream format of the HTML standard, 9.2.6).
bool take_events(std::string& text, const std::function<bool(const Event&)>& take) {
  for (;;) {
    const std::size_t end = text.find("\n\n");
    if (end == std::string::npos) return true;
    Event event;
    std::size_t at = 0;
    while (at < end) {
      const std::size_t stop = std::min(text.find('\n', at), end);
      const std::string_view row = std::string_view(text).substr(at, stop - at);
      if (row.starts_with("id: ")) event.id = row.substr(4);
      if (row.starts_with("event: ")) event.type = row.substr(7);
      if (row.starts_with("data: ")) event.data += row.substr(6);
      at = stop + 1;
    }
    text.erase(0, end + 2);
    if (!event.type.empty() && !take(event)) return false;
  }
}

}  // namespace

std::string Address::authority() const {
  if (!unix_path.empty()) return "localhost";
  const bool six = host.find(':') != std::string::npos;
  return (six ? "[" + host + "]" : host) + ":" + std::to_string(port);
}

Result<Address> parse_address(std::string_view text) {
  Address address;
  std::string_view rest = text;
  if (rest.starts_with("unix:") && rest.size() > 5) {
    address.unix_path = rest.substr(5);
    return address;
  }
  if (rest.starts_with("http://")) rest.remove_prefix(7);
  if (rest.ends_with("/")) rest.remove_suffix(1);
  const std::size_t colon = rest.rfind(':');
  std::string_view host = rest.substr(0, std::min(colon, rest.size()));
  if (host.starts_with("[") && host.ends_with("]")) host = host.substr(1, host.size() - 2);
  const std::string_view port = colon == std::string_view::npos ? "" : rest.substr(colon + 1);
  const char* end = port.data() + port.size();
  const auto [read, code] = std::from_chars(port.data(), end, address.port);
  if (host.empty() || port.empty() || code != std::errc() || read != end) {
    return fail(ErrorKind::bad_input,
                "expected the address of a service, such as 127.0.0.1:7411 "
                "or unix:/path, found \"" +
                    excerpt(text) + "\"");
  }
  address.host = host;
  return address;
}

Awaitable<Result<Reply>> ask(Clock& clock, Address address, std::string method, std::string target,
                             std::string body, Duration most) {
  Line line(clock);
  line.limit(most);
  CO_TRY(co_await connect(line, address));
  const http::request<http::string_body> request = request_of(address, method, target, body);
  boost::system::error_code failed;
  co_await http::async_write(line.socket, request,
                             asio::redirect_error(asio::use_awaitable, failed));
  if (failed) co_return line.failed(failed, address);
  beast::flat_buffer buffer;
  http::response_parser<http::string_body> parser;
  parser.body_limit(kMostAnswer);
  co_await http::async_read(line.socket, buffer, parser,
                            asio::redirect_error(asio::use_awaitable, failed));
  if (failed) co_return line.failed(failed, address);
  Reply reply;
  reply.status = static_cast<int>(parser.get().result_int());
  reply.body = std::move(parser.get().body());
  co_return reply;
}

Awaitable<Result<void>> watch(Clock& clock, Address address, std::string after,
                              std::function<bool(const Event&)> take) {
  Line line(clock);
  line.limit(std::chrono::seconds(10));
  CO_TRY(co_await connect(line, address));
  const std::string target = "/v1/events" + (after.empty() ? std::string() : "?after=" + after);
  const http::request<http::string_body> request = request_of(address, "GET", target, "");
  boost::system::error_code failed;
  co_await http::async_write(line.socket, request,
                             asio::redirect_error(asio::use_awaitable, failed));
  if (failed) co_return line.failed(failed, address);
  beast::flat_buffer buffer;
  http::response_parser<http::string_body> parser;
  parser.body_limit(boost::none);
  std::string text;
  while (!parser.is_done()) {
    line.limit(kLongestSilence);
    co_await http::async_read_some(line.socket, buffer, parser,
                                   asio::redirect_error(asio::use_awaitable, failed));
    if (failed) co_return line.failed(failed, address);
    if (parser.is_header_done() && parser.get().result_int() != 200) {
      co_return fail(ErrorKind::bad_data,
                     "the service answered " + std::to_string(parser.get().result_int()));
    }
    text += parser.get().body();
    parser.get().body().clear();
    if (!take_events(text, take)) co_return Result<void>();
  }
  co_return fail(ErrorKind::refused, "the service closed the stream of events");
}

}  // namespace nightbench::client
