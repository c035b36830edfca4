// Sessions against a scripted instrument, on virtual time.
#include "drivers/scpi/session.hpp"

#include <gtest/gtest.h>

#include "../support/fake_instrument.hpp"
#include "../support/run.hpp"

namespace nightbench::scpi {
namespace {

using Heard = std::vector<std::string>;

class SessionTest : public testing::Test {
 protected:
  template <typename T>
  T run(Awaitable<T> task) {
    return test::run(clock_, std::move(task));
  }
  Session& open(Options options = {}) {
    session_ = std::make_unique<Session>(fake_.link(), clock_, "scope", options);
    const Result<void> opened = run(session_->open());
    EXPECT_TRUE(opened) << describe(opened.error());
    fake_.heard();
    return *session_;
  }

  boost::asio::io_context context_;
  VirtualClock clock_{context_};
  test::FakeInstrument fake_{clock_};
  std::unique_ptr<Session> session_;
};

TEST_F(SessionTest, OpenEmptiesTheQueueAndAsksTheIdentity) {
  fake_.errors = {"-222,\"Data out of range\"", "-113,\"Undefined header\""};
  session_ = std::make_unique<Session>(fake_.link(), clock_, "scope");
  ASSERT_TRUE(run(session_->open()));
  EXPECT_EQ(fake_.heard(), (Heard{":SYST:ERR?", ":SYST:ERR?", ":SYST:ERR?", "*IDN?"}));
  EXPECT_EQ(session_->identity().model, "F1");
  EXPECT_TRUE(run(session_->check())) << "errors from before are not ours";
}

TEST_F(SessionTest, OpenWithNobodyThere) {
  fake_.away = true;
  session_ = std::make_unique<Session>(fake_.link(), clock_, "scope");
  const auto opened = run(session_->open());
  ASSERT_FALSE(opened);
  EXPECT_EQ(opened.error().kind, ErrorKind::refused);
  EXPECT_EQ(opened.error().instrument, "scope");
}

TEST_F(SessionTest, OpenWithADeafInstrumentEndsInTime) {
  fake_.silent = {":SYST:ERR?", "*IDN?"};
  session_ = std::make_unique<Session>(fake_.link(), clock_, "scope");
  const auto opened = run(session_->open());
  ASSERT_FALSE(opened);
  EXPECT_EQ(describe(opened.error()), "scope: ':SYST:ERR?': nothing came before the deadline");
  EXPECT_EQ(clock_.now().time_since_epoch(), std::chrono::seconds(3));
}

TEST_F(SessionTest, AQueueThatNeverEmptiesIsReadAHundredTimes) {
  fake_.broken_queue = true;
  session_ = std::make_unique<Session>(fake_.link(), clock_, "scope");
  const auto opened = run(session_->open());
  ASSERT_FALSE(opened);
  EXPECT_EQ(opened.error().kind, ErrorKind::device);
  EXPECT_EQ(opened.error().number, -310);
  EXPECT_EQ(opened.error().message,
            "-310 System error; the error queue is not empty after 100 reads");
  EXPECT_EQ(fake_.received.size(), 100u);
}

TEST(Identity, SplitAtMostThreeTimes) {
  const Identity four = parse_identity(" Heronworks , F1,0, 1.0 \r");
  EXPECT_EQ(four.maker, "Heronworks");
  EXPECT_EQ(four.model, "F1");
  EXPECT_EQ(four.serial, "0");
  EXPECT_EQ(four.firmware, "1.0");
  EXPECT_EQ(parse_identity("a,b,c,d,e,f").firmware, "d,e,f");
  EXPECT_EQ(parse_identity("O'Hare,M1,5,1").model, "M1") << "an apostrophe opens no string";
  EXPECT_EQ(parse_identity("alone").maker, "alone");
  EXPECT_EQ(parse_identity("alone").firmware, "");
}

// SCPI-1999 volume 2, 21.8; forms seen in practice.
TEST(QueueEntry, OnlyTheNumberCounts) {
  for (const char* text : {"0,\"No error\"", "+0,\"No error\"", "0,No error", "0", " +0 \r"}) {
    EXPECT_EQ(parse_queue_entry(text)->number, 0) << text;
  }
  EXPECT_EQ(parse_queue_entry("-113,\"Undefined header;:FOO, x\"")->text,
            "Undefined header;:FOO, x");
  EXPECT_EQ(parse_queue_entry("+101,\"\"")->number, 101);
  EXPECT_EQ(parse_queue_entry("-222,\"torn")->number, -222);
  for (const char* text : {"", "No error", "\"0\"", "1.5,\"x\"", "9.91E37"}) {
    EXPECT_FALSE(parse_queue_entry(text)) << text;
  }
}

TEST_F(SessionTest, ADeviceErrorAfterASettingCarriesNumberTextAndCommand) {
  Session& session = open();
  fake_.rejects[":SOUR:FREQ 9E12"] = -222;
  ASSERT_TRUE(run(session.command(":SOUR:FREQ 9E12")));
  const auto checked = run(session.check());
  ASSERT_FALSE(checked);
  EXPECT_EQ(checked.error().kind, ErrorKind::device);
  EXPECT_EQ(checked.error().number, -222);
  EXPECT_EQ(describe(checked.error()), "scope: ':SOUR:FREQ 9E12': -222 Data out of range");
  EXPECT_TRUE(run(session.check())) << "reported once";
}

TEST_F(SessionTest, TheFirstOfSeveralErrorsCounts) {
  Session& session = open();
  fake_.errors = {"-221,\"Settings conflict;range\"", "-350,\"Queue overflow\""};
  const auto checked = run(session.check());
  EXPECT_EQ(checked.error().message, "-221 Settings conflict: Settings conflict;range");
  EXPECT_TRUE(fake_.errors.empty());
}

TEST_F(SessionTest, EventsAreNoErrors) {
  Session& session = open();
  fake_.errors = {"-800,\"Operation complete\"", "-600,\"User request\""};
  EXPECT_TRUE(run(session.check()));
}

TEST_F(SessionTest, PowerOnMeansThatSettingsAreGone) {
  Session& session = open();
  const int before = session.generation();
  fake_.errors = {"-500,\"Power on\""};
  EXPECT_EQ(run(session.check()).error().number, -500);
  EXPECT_GT(session.generation(), before);
}

TEST_F(SessionTest, CommandsAreChainedWhereTheInstrumentAllowsIt) {
  Options options;
  options.most_message = 24;
  Session& session = open(options);
  std::vector<std::string> sent;
  session.observe([&](const Traffic& traffic) {
    if (traffic.kind == Traffic::Kind::sent) sent.emplace_back(traffic.bytes);
  });
  const std::vector<std::string> commands{":A:B 1", ":A:C 2", ":VERY:LONG:HEADER 3"};
  ASSERT_TRUE(run(session.commands(commands)));
  EXPECT_EQ(sent, (Heard{":A:B 1;:A:C 2", ":VERY:LONG:HEADER 3"}));
}

TEST_F(SessionTest, NoChainingNoColonAndAGap) {
  Options options;
  options.may_chain = false;
  options.leading_colon = false;
  options.gap = std::chrono::milliseconds(50);
  options.terminator = "\r\n";
  Session& session = open(options);
  const TimePoint start = clock_.now();
  ASSERT_TRUE(run(session.commands({":A:B 1", ":A:C 2", "*CLS"})));
  EXPECT_EQ(run(session.query(":A:B?")).value(), "1");
  EXPECT_EQ(fake_.heard(), (Heard{"A:B 1", "A:C 2", "*CLS", "A:B?"}));
  EXPECT_GE(clock_.now() - start, std::chrono::milliseconds(150));
}

TEST_F(SessionTest, ChainedQueriesGiveOneAnswerEach) {
  Session& session = open();
  fake_.answers = {{":A?", "1"}, {":B?", "\"x;y\""}, {":C?", "3"}};
  const auto answers = run(session.queries({":A?", ":B?", ":C?"}));
  ASSERT_TRUE(answers) << describe(answers.error());
  EXPECT_EQ(*answers, (Heard{"1", "\"x;y\"", "3"}));
  fake_.answers[":B?"] = "1;2";
  const auto wrong = run(session.queries({":A?", ":B?", ":C?"}));
  ASSERT_FALSE(wrong);
  EXPECT_EQ(describe(wrong.error()), "scope: ':A?;:B?;:C?': expected 3 answers, found 4");
}

TEST_F(SessionTest, GarbageInsteadOfANumber) {
  Session& session = open();
  fake_.answers[":FREQ?"] = "ten mega";
  const auto number = run(session.query_value(":FREQ?"));
  ASSERT_FALSE(number);
  EXPECT_EQ(number.error().kind, ErrorKind::bad_data);
  EXPECT_EQ(describe(number.error()), "scope: ':FREQ?': expected a number, found 'ten mega'");
  EXPECT_FALSE(session.in_step());
  fake_.answers[":FREQ?"] = "9.9E37";
  EXPECT_EQ(run(session.query_number(":FREQ?"))->kind, Number::Kind::overload);
  EXPECT_EQ(run(session.query_value(":FREQ?")).error().message,
            "the instrument reports an overload ('9.9E37')");
}

TEST_F(SessionTest, ASilentQueryTimesOutAndNamesItself) {
  Session& session = open();
  fake_.silent = {":DEAF?"};
  const TimePoint start = clock_.now();
  const auto answer = run(session.query(":DEAF?"));
  ASSERT_FALSE(answer);
  EXPECT_EQ(answer.error().kind, ErrorKind::timeout);
  EXPECT_EQ(describe(answer.error()), "scope: ':DEAF?': nothing came before the deadline");
  EXPECT_EQ(clock_.now() - start, std::chrono::seconds(3));
}

// A late answer to an earlier query is never taken for the answer of a new one.
TEST_F(SessionTest, ALateAnswerIsNeverTakenForANewOne) {
  Session& session = open();
  fake_.answers = {{":SLOW?", "111"}, {":FAST?", "222"}};
  fake_.latency = std::chrono::seconds(4);
  ASSERT_EQ(run(session.query(":SLOW?")).error().kind, ErrorKind::timeout);
  EXPECT_FALSE(session.in_step());
  fake_.latency = Duration{};
  auto later = [&]() -> Awaitable<bool> {
    co_await sleep_for(clock_, std::chrono::seconds(2));
    co_return true;
  };
  run(later());  // the answer has come by now
  EXPECT_EQ(run(session.query(":FAST?")).value(), "222");
  EXPECT_EQ(fake_.connections, 2) << "by a new connection: there is no device clear here";
  EXPECT_TRUE(session.in_step());
}

TEST_F(SessionTest, BytesNobodyAskedForAreNotTakenForAnAnswer) {
  Session& session = open();
  fake_.answers = {{":A?", "222"}};
  fake_.once[":TWICE?"] = {"1\n111\n"};
  EXPECT_EQ(run(session.query(":TWICE?")).value(), "1");
  std::vector<std::string> notes;
  session.observe([&](const Traffic& traffic) {
    if (traffic.kind == Traffic::Kind::note) notes.emplace_back(traffic.bytes);
  });
  EXPECT_EQ(run(session.query(":A?")).value(), "222");
  ASSERT_FALSE(notes.empty());
  EXPECT_EQ(notes.front(), "nobody asked for '111\\n'");

  auto unasked = [&]() -> Awaitable<Result<void>> {
    co_return co_await fake_.stream()->write_all("333\n", TimePoint::max());
  };
  ASSERT_TRUE(run(unasked()));
  EXPECT_EQ(run(session.query(":A?")).value(), "222");
}

TEST_F(SessionTest, AClosedConnectionIsOpenedAgainBeforeTheNextOperation) {
  Session& session = open();
  fake_.answers = {{":A?", "1"}};
  const int generation = session.generation();
  fake_.hang_up = {":BYE?"};
  const auto gone = run(session.query(":BYE?"));
  ASSERT_FALSE(gone);
  EXPECT_EQ(gone.error().kind, ErrorKind::refused);
  EXPECT_EQ(describe(gone.error()), "scope: ':BYE?': the other side closed the connection");
  EXPECT_EQ(run(session.query(":A?")).value(), "1");
  EXPECT_EQ(session.generation(), generation + 1) << "settings may be gone";
}

TEST_F(SessionTest, CommandsThatALostConnectionMayHaveSwallowedAreAnError) {
  Session& session = open();
  ASSERT_TRUE(run(session.command(":CHAN1:RANG 2")));
  fake_.drop_connection();
  const auto second = run(session.command(":CHAN2:RANG 2"));
  ASSERT_FALSE(second) << "the first may not have been obeyed";
  EXPECT_EQ(second.error().kind, ErrorKind::refused);
  EXPECT_EQ(describe(second.error()),
            "scope: ':CHAN1:RANG 2': the connection was lost after this, which may not have arrived");
  EXPECT_TRUE(session.in_step());
  EXPECT_TRUE(run(session.check())) << "told once";

  ASSERT_TRUE(run(session.apply({":CHAN1:RANG 2"}, false)));
  fake_.drop_connection();
  EXPECT_TRUE(run(session.command(":CHAN2:RANG 2"))) << "what was checked has arrived";
}

TEST_F(SessionTest, AnotherInstrumentAtTheSameAddressIsNotAccepted) {
  Session& session = open();
  fake_.drop_connection();
  fake_.identity = "Heronworks,F1,0002,1.0";
  const auto answer = run(session.query(":A?"));
  ASSERT_FALSE(answer);
  EXPECT_EQ(answer.error().kind, ErrorKind::bad_data);
  EXPECT_EQ(answer.error().message,
            "another instrument answers: expected 'Heronworks,F1,0001,1.0', found "
            "'Heronworks,F1,0002,1.0'");
  fake_.identity = "Heronworks,F1,0001,1.1";
  fake_.answers = {{":A?", "1"}};
  EXPECT_TRUE(run(session.query(":A?"))) << "new firmware is the same instrument";
}

TEST_F(SessionTest, AnErrorOfAnUncheckedCommandSurvivesResynchronising) {
  Session& session = open();
  fake_.rejects[":SOUR:POW 99"] = -222;
  ASSERT_TRUE(run(session.command(":SOUR:POW 99")));
  fake_.silent = {":DEAF?"};
  ASSERT_FALSE(run(session.query(":DEAF?")));
  fake_.answers = {{":A?", "1"}};
  ASSERT_TRUE(run(session.query(":A?")));
  const auto checked = run(session.check());
  ASSERT_FALSE(checked) << "never silently lost";
  EXPECT_EQ(checked.error().number, -222);
  EXPECT_EQ(checked.error().command, ":SOUR:POW 99");
}

TEST_F(SessionTest, WaitCompleteHasItsOwnTimeLimit) {
  Session& session = open();
  fake_.latency = std::chrono::seconds(40);
  EXPECT_TRUE(run(session.wait_complete())) << "60 s by default, more than for a query";
  const auto late = run(session.wait_complete(std::chrono::seconds(5)));
  ASSERT_FALSE(late);
  EXPECT_EQ(describe(late.error()), "scope: '*OPC?': nothing came before the deadline");
  fake_.latency = Duration{};
  fake_.answers["*OPC?"] = "0";
  EXPECT_EQ(run(session.wait_complete()).error().message, "expected 1, found '0'");
}

TEST_F(SessionTest, BlocksWithTerminatorsInside) {
  Session& session = open();
  fake_.raw[":DATA?"] = "#14a\nb\n\n";
  fake_.answers = {{":A?", "1"}};
  EXPECT_EQ(run(session.query_block(":DATA?", 100)).value(), "a\nb\n");
  EXPECT_EQ(run(session.query(":A?")).value(), "1");
  EXPECT_EQ(fake_.connections, 1);
}

TEST_F(SessionTest, BadBlocksNameInstrumentCommandAndWhatCame) {
  Session& session = open();
  const std::vector<std::pair<std::string, std::string>> rows{
      {"#15HEL",
       "nothing came before the deadline; so far came '#15HEL' (3 of 5 bytes of a block)"},
      {"#9999999999abc", "block claims 999999999 bytes, at most 8388608 expected"},
      {"garbage\n", "expected a block, found 'garbage\\n'"},
      {"#0abc\n", "a block of indefinite length came, which has no end on this transport"}};
  for (const auto& [bytes, message] : rows) {
    fake_.raw[":DATA?"] = bytes;
    const auto data = run(session.query_block(":DATA?", 8388608, std::chrono::seconds(2)));
    ASSERT_FALSE(data) << bytes;
    EXPECT_EQ(describe(data.error()), "scope: ':DATA?': " + message);
    EXPECT_FALSE(session.in_step());
  }
  fake_.answers = {{":A?", "1"}};
  EXPECT_EQ(run(session.query(":A?")).value(), "1");
}

TEST_F(SessionTest, AnEndlessLineIsBounded) {
  Options options;
  options.most_line = 1000;
  Session& session = open(options);
  fake_.raw[":LOG?"] = std::string(500000, 'x');
  EXPECT_EQ(run(session.query(":LOG?")).error().message,
            "the answer is longer than the 1000 bytes expected");
}

TEST_F(SessionTest, CloseEndsAPendingQuery) {
  Session& session = open();
  fake_.silent = {":DEAF?"};
  const auto pending = test::start(context_, session.query(":DEAF?"));
  const auto alarm = clock_.arm(clock_.now() + std::chrono::seconds(1), [&] { session.close(); });
  clock_.run([&] { return pending->done; });
  ASSERT_TRUE(pending->done);
  EXPECT_EQ(pending->value->error().kind, ErrorKind::cancelled);
  EXPECT_EQ(run(session.query(":A?")).error().kind, ErrorKind::cancelled);
  EXPECT_TRUE(run(session.open())) << "open() revives it";
}

TEST_F(SessionTest, ASecondOperationAtTheSameTimeIsOurBug) {
  Session& session = open();
  fake_.latency = std::chrono::seconds(1);
  fake_.answers = {{":A?", "1"}, {":B?", "2"}};
  const auto first = test::start(context_, session.query(":A?"));
  const auto second = run(session.query(":B?"));
  EXPECT_EQ(second.error().kind, ErrorKind::internal);
  clock_.run([&] { return first->done; });
  EXPECT_EQ(first->value->value(), "1");
}

// The stream under the session fails at its n-th operation, for every n: an error that names the
// instrument each time, and the session gets over it.
class FailingStream final : public link::Stream {
 public:
  FailingStream(std::unique_ptr<link::Stream> inner, int& countdown)
      : inner_(std::move(inner)), countdown_(countdown) {}
  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    const bool peeking = deadline <= TimePoint{};  // looking for leftovers is no step of its own
    if (!peeking && countdown_-- == 0) {
      inner_->close();
      co_return fail(ErrorKind::refused, "broken on purpose");
    }
    co_return co_await inner_->read_some(most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) override {
    if (countdown_-- == 0) {
      inner_->close();
      co_return fail(ErrorKind::refused, "broken on purpose");
    }
    co_return co_await inner_->write_all(bytes, deadline);
  }
  void close() override { inner_->close(); }
  bool is_open() const override { return inner_->is_open(); }

