#include "sequences/capture/sigmf.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void sigmf_meta(std::string_view bytes) {
  const auto got = capture::decode_sigmf_meta(bytes, "fuzz");
  if (!got) return require(got.error().kind == ErrorKind::bad_input, "the file is to blame");
  require(got->components() >= 1 && got->components() <= 2 * capture::most_channels, "channels");
  require(!got->rate_hz || (*got->rate_hz > 0 && *got->rate_hz <= 1e12), "a rate");
  require(!got->sha512 || got->sha512->size() == 128, "a hash");
}

}  // namespace nightbench::fuzz
