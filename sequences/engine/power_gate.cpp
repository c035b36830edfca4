#include "sequences/engine/power_gate.hpp"

namespace nightbench::engine {

void PowerGate::note(const record::Reading& reading) {
  if (reading.decision == record::Decision::pass ||
      reading.decision == record::Decision::conditional_pass) {
    shut_by_.erase(reading.quantity);
    return;
  }
  std::string why = record::word(reading.decision);
  if (!reading.reason.empty()) why += ", " + reading.reason;
  shut_by_[reading.quantity] = reading.title + " (" + why + ")";
}

Result<void> PowerGate::may_power() const {
  if (shut_by_.empty()) return {};
  std::string list;
  for (const auto& [quantity, text] : shut_by_) list += (list.empty() ? "" : "; ") + text;
  return fail(ErrorKind::unsafe,
              "the supply stays off: not every check before power was passed: " + list);
}

}  // namespace nightbench::engine
