#include "sequences/capture/csv.hpp"

#include "captures.hpp"

namespace nightbench::fuzz {

void csv(std::string_view bytes) {
  for (const auto rate_hz : {std::optional<double>(), std::optional<double>(48000)}) {
    const auto got = capture::parse_csv(bytes, "fuzz", {.rate_hz = rate_hz, .full_scale_v = {}});
    if (got) require_sound(*got);
  }
}

}  // namespace nightbench::fuzz
