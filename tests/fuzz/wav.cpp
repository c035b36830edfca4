#include "sequences/capture/wav.hpp"

#include "captures.hpp"

namespace nightbench::fuzz {

void wav(std::string_view bytes) {
  const auto got = capture::decode_wav(bytes, "fuzz");
  if (got) require_sound(*got);
}

}  // namespace nightbench::fuzz
