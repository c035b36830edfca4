#include "sequences/script/script.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void script_file(std::string_view bytes) {
  const auto root = json::parse(bytes, "fuzz");
  if (!root) return;
  const auto got = script::decode_script(*root, std::string(bytes), {});
  if (!got) require(got.error().kind == ErrorKind::bad_input, "the file is to blame");
}

}  // namespace nightbench::fuzz
