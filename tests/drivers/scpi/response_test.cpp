// The framing of responses: a table of legend, pieces as they arrive, and what must come out.
#include "drivers/scpi/response.hpp"

#include <gtest/gtest.h>

#include <deque>

#include "../support/run.hpp"

namespace nightbench::scpi {
namespace {

using test::run;

// A link that delivers given pieces, then either hangs or closes.
class Pieces final : public link::Link {
 public:
  Pieces(Clock& clock, std::deque<std::string> pieces, bool marks_end)
      : clock_(clock), pieces_(std::move(pieces)), marks_end_(marks_end) {}

  Awaitable<Result<link::Chunk>> read(std::size_t most, TimePoint deadline) override {
    most_asked_ = std::max(most_asked_, most);
    if (pieces_.empty() || pieces_.front() == "(pause)") {
      if (!pieces_.empty()) pieces_.pop_front();
      co_await sleep_until(clock_, deadline);
      co_return fail(ErrorKind::timeout, "nothing came before the deadline");
    }
    if (pieces_.front() == "(close)") co_return fail(ErrorKind::refused, "the other side closed");
    link::Chunk chunk;
    chunk.bytes = pieces_.front().substr(0, most);
    pieces_.front().erase(0, chunk.bytes.size());
    if (pieces_.front().empty()) {
      pieces_.pop_front();
      // On transports that mark ends, an entry "(end)" after a piece stands for END on its last
      // byte.
      if (!pieces_.empty() && pieces_.front() == "(end)") {
        pieces_.pop_front();
        chunk.end = true;
      }
    }
    co_return chunk;
  }
  Awaitable<Result<void>> write(std::string_view, TimePoint) override { co_return Result<void>{}; }
  Awaitable<Result<void>> clear(TimePoint) override { co_return Result<void>{}; }
  Awaitable<Result<std::uint8_t>> status_byte(TimePoint) override { co_return std::uint8_t{0}; }
  Awaitable<Result<void>> connect(TimePoint) override { co_return Result<void>{}; }
  void close() override {}
  bool is_open() const override { return true; }
  bool marks_end() const override { return marks_end_; }
  const std::string& resource() const override { return resource_; }
  std::size_t most_asked() const { return most_asked_; }

