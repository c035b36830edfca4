#include "drivers/link/hislip/message.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void hislip_header(std::string_view bytes) {
  using namespace link::hislip;
  (void)decode_size(bytes);
  const auto header = decode_header(bytes);
  if (!header) return;
  require(name(header->type) != nullptr, "every type has a word");
  require(!describe_fatal(header->control).empty() && !describe_error(header->control).empty(),
          "every code has words");
  const HeaderBytes again = encode(*header);
  require(std::string_view(again.data(), again.size()) == bytes.substr(0, header_size),
          "what was read is written");
}

}  // namespace nightbench::fuzz
