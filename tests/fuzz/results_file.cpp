#include "sequences/record/json_form.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void results_file(std::string_view bytes) {
  const auto got = record::run_from_text(bytes, "fuzz");
  if (!got) return require(got.error().kind == ErrorKind::bad_input, "the file is to blame");
  const std::string text = record::json_text(*got);
  const auto again = record::run_from_text(text, "again");
  require(again.has_value(), "what was written is read");
  require(record::json_text(*again) == text, "and is the same");
}

}  // namespace nightbench::fuzz
