// Counts what a test program allocates, for checks that something needs no memory of its own.
#pragma once

#include <cstddef>

namespace nightbench::testing {

// Bytes asked for by `new` since the program started; what was given back is not subtracted.
std::size_t allocated_bytes();

}  // namespace nightbench::testing
