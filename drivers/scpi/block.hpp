// Arbitrary blocks (IEEE 488.2, 7.7.6 and 8.7.9): "#" digit length bytes, or "#0" bytes up to END.
//
// The claimed length is compared with a bound before anything is reserved for it. "#H1F", "#Q17"
// and
// "#B101" are numbers, not blocks.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/base/error.hpp"

namespace nightbench::scpi {

struct BlockHead {
  bool indefinite = false;
  std::size_t head = 0;    // bytes before the data: 2 to 11, or more for "#(length)"
  std::size_t length = 0;  // bytes of data; 0 when indefinite
};

// Reads the head at the start of `bytes`; nothing when more bytes are needed to tell. Also reads
// "#(length)", which large-memory digitizers send.
// Errors: bad_data when this is no block, or the block claims more than `most` bytes.
Result<std::optional<BlockHead>> read_block_head(std::string_view bytes, std::size_t most);

// The data of the whole block at the start of `bytes`. An indefinite block takes all of it but one
// final NL. Errors: bad_data, also for a block that is cut short (nothing is ever padded).
Result<std::string_view> read_block(std::string_view bytes, std::size_t most);

// A definite block around `data`.
std::string write_block(std::string_view data);

}  // namespace nightbench::scpi
