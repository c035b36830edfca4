// The contract of a Link as one typed suite. A fixture for a transport is a default-constructible
// class:
//
//   clock()                RealClock or VirtualClock
//   link()                 a closed link to the fixture's own other side
//   accept()               Awaitable<std::shared_ptr<Stream>>: the other side of the next
//   connection go_away()              nobody is there any more: connect() is refused kLittle a
//   deadline to wait for (long when time is virtual)
//
// A test file of a transport is the fixture and INSTANTIATE_TYPED_TEST_SUITE_P.
#pragma once

#include <gtest/gtest.h>

#include <memory>
#include <string>

#include "../support/run.hpp"
#include "drivers/link/link.hpp"
#include "drivers/link/stream.hpp"

namespace nightbench::test {

constexpr Duration kPlenty = std::chrono::seconds(20);

inline Awaitable<Result<std::string>> read_exactly(link::Link& link, std::size_t count,
                                                   TimePoint deadline) {
  std::string bytes;
  while (bytes.size() < count) {
    CO_TRY_ASSIGN(const link::Chunk chunk, co_await link.read(count - bytes.size(), deadline));
    bytes += chunk.bytes;
  }
  co_return bytes;
}

inline Awaitable<Result<std::string>> read_exactly(link::Stream& stream, std::size_t count,
                                                   TimePoint deadline) {
  std::string bytes;
  while (bytes.size() < count) {
    CO_TRY_ASSIGN(const std::string piece,
                  co_await stream.read_some(count - bytes.size(), deadline));
    bytes += piece;
  }
  co_return bytes;
}

template <typename Fixture>
class LinkContract : public testing::Test {
 protected:
  using StreamPtr = std::shared_ptr<link::Stream>;

  template <typename T>
  T run(Awaitable<T> task) {
    return nightbench::test::run(fixture_.clock(), std::move(task));
  }
  TimePoint soon() { return fixture_.clock().now() + Fixture::kLittle; }
  TimePoint later() { return fixture_.clock().now() + kPlenty; }

  // Connects `link` and gives the other side.
  StreamPtr connect(link::Link& link) {
    const Result<void> connected = run(link.connect(later()));
    EXPECT_TRUE(connected.has_value()) << describe(connected.error());
    return run(fixture_.accept());
  }