 private:
  std::unique_ptr<link::Stream> inner_;
  int& countdown_;
};

class FailingConnector final : public link::Connector {
 public:
  FailingConnector(test::FakeInstrument& fake, int& countdown)
      : fake_(fake), countdown_(countdown) {}
  Awaitable<Result<std::unique_ptr<link::Stream>>> connect(TimePoint) override {
    Result<std::unique_ptr<link::Stream>> inner = fake_.connect();
    if (!inner) co_return inner;
    std::unique_ptr<link::Stream> out =
        std::make_unique<FailingStream>(*std::move(inner), countdown_);
    co_return out;
  }

 private:
  test::FakeInstrument& fake_;
  int& countdown_;
};

TEST_F(SessionTest, FailsTheNthOperationForEveryN) {
  fake_.answers = {{":A?", "1"}};
  fake_.raw[":DATA?"] = "#12ab\n";
  auto conversation = [](Session& session) -> Awaitable<Result<std::string>> {
    if (session.is_closed()) CO_TRY(co_await session.open());
    const std::vector<std::string> commands(1, ":B 2");
    CO_TRY(co_await session.apply(commands, true));
    CO_TRY(co_await session.query(":A?"));
    co_return co_await session.query_block(":DATA?", 100);
  };
  int n = 0;
  bool clean = false;
  for (; n < 100 && !clean; ++n) {
    int countdown = n;
    auto link = std::make_unique<link::StreamLink>(
        "memory", std::make_unique<FailingConnector>(fake_, countdown));
    Session session(std::move(link), clock_, "scope");
    const auto first = run(conversation(session));
    clean = first.has_value();
    if (!first) {
      EXPECT_EQ(first.error().kind, ErrorKind::refused) << n;
      EXPECT_EQ(first.error().instrument, "scope") << n;
      EXPECT_NE(first.error().command, "") << n;
    }
    countdown = -1;
    const auto second = run(conversation(session));
    ASSERT_TRUE(second) << n << ": " << describe(second.error());
    EXPECT_EQ(*second, "ab");
  }
  EXPECT_TRUE(clean);
  EXPECT_GT(n, 10) << "the conversation has more steps than that";
}

}  // namespace
}  // namespace nightbench::scpi
