// The entry point that libFuzzer calls; the build says which target it leads to.
#include <cstddef>
#include <cstdint>
#include <string_view>

namespace nightbench::fuzz {
void NIGHTBENCH_FUZZ_TARGET(std::string_view bytes);
}

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  nightbench::fuzz::NIGHTBENCH_FUZZ_TARGET({reinterpret_cast<const char*>(data), size});
  return 0;
}