  Fixture fixture_;
};
TYPED_TEST_SUITE_P(LinkContract);

TYPED_TEST_P(LinkContract, IsMadeClosedAndRefusesWork) {
  const auto link = this->fixture_.link();
  EXPECT_FALSE(link->is_open());
  EXPECT_FALSE(link->resource().empty());
  EXPECT_EQ(this->run(link->write("*RST", this->later())).error().kind, ErrorKind::refused);
  EXPECT_EQ(this->run(link->read(10, this->later())).error().kind, ErrorKind::refused);
}

TYPED_TEST_P(LinkContract, WriteDeliversTheMessageWithOneEnd) {
  const auto link = this->fixture_.link();
  const auto other = this->connect(*link);
  EXPECT_TRUE(link->is_open());
  ASSERT_TRUE(this->run(link->write(":FREQ 1E6", this->later())));
  ASSERT_TRUE(this->run(link->write(":POW -10\n", this->later())));
  const auto bytes = this->run(read_exactly(*other, 19, this->later()));
  ASSERT_TRUE(bytes) << describe(bytes.error());
  EXPECT_EQ(*bytes, ":FREQ 1E6\n:POW -10\n");
}

TYPED_TEST_P(LinkContract, ReadGivesAtMostWhatWasAskedFor) {
  const auto link = this->fixture_.link();
  const auto other = this->connect(*link);
  ASSERT_TRUE(this->run(other->write_all("0123456789", this->later())));
  const auto piece = this->run(link->read(4, this->later()));
  ASSERT_TRUE(piece) << describe(piece.error());
  EXPECT_LE(piece->bytes.size(), 4u);
  EXPECT_GE(piece->bytes.size(), 1u);
  const auto rest = this->run(read_exactly(*link, 10 - piece->bytes.size(), this->later()));
  ASSERT_TRUE(rest);
  EXPECT_EQ(piece->bytes + *rest, "0123456789");
}

TYPED_TEST_P(LinkContract, ReadEndsAtItsDeadlineAndTheLinkStaysUsable) {
  const auto link = this->fixture_.link();
  const auto other = this->connect(*link);
  const TimePoint deadline = this->soon();
  const auto late = this->run(link->read(10, deadline));
  ASSERT_FALSE(late);
  EXPECT_EQ(late.error().kind, ErrorKind::timeout);
  EXPECT_GE(this->fixture_.clock().now(), deadline);
  ASSERT_TRUE(this->run(other->write_all("x", this->later())));
  const auto piece = this->run(link->read(10, this->later()));
  ASSERT_TRUE(piece) << describe(piece.error());
  EXPECT_EQ(piece->bytes, "x");
}

TYPED_TEST_P(LinkContract, WriteEndsAtItsDeadlineWhenNobodyReads) {
  const auto link = this->fixture_.link();
  const auto other = this->connect(*link);
  const std::string huge(std::size_t{48} << 20, 'x');  // more than any buffer on the way
  const auto late = this->run(link->write(huge, this->soon()));
  ASSERT_FALSE(late);
  EXPECT_EQ(late.error().kind, ErrorKind::timeout);
}

TYPED_TEST_P(LinkContract, CloseEndsAPendingReadAtOnce) {
  const auto link = this->fixture_.link();
  const auto other = this->connect(*link);
  const auto pending = start(this->fixture_.clock().context(), link->read(10, this->later()));
  const auto alarm = this->fixture_.clock().arm(this->soon(), [&] { link->close(); });
  const TimePoint deadline = this->later();
  auto wait = [&]() -> Awaitable<bool> {
    while (!pending->done && this->fixture_.clock().now() < deadline) {
      co_await sleep_for(this->fixture_.clock(), std::chrono::milliseconds(1));
    }
    co_return pending->done;
  };
  ASSERT_TRUE(this->run(wait()));
  ASSERT_FALSE(*pending->value);
  EXPECT_EQ(pending->value->error().kind, ErrorKind::cancelled);
  EXPECT_LT(this->fixture_.clock().now(), deadline);
  EXPECT_FALSE(link->is_open());
}

TYPED_TEST_P(LinkContract, ASecondOperationAtTheSameTimeIsRefused) {
  const auto link = this->fixture_.link();
  const auto other = this->connect(*link);
  const auto pending = start(this->fixture_.clock().context(), link->read(10, this->later()));
  auto second = [&]() -> Awaitable<Result<void>> {
    co_return co_await link->write("*RST", this->later());
  };
  const auto refused = this->run(second());
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::internal);
  ASSERT_TRUE(this->run(other->write_all("x", this->later())));
  auto wait = [&]() -> Awaitable<bool> {
    while (!pending->done) {
      co_await sleep_for(this->fixture_.clock(), std::chrono::milliseconds(1));
    }
    co_return true;
  };
  this->run(wait());
  ASSERT_TRUE(*pending->value);
  EXPECT_EQ((*pending->value)->bytes, "x");
}

TYPED_TEST_P(LinkContract, OtherSideClosesAndReconnectHelps) {
  const auto link = this->fixture_.link();
  auto other = this->connect(*link);
  ASSERT_TRUE(this->run(other->write_all("last", this->later())));
  other->close();
  const auto last = this->run(read_exactly(*link, 4, this->later()));
  ASSERT_TRUE(last) << "what was sent before the close is still readable";
  const auto gone = this->run(link->read(10, this->later()));
  ASSERT_FALSE(gone);
  EXPECT_EQ(gone.error().kind, ErrorKind::refused);
  EXPECT_FALSE(link->is_open());

  other = this->connect(*link);
  ASSERT_TRUE(this->run(other->write_all("new", this->later())));
  const auto fresh = this->run(read_exactly(*link, 3, this->later()));
  ASSERT_TRUE(fresh) << describe(fresh.error());
  EXPECT_EQ(*fresh, "new");
}

TYPED_TEST_P(LinkContract, ReconnectForgetsWhatWasOnTheOldConnection) {
  const auto link = this->fixture_.link();
  const auto old = this->connect(*link);
  ASSERT_TRUE(this->run(old->write_all("late answer\n", this->later())));
  const auto other = this->connect(*link);
  ASSERT_TRUE(this->run(other->write_all("new", this->later())));
  const auto fresh = this->run(read_exactly(*link, 3, this->later()));
  ASSERT_TRUE(fresh);
  EXPECT_EQ(*fresh, "new");
  auto gone = [&]() -> Awaitable<Result<std::string>> {
    co_return co_await old->read_some(1, this->later());
  };
  EXPECT_EQ(this->run(gone()).error().kind, ErrorKind::refused) << "the old connection is closed";
}

