#include "drivers/base/json.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void json_file(std::string_view bytes) {
  const auto got = json::parse(bytes, "fuzz");
  if (!got) return require(!got.error().message.empty(), "an error has words");
  const auto wrong = got->wrong("another thing");
  require(wrong.error().file == "fuzz", "an error has its file");
  if (auto fields = json::Fields::of(*got, "a thing")) static_cast<void>(fields->finish());
}

}  // namespace nightbench::fuzz
