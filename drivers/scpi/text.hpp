// SCPI data as text: what instruments send is read generously (all of NR1, NR2, NR3 anywhere,
// blanks and signs in front), what we send is written in the plainest form (base units, no suffix).
// Independent of the locale. Sources: IEEE 488.2 chapters 7 and 8, SCPI-1999 volume 1 chapter 7.
//
// Errors are bad_data with what was expected and what came (shortened, unprintable bytes escaped).
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/error.hpp"
#include "drivers/base/quantity.hpp"

namespace nightbench::scpi {

// A number as instruments mean it: 9.91E37 says "not a number", +-9.9E37 "infinite", which is how
// an overload shows (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5).
struct Number {
  enum class Kind : std::uint8_t { value, not_a_number, overload, negative_overload };
  Kind kind = Kind::value;
  double value = 0;  // meaningful for Kind::value only
  bool usable() const { return kind == Kind::value; }
};

// NRf, #H #Q #B forms, and the words NAN INF INFINITY NINF NINFINITY.
Result<Number> read_number(std::string_view text);
// A usable number, or bad_data that says whether it was an overload.
Result<double> read_value(std::string_view text);
// A whole number; "+1", "1.0" and "1E0" are whole.
Result<long long> read_integer(std::string_view text);
// ON, OFF, or a number (rounded, non-zero is on; SCPI-1999 volume 1, 7.3).
Result<bool> read_boolean(std::string_view text);
// A string in either quote, doubled quotes undone. Text without quotes is taken as it is.
Result<std::string> read_string(std::string_view text);
// (@1,3:5,2!4) - matrix channels are not read; ranges are expanded, at most 1000 channels.
Result<std::vector<int>> read_channel_list(std::string_view text);

// `text` cut at `separator`, outside quotes and parentheses; blanks around the parts are dropped.
// At most `most` cuts, from the left. An empty text gives one empty part.
std::vector<std::string> split(std::string_view text, char separator,
                               std::size_t most = static_cast<std::size_t>(-1));
std::string_view trimmed(std::string_view text);  // 0x00-0x20 are white space (IEEE 488.2, 7.4.1.2)

// The fewest digits that read back exactly, with an exponent only for very large and small values.
// Infinite and NaN become 9.9E37 and 9.91E37.
std::string write_number(double value);
std::string write_string(std::string_view text);               // "..." with doubled quotes
std::string write_channel_list(const std::vector<int>& list);  // (@101,102)

// A number with a unit and multiplier as programs may send them ("10.12MHZ", "2.5 KOHM", "-30DBM"),
// in base units. Case-free; M means mega before HZ and OHM and milli elsewhere, MA is always mega
// (SCPI-1999 volume 1, 7.5; IEEE 488.2, 7.7.3). A plain number is in the base unit.
// Errors: bad_data; `number` holds -131 or -138.
Result<double> read_with_suffix(std::string_view text, Unit unit);

// Up to `most` bytes of `bytes` for a message: unprintable ones as \n \r \xHH, "..." when cut.
std::string shown(std::string_view bytes, std::size_t most = 60);

}  // namespace nightbench::scpi
