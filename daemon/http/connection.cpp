#include "daemon/http/connection.hpp"

#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/http/chunk_encode.hpp>
#include <boost/beast/http/empty_body.hpp>
#include <boost/beast/http/serializer.hpp>
#include <boost/beast/http/string_body.hpp>
#include <boost/beast/http/write.hpp>
#include <nlohmann/json.hpp>

namespace nightbench::http {
namespace asio = boost::asio;
namespace bhttp = boost::beast::http;

namespace {

constexpr std::string_view kHeadEnd = "\r\n\r\n";

Response refusal_response(const Refusal& refusal) {
  Response response;
  response.status = refusal.status;
  const nlohmann::ordered_json body{
      {"error", {{"kind", "refused"}, {"reason", refusal.reason}, {"message", refusal.text}}}};
  response.body = body.dump() + "\n";
  if (refusal.status == 401) response.fields.emplace_back("WWW-Authenticate", "Bearer");
  if (refusal.status == 429) response.fields.emplace_back("Retry-After", "1");
  return response;
}

template <typename Body>
void put_fields(bhttp::response<Body>& out, const Response& response) {
  out.version(11);
  out.result(static_cast<unsigned>(response.status));
  out.set(bhttp::field::server, "nightbench");
  out.set(bhttp::field::content_type, response.type);
  out.set("X-Content-Type-Options", "nosniff");
  out.set("Referrer-Policy", "no-referrer");
  out.set("Cross-Origin-Resource-Policy", "same-origin");
  bool cache = false;
  for (const auto& [name, value] : response.fields) {
    out.insert(name, value);
    cache = cache || name == "Cache-Control";
  }
  if (!cache) out.set(bhttp::field::cache_control, "no-store");
}

}  // namespace

Connection::Connection(std::shared_ptr<Server::State> server, Socket socket,
                       std::shared_ptr<const Door> door, std::string peer)
    : server_(std::move(server)),
      socket_(std::move(socket)),
      door_(std::move(door)),
      peer_(std::move(peer)),
      since_(server_->clock.now()) {
  place_ = server_->connections.insert(server_->connections.end(), this);
  server_->tally.open = server_->connections.size();
}

Connection::~Connection() {
  server_->connections.erase(place_);
  server_->tally.open = server_->connections.size();
}

void Connection::close() {
  boost::system::error_code ignored;
  idle_ = false;
  socket_.close(ignored);
}

void Connection::limit(double span_s) {
  expired_ = false;
  const TimePoint when = server_->clock.now() + from_seconds(span_s);
  alarm_ = server_->clock.arm(when, [weak = weak_from_this()] {
    if (const auto self = weak.lock()) {
      self->expired_ = true;
      boost::system::error_code ignored;
      self->socket_.cancel(ignored);
    }
  });
}

// More bytes into the buffer; false when the other side closed or the time is up.
Awaitable<bool> Connection::fill() {
  std::array<char, 8192> piece{};
  boost::system::error_code failed;
  const std::size_t got = co_await socket_.async_read_some(
      asio::buffer(piece), asio::redirect_error(asio::use_awaitable, failed));
  if (failed || got == 0) co_return false;
  buffer_.append(piece.data(), got);
  co_return true;
}

Awaitable<Connection::Read> Connection::read_head_text(bool first, std::string* head) {
  idle_ = buffer_.empty();
  since_ = server_->clock.now();
  limit(first || !buffer_.empty() ? server_->limits.head_s : server_->limits.idle_s);
  for (;;) {
    const std::size_t end = buffer_.find(kHeadEnd);
    if (end != std::string::npos && end + kHeadEnd.size() <= server_->limits.head_bytes) {
      idle_ = false;
      *head = buffer_.substr(0, end + kHeadEnd.size());
      buffer_.erase(0, end + kHeadEnd.size());
      no_limit();
      co_return Read::good;
    }
    if (buffer_.size() > server_->limits.head_bytes) {
      Refusal refusal{431, "large-head", "the head is too large"};
      co_await turn_away(std::move(refusal));
      co_return Read::refused;
    }
    const bool empty = buffer_.empty();
    const bool got = co_await fill();
    if (!got && expired_ && !buffer_.empty()) {
      Refusal refusal{408, "slow-head", "the head did not come in time"};
      co_await turn_away(std::move(refusal));
      co_return Read::refused;
    }
    if (!got) co_return Read::closed;
    if (empty && !first) limit(server_->limits.head_s);
  }
}

Awaitable<Connection::Read> Connection::read_body(std::uint64_t length, std::string* body) {
  limit(server_->limits.body_s);
  while (buffer_.size() < length) {
    const bool got = co_await fill();
    if (!got && expired_) {
      Refusal refusal{408, "slow-body", "the body did not come in time"};
      co_await turn_away(std::move(refusal));
      co_return Read::refused;
    }
    if (!got) co_return Read::closed;
  }
  no_limit();
  *body = buffer_.substr(0, length);
  buffer_.erase(0, length);
  co_return Read::good;
}

// Answers and closes: what follows on this connection cannot be trusted any more.
Awaitable<void> Connection::turn_away(Refusal refusal) {
  server_->refuse(refusal, peer_);
  co_await write(refusal_response(refusal), false, false);
  // The rest of what was sent is taken in for a moment, so that the answer is not lost to a reset.
  boost::system::error_code ignored;
  socket_.shutdown(asio::socket_base::shutdown_send, ignored);
  limit(0.5);
  std::size_t taken = 0;
  while (taken < server_->limits.body_bytes) {
    buffer_.clear();
    const bool got = co_await fill();
    if (!got) break;
    taken += buffer_.size();
  }
  no_limit();
}

Awaitable<bool> Connection::write(Response response, bool head_only, bool keep_alive) {
  ++server_->tally.responses[response.status];
  limit(server_->limits.write_s);
  boost::system::error_code failed;
  if (head_only) {
    bhttp::response<bhttp::empty_body> out;
    put_fields(out, response);
    out.content_length(response.body.size());
    out.keep_alive(keep_alive);
    co_await bhttp::async_write(socket_, out, asio::redirect_error(asio::use_awaitable, failed));
  } else {
    bhttp::response<bhttp::string_body> out;
    put_fields(out, response);
    out.body() = std::move(response.body);
    if (response.status != 204) out.content_length(out.body().size());
    out.keep_alive(keep_alive);
    co_await bhttp::async_write(socket_, out, asio::redirect_error(asio::use_awaitable, failed));
  }
  no_limit();
  co_return !failed && keep_alive;
}

Awaitable<void> Connection::stream(std::uint64_t after) {
  if (server_->tally.streams >= server_->limits.streams) {
    Refusal refusal{503, "many-streams", "too many watchers"};
    co_await turn_away(std::move(refusal));
    co_return;
  }
  ++server_->tally.streams;
  ++server_->tally.responses[200];
  Response response;
  response.type = "text/event-stream";
  bhttp::response<bhttp::empty_body> out;
  put_fields(out, response);
  out.chunked(true);
  out.keep_alive(false);
  bhttp::response_serializer<bhttp::empty_body> serializer(out);
  boost::system::error_code failed;
  limit(server_->limits.write_s);
  co_await bhttp::async_write_header(socket_, serializer,
                                     asio::redirect_error(asio::use_awaitable, failed));
  std::string text = "retry: 2000\n\n";
  while (!failed) {
    limit(server_->limits.write_s);
    const asio::const_buffer piece = asio::buffer(text);
    const auto chunk = bhttp::make_chunk(piece);
    co_await asio::async_write(socket_, chunk, asio::redirect_error(asio::use_awaitable, failed));
    no_limit();
    if (failed || server_->events.closed() || server_->stopping) break;
    auto beat = server_->clock.arm(server_->clock.now() + from_seconds(server_->limits.beat_s),
                                   [events = &server_->events] { events->poke(); });
    co_await server_->events.wait(after);
    beat.reset();
    if (!socket_.is_open()) break;
    text.clear();
    const service::EventHub::Batch batch = server_->events.since(after);
    if (batch.gap) text += "event: gap\ndata: {}\n\n";
    for (const service::Event* event : batch.events) {
      text += "id: " + std::to_string(event->id) + "\nevent: " + event->type +
              "\ndata: " + event->data + "\n\n";
      after = event->id;
    }
    if (text.empty()) text = ": still here\n\n";
  }
  --server_->tally.streams;
  if (!failed) {
    const auto last = bhttp::make_chunk_last();
    limit(1);
    co_await asio::async_write(socket_, last, asio::redirect_error(asio::use_awaitable, failed));
    no_limit();
  }
}

Awaitable<bool> Connection::answer(Head head) {
  const Request& request = head.request;
  const bool open_to_all = server_->open_to_all(request);
  if (auto refusal = server_->gate.check(request, *door_, peer_, open_to_all)) {
    co_await turn_away(*std::move(refusal));
    co_return false;
  }
  if (head.content_length > server_->limits.body_bytes) {
    Refusal refusal{413, "large-body", "the body is too large"};
    co_await turn_away(std::move(refusal));
    co_return false;
  }
  const Read read = co_await read_body(head.content_length, &head.request.body);
  if (read != Read::good) co_return false;
  const bool head_only = request.method == "HEAD";
  const bool keep_alive = head.keep_alive && !server_->stopping;
  Response response = co_await server_->handler(std::move(head.request));
  if (response.events_after && !head_only) {
    co_await stream(*response.events_after);
    co_return false;
  }
  co_return co_await write(std::move(response), head_only, keep_alive);
}

Awaitable<bool> Connection::exchange(bool first) {
  std::string text;
  const Read read = co_await read_head_text(first, &text);
  if (read != Read::good) co_return false;
  auto head = read_head(text);
  if (!head) {
    co_await turn_away(std::move(head).error());
    co_return false;
  }
  co_return co_await answer(*std::move(head));
}

Awaitable<void> Connection::serve() {
  const auto self = shared_from_this();
  bool first = true;
  for (;;) {
    const bool more = co_await exchange(first);
    if (!more || server_->stopping) break;
    first = false;
  }
  boost::system::error_code ignored;
  socket_.shutdown(asio::socket_base::shutdown_both, ignored);
  close();
}

}  // namespace nightbench::http
