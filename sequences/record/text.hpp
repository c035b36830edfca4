// Text from outside (instruments, people, files) made fit for records and documents.
//
// An instrument may answer any bytes. What cannot be kept as it is becomes visible, never lost:
// a byte 0x9B that is no valid UTF-8 becomes the four characters \x9b. Pure functions.
#pragma once

#include <string>
#include <string_view>

namespace nightbench::record {

// `text` with every byte that is not part of valid UTF-8 (RFC 3629: no overlong forms, no
// surrogates, at most U+10FFFF) written as \xNN. Valid text comes back unchanged.
std::string valid_utf8(std::string_view text);

// The same, and what a reader could not see is made visible too: control characters other than TAB
// and LF as \xNN; CR LF becomes LF; the directional overrides and isolates (U+202A..U+202E,
// U+2066..U+2069), line and paragraph separators, U+FEFF and the non-characters as \u{NNNN}. The
// result is allowed in XML 1.0 and HTML text once `&`, `<`, `>` and quotes are escaped.
std::string printable(std::string_view text);

}  // namespace nightbench::record
