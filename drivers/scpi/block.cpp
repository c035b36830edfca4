#include "drivers/scpi/block.hpp"

#include "drivers/scpi/text.hpp"

namespace nightbench::scpi {
namespace {

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}

std::unexpected<Error> no_block(std::string_view bytes) {
  return fail(ErrorKind::bad_data, "expected a block, found '" + shown(bytes) + "'");
}

// Adds up decimal digits and stops growing past `most`, so that no claim overflows.
Result<std::size_t> length_of(std::string_view digits, std::size_t most) {
  std::size_t length = 0;
  for (const char c : digits) {
    if (!is_digit(c)) {
      return fail(ErrorKind::bad_data,
                  "expected digits for the length of a block, found '" + shown(digits) + "'");
    }
    length = length * 10 + static_cast<std::size_t>(c - '0');
    if (length > most) {
      return fail(ErrorKind::bad_data, "block claims " + std::string(digits) + " bytes, at most " +
                                           std::to_string(most) + " expected");
    }
  }
  return length;
}

}  // namespace

Result<std::optional<BlockHead>> read_block_head(std::string_view bytes, std::size_t most) {
  if (bytes.empty()) return std::nullopt;
  if (bytes[0] != '#') return no_block(bytes);
  if (bytes.size() < 2) return std::nullopt;
  BlockHead out;
  if (bytes[1] == '0') {
    out.indefinite = true;
    out.head = 2;
    return out;
  }
  if (bytes[1] == '(') {
    constexpr std::size_t kMostDigits = 20;
    const std::size_t end = bytes.find(')', 2);
    if (end == std::string_view::npos || end == 2) {
      if (end == 2 || bytes.size() > 2 + kMostDigits) return no_block(bytes);
      return std::nullopt;
    }
    out.head = end + 1;
    TRY_ASSIGN(out.length, length_of(bytes.substr(2, end - 2), most));
    return out;
  }
  if (!is_digit(bytes[1])) return no_block(bytes);
  out.head = 2 + static_cast<std::size_t>(bytes[1] - '0');
  if (bytes.size() < out.head) {
    // Refuse rubbish without waiting for the rest of it.
    TRY(length_of(bytes.substr(2), static_cast<std::size_t>(-1) / 20));
    return std::nullopt;
  }
  TRY_ASSIGN(out.length, length_of(bytes.substr(2, out.head - 2), most));
  return out;
}

Result<std::string_view> read_block(std::string_view bytes, std::size_t most) {
  TRY_ASSIGN(const std::optional<BlockHead> head, read_block_head(bytes, most));
  if (!head) return no_block(bytes);
  std::string_view data = bytes.substr(head->head);
  if (head->indefinite) {
    if (!data.empty() && data.back() == '\n') data.remove_suffix(1);
    if (data.size() > most) {
      return fail(ErrorKind::bad_data, "block of " + std::to_string(data.size()) +
                                           " bytes, at most " + std::to_string(most) + " expected");
    }
    return data;
  }
  if (data.size() < head->length) {
    return fail(ErrorKind::bad_data, "block of " + std::to_string(head->length) +
                                         " bytes ends after " + std::to_string(data.size()));
  }
  return data.substr(0, head->length);
}

std::string write_block(std::string_view data) {
  const std::string length = std::to_string(data.size());
  std::string out = "#";
  out += std::to_string(length.size());
  out += length;
  out += data;
  return out;
}

}  // namespace nightbench::scpi
