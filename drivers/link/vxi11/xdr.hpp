// External data representation (RFC 4506): big-endian words of four bytes; opaque data is a length
// word, the bytes, and zeros up to a multiple of four (clause 4.10). Pure; no allocation beyond
// what is written.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

#include "drivers/base/error.hpp"

namespace nightbench::link::vxi11 {

class XdrWriter {
 public:
  XdrWriter& word(std::uint32_t value);
  XdrWriter& boolean(bool value) { return word(value ? 1 : 0); }
  XdrWriter& opaque(std::string_view bytes);
  XdrWriter& raw(std::string_view bytes);  // as it stands
  void reserve(std::size_t bytes) { bytes_.reserve(bytes); }
  std::string take() { return std::move(bytes_); }

 private:
  std::string bytes_;
};

// Reads from `bytes`, which must outlive what it returns. Errors: bad_data when the bytes end too
// early, a length is above its bound, or padding is not there.
class XdrReader {
 public:
  explicit XdrReader(std::string_view bytes) : bytes_(bytes) {}
  Result<std::uint32_t> word();
  // Any non-zero word is true: some implementations send other values than 1.
  Result<bool> boolean();
  Result<std::string_view> opaque(std::size_t most);
  std::string_view rest() const { return bytes_; }

 private:
  std::string_view bytes_;
};

}  // namespace nightbench::link::vxi11
