// docs/reference/faults.md: what every fault does at every test point, computed from the model.
#pragma once

#include <string>

namespace nightbench::mock::board::test {

std::string fault_document();

}  // namespace nightbench::mock::board::test
