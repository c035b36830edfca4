#include "counted_memory.hpp"

#include <cstdlib>
#include <new>

namespace {
std::size_t allocated = 0;
}  // namespace

// In a file of their own, so that the compiler cannot inline one half of a pair.
void* operator new(std::size_t size) {
  allocated += size;
  if (void* memory = std::malloc(size == 0 ? 1 : size)) return memory;
  throw std::bad_alloc();
}
void operator delete(void* memory) noexcept {
  std::free(memory);
}
void operator delete(void* memory, std::size_t) noexcept {
  std::free(memory);
}

namespace nightbench::testing {
std::size_t allocated_bytes() {
  return allocated;
}
}  // namespace nightbench::testing
