// Numbers with units, as people write them in our JSON files: "10.12 MHz", "-30 dBm", "1.5 ms".
//
// Prefixes are those of the SI, case-sensitive: "mHz" is a thousandth, "MHz" a million. (SCPI's own
// suffix rule, where M before HZ means mega, lives in drivers/scpi.)
#pragma once

#include <string>
#include <string_view>

#include "drivers/base/error.hpp"

namespace nightbench {

enum class Unit {
  hertz, volt, ampere, ohm, second, watt, dbm, db, degree, percent, ppm, celsius, one
};

// "Hz", "V", ... as shown to people; "" for `one`.
const char* symbol(Unit unit);

// Parses `text` into the base unit. A plain number is taken to be in the base unit already. A
// percentage is returned as a fraction only when `expected` is `one`; with `percent` it stays.
// Errors: bad_input that names what was expected, with an example.
Result<double> parse_quantity(std::string_view text, Unit expected);

// The shortest decimal text that reads back as exactly `value`; independent of the locale.
std::string shortest(double value);
// `value` with an SI prefix and `digits` significant digits: format(10.12e6, Unit::hertz) is
// "10.12 MHz". Non-finite values give "no value".
std::string format(double value, Unit unit, int digits = 6);
// Reads a decimal number in the C locale; the whole text must be used. Accepts a leading '+'.
// `nan` and infinities are refused.
Result<double> parse_number(std::string_view text);

}  // namespace nightbench
