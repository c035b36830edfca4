// The address of a request. Nothing that comes out of here can climb: a segment is never "." or
// "..", never empty, and holds no slash, backslash or control byte. Pure.
#pragma once

#include <expected>
#include <string_view>

#include "daemon/http/message.hpp"

namespace nightbench::http {

// Origin-form only (RFC 9112, 3.2.1). At most 8 segments and 16 query members; a member that stands
// twice is refused.
std::expected<Target, Refusal> parse_target(std::string_view text);

}  // namespace nightbench::http
