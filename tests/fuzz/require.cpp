#include <cstdio>
#include <cstdlib>

#include "target.hpp"

namespace nightbench::fuzz {

void require(bool holds, const char* what) {
  if (holds) return;
  std::fprintf(stderr, "does not hold: %s\n", what);
  std::abort();
}

}  // namespace nightbench::fuzz
