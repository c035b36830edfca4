#include "drivers/base/quantity.hpp"

#include <cmath>

#include "target.hpp"

namespace nightbench::fuzz {

void quantity(std::string_view bytes) {
  for (const Unit unit : {Unit::hertz, Unit::dbm, Unit::percent, Unit::one}) {
    const auto got = parse_quantity(bytes, unit);
    if (!got) continue;
    require(std::isfinite(*got), "a finite number");
    require(parse_number(shortest(*got)) == *got, "the shortest text reads back");
    static_cast<void>(format(*got, unit));
  }
}

}  // namespace nightbench::fuzz
