// Samples as the bytes of a block, in either byte order.
#pragma once

#include <array>
#include <bit>
#include <cstddef>
#include <string>

namespace nightbench::mock::instrument {

// Appends `value` (an integer or IEEE 754 number), most significant byte first unless `little`.
template <typename T>
void append_bytes(std::string& out, T value, bool little) {
  const auto bytes = std::bit_cast<std::array<char, sizeof(T)>>(value);
  const bool as_is = little == (std::endian::native == std::endian::little);
  for (std::size_t i = 0; i < sizeof(T); ++i) out += bytes[as_is ? i : sizeof(T) - 1 - i];
}

}  // namespace nightbench::mock::instrument
