#include "drivers/scpi/response.hpp"

#include <algorithm>
#include <string_view>
#include <utility>

#include "drivers/scpi/block.hpp"
#include "drivers/scpi/text.hpp"

namespace nightbench::scpi {
namespace {

constexpr std::size_t kPiece = std::size_t{256} << 10;  // most bytes asked of the link at once
constexpr std::size_t kTail = 2;                        // CR NL

bool blank(char c) {
  return static_cast<unsigned char>(c) <= ' ';
}

std::unexpected<Error> too_long(std::size_t most) {
  return fail(ErrorKind::bad_data,
              "the answer is longer than the " + std::to_string(most) + " bytes expected");
}

// Looks for the NL that ends a line, going on where it left off when more bytes have come. Where
// the transport marks ends, NL ends nothing.
class LineScan {
 public:
  enum class Found { end, more };
  explicit LineScan(bool newline_ends) : newline_ends_(newline_ends) {}

  Result<Found> look(std::string_view bytes, std::size_t most) {
    while (at_ < bytes.size()) {
      const char c = bytes[at_];
      if (c == '\n' && newline_ends_) return Found::end;
      if (quote_ == '\0' && item_start_ && c == '#') {
        if (at_ + 1 == bytes.size()) return Found::more;
        const char kind = bytes[at_ + 1];
        if ((kind >= '1' && kind <= '9') || kind == '(') {
          TRY_ASSIGN(const auto head, read_block_head(bytes.substr(at_), most));
          if (!head) return Found::more;
          at_ += head->head + head->length;
          block_end_ = at_;
          item_start_ = false;
          continue;
        }
      }
      step(c);
      ++at_;
    }
    return Found::more;
  }
  std::size_t at() const { return at_; }

  // `line` without CR and NL at its end, as far as they are no data of a block.
  std::string without_terminator(std::string line) const {
    if (line.size() > block_end_ && line.back() == '\n') line.pop_back();
    while (line.size() > block_end_ && line.back() == '\r') line.pop_back();
    return line;
  }

 private:
  void step(char c) {
    if (quote_ != '\0') {
      if (c == quote_) quote_ = '\0';
    } else if (c == '"' || c == '\'') {
      quote_ = c;
      item_start_ = false;
    } else if (c == ',' || c == ';') {
      item_start_ = true;
    } else if (!blank(c)) {
      item_start_ = false;
    }
  }

