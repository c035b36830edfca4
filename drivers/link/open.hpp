// From a resource name to a closed Link. The one place that knows which transports exist: a new one
// is added to the visitor in open.cpp and nowhere else.
#pragma once

#include <memory>
#include <string_view>

#include "drivers/link/link.hpp"
#include "drivers/link/resource.hpp"
#include "drivers/link/serial.hpp"

namespace nightbench::link {

// `serial` counts for serial ports only. Errors: bad_input when the name is wrong, or names a
// transport that is not served.
Result<std::unique_ptr<Link>> open(std::string_view resource, Clock& clock,
                                   const SerialSettings& serial = {});
Result<std::unique_ptr<Link>> open(const Resource& resource, Clock& clock,
                                   const SerialSettings& serial = {});

}  // namespace nightbench::link
