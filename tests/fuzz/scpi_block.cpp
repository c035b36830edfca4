#include "drivers/scpi/block.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void scpi_block(std::string_view bytes) {
  constexpr std::size_t most = 1U << 20;
  const auto head = scpi::read_block_head(bytes, most);
  if (head && *head) require((*head)->length <= most && (*head)->head <= bytes.size(), "bounds");
  const auto data = scpi::read_block(bytes, most);
  if (data) require(data->empty() || data->end() <= bytes.end(), "data inside the bytes");
  const std::string made = scpi::write_block(bytes);
  const auto back = scpi::read_block(made, made.size());
  require(back.has_value() && *back == bytes, "what was written is read");
}

}  // namespace nightbench::fuzz
