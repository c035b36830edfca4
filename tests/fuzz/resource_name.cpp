#include "drivers/link/resource.hpp"

#include "drivers/link/serial.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void resource_name(std::string_view bytes) {
  if (const auto resource = link::parse_resource(bytes)) {
    const std::string text = link::normalised(*resource);
    const auto again = link::parse_resource(text);
    require(again && *again == *resource, "the normal form means the same");
    require(link::normalised(*again) == text, "the normal form is its own");
  }
  if (const auto settings = link::parse_serial_settings(bytes)) {
    const auto again = link::parse_serial_settings(link::describe(*settings));
    require(again && *again == *settings, "serial settings read back");
  }
}

}  // namespace nightbench::fuzz