  bool newline_ends_;
  std::size_t at_ = 0;
  std::size_t block_end_ = 0;  // of the last block
  bool item_start_ = true;
  char quote_ = '\0';
};

}  // namespace

// Takes in one more piece; false when the message has ended before.
Awaitable<Result<bool>> ResponseReader::more(std::size_t most, TimePoint deadline) {
  if (ended_) co_return false;
  const std::size_t piece = std::clamp<std::size_t>(most, 1, kPiece);
  Result<link::Chunk> chunk = co_await link_.read(piece, deadline);
  if (!chunk) {
    Error error = std::move(chunk).error();
    if (!buffer_.empty()) error.message += "; so far came '" + shown(buffer_) + "'";
    co_return fail(std::move(error));
  }
  buffer_ += chunk->bytes;
  ended_ = chunk->end;
  co_return true;
}

void ResponseReader::drop_old_tail() {
  if (!tail_open_ || buffer_.empty()) return;
  std::size_t count = 0;
  while (count < buffer_.size() && buffer_[count] == '\r') ++count;
  if (count < buffer_.size()) {
    if (buffer_[count] == '\n') ++count;
    tail_open_ = false;
  }
  buffer_.erase(0, count);
}

Awaitable<Result<std::string>> ResponseReader::line(std::size_t most, TimePoint deadline) {
  while (tail_open_) {
    drop_old_tail();
    if (tail_open_) CO_TRY(co_await more(most, deadline));
  }
  if (link_.marks_end()) {
    for (;;) {
      const Result<bool> got = co_await more(most + kTail, deadline);
      if (!got) co_return fail(got.error());
      if (!*got) break;
      if (buffer_.size() > most + kTail) co_return too_long(most);
    }
    ended_ = false;
    std::string whole = std::exchange(buffer_, std::string());
    LineScan scan(false);
    const Result<LineScan::Found> scanned = scan.look(whole, most);
    if (!scanned) co_return fail(scanned.error());
    co_return scan.without_terminator(std::move(whole));
  }
  LineScan scan(true);
  for (;;) {
    const Result<LineScan::Found> found = scan.look(buffer_, most);
    if (!found) co_return fail(found.error());
    if (scan.at() > most + 1) co_return too_long(most);
    if (*found == LineScan::Found::end) break;
    CO_TRY(co_await more(most + kTail, deadline));
  }
  std::string out = buffer_.substr(0, scan.at() + 1);
  buffer_.erase(0, scan.at() + 1);
  co_return scan.without_terminator(std::move(out));
}

Awaitable<Result<std::string>> ResponseReader::block(std::size_t most, TimePoint deadline) {
  while (tail_open_) {
    drop_old_tail();
    if (tail_open_) CO_TRY(co_await more(most, deadline));
  }
  std::optional<BlockHead> head;
  for (;;) {
    std::size_t blanks = 0;
    while (blanks < buffer_.size() && blank(buffer_[blanks])) ++blanks;
    buffer_.erase(0, blanks);
    const Result<std::optional<BlockHead>> found = read_block_head(buffer_, most);
    if (!found) co_return fail(found.error());
    head = *found;
    if (head) break;
    const Result<bool> got = co_await more(most + kTail, deadline);
    if (!got) co_return fail(got.error());
    if (!*got) co_return fail(ErrorKind::bad_data, "the answer ended before its block began");
  }
  if (head->indefinite) {
    Result<std::string> rest = co_await indefinite(most, deadline);
    co_return rest;
  }

  const std::size_t whole = head->head + head->length;
  buffer_.reserve(whole + kTail);
  while (buffer_.size() < whole) {
    const Result<bool> got = co_await more(whole - buffer_.size() + kTail, deadline);
    if (!got) {
      Error error = got.error();
      error.message += " (" + std::to_string(buffer_.size() - head->head) + " of " +
                       std::to_string(head->length) + " bytes of a block)";
      co_return fail(std::move(error));
    }
    if (!*got) {
      co_return fail(ErrorKind::bad_data, "the answer ended after " +
                                              std::to_string(buffer_.size() - head->head) + " of " +
                                              std::to_string(head->length) + " bytes of a block");
    }
  }
  std::string tail = buffer_.substr(whole);
  buffer_.resize(whole);
  buffer_.erase(0, head->head);
  std::string data = std::exchange(buffer_, std::move(tail));

  if (!link_.marks_end()) {
    tail_open_ = true;
    drop_old_tail();
    co_return data;
  }
  while (!ended_) {
    CO_TRY(co_await more(kTail, deadline));
    if (buffer_.size() > 2 * kTail) break;
  }
  if (!std::all_of(buffer_.begin(), buffer_.end(), blank)) {
    co_return fail(ErrorKind::bad_data, "after the block came '" + shown(buffer_) + "'");
  }
  ended_ = false;
  buffer_.clear();
  co_return data;
}

Awaitable<Result<std::string>> ResponseReader::indefinite(std::size_t most, TimePoint deadline) {
  if (!link_.marks_end()) {
    co_return fail(ErrorKind::bad_data,
                   "a block of indefinite length came, which has no end on this transport");
  }
  constexpr std::size_t kHead = 2;
  for (;;) {
    const Result<bool> got = co_await more(most + kTail, deadline);
    if (!got) co_return fail(got.error());
    if (!*got) break;
    if (buffer_.size() > kHead + most + kTail) co_return too_long(most);
  }
  ended_ = false;
  std::string data = std::exchange(buffer_, std::string()).substr(kHead);
  if (!data.empty() && data.back() == '\n') data.pop_back();
  if (data.size() > most) co_return too_long(most);
  co_return data;
}

Awaitable<Result<void>> ResponseReader::peek(TimePoint now) {
  if (link_.marks_end()) co_return Result<void>{};
  constexpr std::size_t kEnough = 4096;  // to show what came; the rest is thrown away unread
  while (buffer_.size() < kEnough) {
    const Result<bool> got = co_await more(kEnough, now);
    if (!got) {
      if (got.error().kind == ErrorKind::timeout) break;
      co_return fail(got.error());
    }
  }
  drop_old_tail();
  co_return Result<void>{};
}

void ResponseReader::discard() {
  buffer_.clear();
  ended_ = false;
  tail_open_ = false;
}

}  // namespace nightbench::scpi
