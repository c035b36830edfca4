#include "sequences/engine/stage_times.hpp"

#include <algorithm>

#include "drivers/base/quantity.hpp"

namespace nightbench::engine {

const char* word(Stage stage) {
  switch (stage) {
    case Stage::settling: return "settling";
    case Stage::acquisition: return "acquisition";
    case Stage::transfer: return "transfer";
    case Stage::analysis: return "waiting for the analysis";
    case Stage::journal: return "journal";
  }
  return "?";
}

std::string StageTimes::text(Duration total) const {
  if (total <= Duration{}) return "";
  const auto share = [total](Duration part) {
    return format(100 * seconds(part) / seconds(total), Unit::one, 3) + " %";
  };
  std::string out;
  Duration rest = total;
  for (std::size_t n = 0; n < kStages; ++n) {
    rest -= spent_[n];
    out += std::string(word(static_cast<Stage>(n))) + " " + share(spent_[n]) + ", ";
  }
  return out + "settings and questions " + share(std::max(rest, Duration{}));
}

}  // namespace nightbench::engine
