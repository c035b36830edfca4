#include "daemon/http/head.hpp"

#include <algorithm>
#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/beast/http/empty_body.hpp>
#include <boost/beast/http/parser.hpp>
#include <charconv>

#include "daemon/http/target.hpp"

namespace nightbench::http {
namespace beast = boost::beast;

namespace {

constexpr std::size_t kMostFields = 64;
constexpr std::size_t kLongestTarget = 2000;
constexpr std::array<std::string_view, 6> kOnce{"host",          "content-length", "origin",
                                                "authorization", "cookie",         "content-type"};

std::unexpected<Refusal> refuse(int status, std::string reason, std::string text) {
  return std::unexpected(Refusal{status, std::move(reason), std::move(text)});
}

// RFC 9110, 5.6.2
bool is_token(std::string_view text) {
  constexpr std::string_view kMarks = "!#$%&'*+-.^_`|~";
  return !text.empty() && std::all_of(text.begin(), text.end(), [&](char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
           kMarks.find(c) != std::string_view::npos;
  });
}

std::string lower(std::string_view text) {
  std::string out(text);
  for (char& c : out) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return out;
}

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && (text.front() == ' ' || text.front() == '\t')) text.remove_prefix(1);
  while (!text.empty() && (text.back() == ' ' || text.back() == '\t')) text.remove_suffix(1);
  return text;
}

std::expected<void, Refusal> check_bytes(std::string_view text) {
  for (std::size_t n = 0; n < text.size(); ++n) {
    const auto byte = static_cast<unsigned char>(text[n]);
    if (byte == '\r' && n + 1 < text.size() && text[n + 1] == '\n') {
      ++n;
      continue;
    }
    if (byte == '\r' || byte == '\n') {
      return refuse(400, "line-end", "a line of the head does not end in CR LF");
    }
    if ((byte < 0x20 && byte != '\t') || byte > 0x7e) {
      return refuse(400, "bad-byte", "the head holds a control byte or one that is not ASCII");
    }
  }
  return {};
}

std::expected<void, Refusal> read_request_line(std::string_view line, Head& head) {
  const std::size_t first = line.find(' ');
  const std::size_t last = line.rfind(' ');
  if (first == std::string_view::npos || last == first) {
    return refuse(400, "request-line", "the first line is no request line");
  }
  const std::string_view method = line.substr(0, first);
  const std::string_view target = line.substr(first + 1, last - first - 1);
  const std::string_view version = line.substr(last + 1);
  if (!is_token(method)) return refuse(400, "request-line", "the method is no token");
  if (version != "HTTP/1.1") return refuse(505, "version", "only HTTP/1.1 is spoken here");
  if (target.size() > kLongestTarget) return refuse(414, "long-target", "the address is too long");
  auto parsed = parse_target(target);
  if (!parsed) return std::unexpected(std::move(parsed).error());
  head.request.method = method;
  head.request.target = *std::move(parsed);
  return {};
}

std::expected<void, Refusal> read_field(std::string_view line, Head& head) {
  if (line.front() == ' ' || line.front() == '\t') {
    return refuse(400, "folded-field", "a field is folded over two lines");
  }
  const std::size_t colon = line.find(':');
  if (colon == std::string_view::npos || !is_token(line.substr(0, colon))) {
    return refuse(400, "bad-field", "a line of the head is no field");
  }
  const std::string name = lower(line.substr(0, colon));
  const std::string value(trimmed(line.substr(colon + 1)));
  const auto [place, is_new] = head.request.fields.emplace(name, value);
  if (is_new) return {};
  if (std::find(kOnce.begin(), kOnce.end(), name) != kOnce.end()) {
    return refuse(400, "twice", "the field " + name + " stands twice");
  }
  place->second += ", " + value;
  return {};
}

std::expected<void, Refusal> read_length(Head& head) {
  const auto& fields = head.request.fields;
  const auto length = fields.find("content-length");
  if (fields.contains("transfer-encoding")) {
    if (length != fields.end()) {
      return refuse(400, "both-lengths", "Content-Length and Transfer-Encoding contradict");
    }
    return refuse(411, "transfer-encoding", "send Content-Length, not Transfer-Encoding");
  }
  if (length == fields.end()) return {};
  const std::string& text = length->second;
  const char* end = text.data() + text.size();
  const auto [read, code] = std::from_chars(text.data(), end, head.content_length);
  if (text.empty() || code != std::errc() || read != end) {
    return refuse(400, "bad-length", "Content-Length is no whole number");
  }
  return {};
}

// A second reader that must agree that this is one whole head.
bool second_opinion(std::string_view text) {
  beast::http::request_parser<beast::http::empty_body> parser;
  parser.body_limit(boost::none);
  parser.header_limit(static_cast<std::uint32_t>(text.size() + 1));
  boost::system::error_code code;
  const std::size_t used = parser.put(boost::asio::buffer(text.data(), text.size()), code);
  const bool good = !code || code == beast::http::error::need_more;
  return good && parser.is_header_done() && used == text.size();
}

}  // namespace

std::expected<Head, Refusal> read_head(std::string_view text) {
  if (auto good = check_bytes(text); !good) return std::unexpected(std::move(good).error());
  Head head;
  std::size_t at = text.find("\r\n");
  if (auto good = read_request_line(text.substr(0, at), head); !good) {
    return std::unexpected(std::move(good).error());
  }
  std::size_t fields = 0;
  for (at += 2; at + 2 < text.size();) {
    const std::size_t end = text.find("\r\n", at);
    if (++fields > kMostFields) return refuse(431, "many-fields", "the head has too many fields");
    if (auto good = read_field(text.substr(at, end - at), head); !good) {
      return std::unexpected(std::move(good).error());
    }
    at = end + 2;
  }
  if (!head.request.fields.contains("host")) {
    return refuse(400, "no-host", "the field Host is missing");
  }
  if (head.request.fields.contains("expect")) {
    return refuse(417, "expect", "no expectation is met here");
  }
  if (auto good = read_length(head); !good) return std::unexpected(std::move(good).error());
  if (!second_opinion(text)) return refuse(400, "not-http", "the head is no HTTP");
  head.keep_alive = lower(head.request.field("connection")).find("close") == std::string::npos;
  return head;
}

}  // namespace nightbench::http
