#include "drivers/link/recording/entry.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void recording_line(std::string_view bytes) {
  const auto head = link::heading_from(bytes, "fuzz:1");
  if (head) {
    const auto again = link::heading_from(link::line_of(*head), "again:1");
    require(again.has_value(), "a head that was written is read");
  }
  const auto got = link::entry_from(bytes, "fuzz:2");
  if (!got) return require(got.error().kind == ErrorKind::bad_input, "the file is to blame");
  const std::string line = link::line_of(*got);
  const auto again = link::entry_from(line, "again:2");
  require(again.has_value(), "what was written is read");
  require(again->bytes == got->bytes, "every byte of it");
  require(link::line_of(*again) == line, "and is the same");
}

}  // namespace nightbench::fuzz
