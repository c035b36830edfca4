// Power comes on only after every check made without power was passed (common practice, no source;
// polarity and shorts are cheap to find before power and expensive after it).
#pragma once

#include <map>
#include <string>

#include "drivers/base/error.hpp"
#include "sequences/record/run.hpp"

namespace nightbench::engine {

class PowerGate {
 public:
  // A question or resistance answered or measured with the supply off. Anything but a pass shuts
  // the gate until the same check is passed.
  void note(const record::Reading& reading);
  // unsafe, with the checks that keep power off, when the gate is shut.
  Result<void> may_power() const;

 private:
  std::map<std::string, std::string> shut_by_;  // quantity: title and why
};

}  // namespace nightbench::engine