 private:
  Clock& clock_;
  std::deque<std::string> pieces_;
  bool marks_end_;
  std::string resource_ = "pieces";
  std::size_t most_asked_ = 0;
};

constexpr std::size_t kMost = 100;

struct Row {
  const char* legend;
  std::deque<std::string> pieces;
  std::vector<std::string> lines;  // what consecutive reads give; "!..." for an error's message
  bool marks_end = false;
};

void PrintTo(const Row& row, std::ostream* out) {
  *out << row.legend;
}

std::vector<Row> rows() {
  const std::string z(1, '\0');
  return {
      {"one line", {"1.5\n"}, {"1.5"}},
      {"one byte at a time", {"1", ".", "5", "\n"}, {"1.5"}},
      {"CR NL", {"1.5\r\n"}, {"1.5"}},
      {"CR and NL in different pieces", {"1.5\r", "\n"}, {"1.5"}},
      {"an empty line", {"\n"}, {""}},
      {"two replies in one piece", {"first\nsecond\n"}, {"first", "second"}},
      {"a reply and half of the next", {"first\nsec", "ond\n"}, {"first", "second"}},
      {"NL inside a block does not end the line", {"#13a\nb\n"}, {"#13a\nb"}},
      {"block after another item", {"1,#12\n\n;2\n"}, {"1,#12\n\n;2"}},
      {"block torn inside its head", {"#", "1", "3", "a\n", "b", "\n"}, {"#13a\nb"}},
      {"block torn inside its length", {"#30", "03\n\n\n\n"}, {"#3003\n\n\n"}},
      {"two blocks", {"#11\n,#11\n\n"}, {"#11\n,#11\n"}},
      {"# inside a string is no block",
       {"-113,\"Undefined;#9bad\"\n"},
       {"-113,\"Undefined;#9bad\""}},
      {"a hexadecimal number is no block", {"#H1F\n"}, {"#H1F"}},
      {"an open quote still ends at NL", {"\"open\n1\n"}, {"\"open", "1"}},
      {"an apostrophe in a name", {"O'Hare,M1,0,0\n"}, {"O'Hare,M1,0,0"}},
      {"NUL bytes come through", {z + "1\n"}, {z + "1"}},
      {"no terminator", {"1.5"}, {"!nothing came before the deadline; so far came '1.5'"}},
      {"closed in the middle", {"1.", "(close)"}, {"!the other side closed; so far came '1.'"}},
      {"closed at once", {"(close)"}, {"!the other side closed"}},
      {"nothing at all", {}, {"!nothing came before the deadline"}},
      {"a line without end",
       {std::string(300, 'x')},
       {"!the answer is longer than the 100 bytes expected"}},
      {"a block that claims 4 GB inside a line",
       {"#9999999999"},
       {"!block claims 999999999 bytes, at most 100 expected"}},
      {"CR at the end of a block is data", {"#12a\r\n"}, {"#12a\r"}},
      {"NL at the end of a block is data", {"#12a\n", "(end)"}, {"#12a\n"}, true},
      {"END marks the end", {"1.5\n", "(end)"}, {"1.5"}, true},
      {"END without NL", {"1.5", "(end)"}, {"1.5"}, true},
      {"NL without END does not end it", {"1\n2\n", "(end)"}, {"1\n2"}, true},
      {"END in a later piece", {"1.", "5\n", "(end)"}, {"1.5"}, true},
      {"two messages with END", {"1\n", "(end)", "2\n", "(end)"}, {"1", "2"}, true},
      {"too long before END",
       {std::string(300, 'x'), "(end)"},
       {"!the answer is longer than the 100 bytes expected"},
       true},
  };
}

class Lines : public testing::TestWithParam<Row> {};

TEST_P(Lines, ComeOutAsTheyWereMeant) {
  boost::asio::io_context context;
  VirtualClock clock(context);
  Pieces link(clock, GetParam().pieces, GetParam().marks_end);
  ResponseReader reader(link);
  for (const std::string& expected : GetParam().lines) {
    const TimePoint deadline = clock.now() + std::chrono::seconds(3);
    const auto line = run(clock, reader.line(kMost, deadline));
    EXPECT_LE(clock.now(), deadline);
    if (expected.starts_with("!")) {
      ASSERT_FALSE(line) << *line;
      EXPECT_EQ(line.error().message, expected.substr(1));
    } else {
      ASSERT_TRUE(line) << describe(line.error());
      EXPECT_EQ(*line, expected);
    }
  }
  EXPECT_LE(link.most_asked(), kMost + 2) << "memory is bounded by what was asked for";
}
INSTANTIATE_TEST_SUITE_P(Table, Lines, testing::ValuesIn(rows()));

std::vector<Row> block_rows() {
  return {
      {"BLK-1 in one piece", {"#15HELLO\n"}, {"HELLO"}},
      {"BLK-1 a byte at a time", {"#", "1", "5", "H", "E", "L", "L", "O", "\n"}, {"HELLO"}},
      {"BLK-2 empty", {"#10\n"}, {""}},
      {"BLK-5 terminators inside", {"#13\n\r", "#\n"}, {"\n\r#"}},
      {"CR NL after the block", {"#12ab\r\n#12cd\r\n"}, {"ab", "cd"}},
      {"nothing after the block", {"#12ab", "#12cd"}, {"ab", "cd"}},
      {"the terminator comes late", {"#12ab", "\n", "#12cd", "\r", "\n"}, {"ab", "cd"}},
      {"blanks before the block", {" \r\n#12ab\n"}, {"ab"}},
      {"large-memory form", {"#(2)", "ab\n"}, {"ab"}},
      {"BLK-9 cut by silence",
       {"#15HEL"},
       {"!nothing came before the deadline; so far came '#15HEL' (3 of 5 bytes of a block)"}},
      {"half a block, then closed",
       {"#15HEL", "(close)"},
       {"!the other side closed; so far came '#15HEL' (3 of 5 bytes of a block)"}},
      {"a block that claims 4 GB",
       {"#9999999999"},
       {"!block claims 999999999 bytes, at most 100 expected"}},
      {"a number instead of a block", {"1.5\n"}, {"!expected a block, found '1.5\\n'"}},
      {"BLK-6 cannot be framed without END",
       {"#0abc\n"},
       {"!a block of indefinite length came, which has no end on this transport"}},
      {"BLK-6 with END", {"#0a\n", "b\n", "(end)"}, {"a\nb"}, true},
      {"END with NL", {"#12ab\n", "(end)"}, {"ab"}, true},
      {"END on the last byte", {"#12ab", "(end)"}, {"ab"}, true},
      {"NL and END apart", {"#12ab", "\n", "(end)", "#11c", "(end)"}, {"ab", "c"}, true},
      {"END inside the block",
       {"#15HEL", "(end)"},
       {"!the answer ended after 3 of 5 bytes of a block"},
       true},
      {"END before the block", {"\n", "(end)"}, {"!the answer ended before its block began"}, true},
      {"more after the block", {"#12abcd\n", "(end)"}, {"!after the block came 'cd\\n'"}, true},
  };
}

class Blocks : public testing::TestWithParam<Row> {};

TEST_P(Blocks, ComeOutAsTheyWereMeant) {
  boost::asio::io_context context;
  VirtualClock clock(context);
  Pieces link(clock, GetParam().pieces, GetParam().marks_end);
  ResponseReader reader(link);
  for (const std::string& expected : GetParam().lines) {
    const TimePoint deadline = clock.now() + std::chrono::seconds(3);
    const auto block = run(clock, reader.block(kMost, deadline));
    EXPECT_LE(clock.now(), deadline);
    if (expected.starts_with("!")) {
      ASSERT_FALSE(block) << *block;
      EXPECT_EQ(block.error().message, expected.substr(1));
    } else {
      ASSERT_TRUE(block) << describe(block.error());
      EXPECT_EQ(*block, expected);
    }
  }
  EXPECT_LE(link.most_asked(), kMost + 2) << "memory is bounded by what was asked for";
}
INSTANTIATE_TEST_SUITE_P(Table, Blocks, testing::ValuesIn(block_rows()));

TEST(Leftover, BytesNobodyAskedForAreSeen) {
  boost::asio::io_context context;
  VirtualClock clock(context);
  Pieces link(clock, {"1\nstale\n"}, false);
  ResponseReader reader(link);
  EXPECT_EQ(*run(clock, reader.line(kMost, clock.now() + std::chrono::seconds(1))), "1");
  EXPECT_EQ(reader.leftover(), "stale\n");
  reader.discard();
  EXPECT_EQ(reader.leftover(), "");
}

TEST(Leftover, PeekTakesInWhatHasArrivedWithoutWaiting) {
  boost::asio::io_context context;
  VirtualClock clock(context);
  Pieces link(clock, {"1\n", "(pause)", "late\n"}, false);
  ResponseReader reader(link);
  EXPECT_EQ(*run(clock, reader.line(kMost, clock.now() + std::chrono::seconds(1))), "1");
  ASSERT_TRUE(run(clock, reader.peek(clock.now())));
  EXPECT_EQ(reader.leftover(), "");
  ASSERT_TRUE(run(clock, reader.peek(clock.now())));
  EXPECT_EQ(reader.leftover(), "late\n");
  EXPECT_EQ(clock.now(), TimePoint{}) << "no time has passed";
}

TEST(Leftover, TheLateTerminatorOfABlockIsNone) {
  boost::asio::io_context context;
  VirtualClock clock(context);
  Pieces link(clock, {"#12ab", "\r\n"}, false);
  ResponseReader reader(link);
  EXPECT_EQ(*run(clock, reader.block(kMost, clock.now() + std::chrono::seconds(1))), "ab");
  ASSERT_TRUE(run(clock, reader.peek(clock.now())));
  EXPECT_EQ(reader.leftover(), "");
}

}  // namespace
}  // namespace nightbench::scpi
