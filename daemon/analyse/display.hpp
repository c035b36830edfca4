// A reading put into words for the terminal.
#pragma once

#include <string>
#include <string_view>

#include "daemon/analyse/analyse.hpp"

namespace nightbench::analyse {

struct Display {
  std::string value;     // "-0.15", "> 37.1", "no reading"
  std::string u;         // two significant digits (GUM 7.2.6); "open" for an interval without end
  std::string unit;      // with a prefix that suits the larger of value and U
  std::string interval;  // "35.2 to 50.5", where it is not value -+ U
};
Display display(const Quantity& quantity);

// "-0.15 dB, U = 0.28 dB"
std::string sentence(const Display& display);

// Broken at blanks into lines of at most `width` bytes where words allow; each line starts with
// `indent`, ends in a newline.
std::string wrapped(std::string_view text, std::size_t width, std::string_view indent);

}  // namespace nightbench::analyse
