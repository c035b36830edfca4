#include "drivers/scpi/text.hpp"

#include "target.hpp"

namespace nightbench::fuzz {

void scpi_text(std::string_view bytes) {
  const auto number = scpi::read_number(bytes);
  if (number && number->usable()) {
    require(scpi::read_value(scpi::write_number(number->value)) == number->value, "numbers");
  }
  const auto list = scpi::read_channel_list(bytes);
  if (list) require(scpi::read_channel_list(scpi::write_channel_list(*list)) == *list, "lists");
  static_cast<void>(scpi::read_integer(bytes));
  static_cast<void>(scpi::read_boolean(bytes));
  static_cast<void>(scpi::read_string(bytes));
  static_cast<void>(scpi::read_with_suffix(bytes, Unit::hertz));
  require(scpi::read_string(scpi::write_string(bytes)) == std::string(bytes), "strings");
}

}  // namespace nightbench::fuzz