TYPED_TEST_P(LinkContract, NobodyThereIsRefused) {
  const auto link = this->fixture_.link();
  this->fixture_.go_away();
  const auto refused = this->run(link->connect(this->later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::refused);
  EXPECT_FALSE(link->is_open());
}

TYPED_TEST_P(LinkContract, HugeMessagesArriveWhole) {
  const auto link = this->fixture_.link();
  const auto other = this->connect(*link);
  std::string huge(std::size_t{8} << 20, '\0');
  for (std::size_t i = 0; i < huge.size(); ++i) huge[i] = static_cast<char>(i * 2654435761U >> 13);
  huge.back() = '\n';
  const auto sent = start(this->fixture_.clock().context(), link->write(huge, this->later()));
  const auto there = this->run(read_exactly(*other, huge.size(), this->later()));
  ASSERT_TRUE(there) << describe(there.error());
  EXPECT_TRUE(*there == huge);
  // All of it is there; the link may still wait for the other side to say so.
  auto finished = [&]() -> Awaitable<bool> {
    while (!sent->done) co_await sleep_for(this->fixture_.clock(), std::chrono::milliseconds(1));
    co_return sent->value->has_value();
  };
  ASSERT_TRUE(this->run(finished()));
  const auto answered =
      start(this->fixture_.clock().context(), other->write_all(huge, this->later()));
  const auto back = this->run(read_exactly(*link, huge.size(), this->later()));
  ASSERT_TRUE(back) << describe(back.error());
  EXPECT_TRUE(*back == huge);
}

// The other side dies after n bytes of its answer, for every n: an error each time, never a hang,
// and the next connection works.
TYPED_TEST_P(LinkContract, CutAfterEachByteEndsInRefusedAndHealsByReconnecting) {
  const auto link = this->fixture_.link();
  const std::string answer = "#15HELLO\n";
  for (std::size_t n = 0; n <= answer.size(); ++n) {
    const auto other = this->connect(*link);
    ASSERT_TRUE(this->run(link->write(":DATA?", this->later())));
    ASSERT_TRUE(this->run(read_exactly(*other, 7, this->later())));
    if (n > 0) {
      ASSERT_TRUE(
          this->run(other->write_all(std::string_view(answer).substr(0, n), this->later())));
    }
    other->close();
    const auto whole = this->run(read_exactly(*link, answer.size(), this->later()));
    ASSERT_EQ(whole.has_value(), n == answer.size()) << "cut after " << n;
    if (!whole) {
      EXPECT_EQ(whole.error().kind, ErrorKind::refused) << "cut after " << n;
    }
  }
}

TYPED_TEST_P(LinkContract, ClearAndStatusByteWorkOrSayThatTheyDoNotExist) {
  const auto link = this->fixture_.link();
  const auto other = this->connect(*link);
  const auto cleared = this->run(link->clear(this->soon()));
  if (!cleared) {
    EXPECT_EQ(cleared.error().kind, ErrorKind::refused);
  }
  const auto status = this->run(link->status_byte(this->soon()));
  if (!status) {
    EXPECT_EQ(status.error().kind, ErrorKind::refused);
  }
  EXPECT_TRUE(link->is_open());
}

REGISTER_TYPED_TEST_SUITE_P(LinkContract, IsMadeClosedAndRefusesWork,
                            WriteDeliversTheMessageWithOneEnd, ReadGivesAtMostWhatWasAskedFor,
                            ReadEndsAtItsDeadlineAndTheLinkStaysUsable,
                            WriteEndsAtItsDeadlineWhenNobodyReads, CloseEndsAPendingReadAtOnce,
                            ASecondOperationAtTheSameTimeIsRefused,
                            OtherSideClosesAndReconnectHelps,
                            ReconnectForgetsWhatWasOnTheOldConnection, NobodyThereIsRefused,
                            HugeMessagesArriveWhole,
                            CutAfterEachByteEndsInRefusedAndHealsByReconnecting,
                            ClearAndStatusByteWorkOrSayThatTheyDoNotExist);

}  // namespace nightbench::test
