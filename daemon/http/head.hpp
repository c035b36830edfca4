// The head of a request, read strictly: what two readers could understand differently is refused
// (request smuggling; RFC 9112, 2.2, 5.1, 5.2, 6.3 and 11.2, whose SHOULDs are MUSTs here). Pure.
#pragma once

#include <cstdint>
#include <expected>
#include <string_view>

#include "daemon/http/message.hpp"

namespace nightbench::http {

struct Head {
  Request request;
  std::uint64_t content_length = 0;
  bool keep_alive = true;
};

// `text` ends with the empty line. Refused beside all that is no HTTP/1.1: lines that do not end in
// CR LF, folded lines, blanks before the colon, control bytes, bytes above 0x7E, Transfer-Encoding
// of any kind (nothing that a client of ours sends needs it), a second Host, Content-Length,
// Origin, Authorization, Cookie or Content-Type, no Host, Expect, more than 64 fields.
std::expected<Head, Refusal> read_head(std::string_view text);

}  // namespace nightbench::http
