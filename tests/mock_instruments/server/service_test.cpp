// Clients and troubles: what a connection sees.
#include "mock_instruments/server/service.hpp"

#include <gtest/gtest.h>

#include "bench_harness.hpp"

namespace nightbench::mock::server {
namespace {

using std::chrono::milliseconds;
using std::chrono::seconds;

std::string bench_with(const std::string& more, const std::string& model = "meter") {
  return R"({"simulated_bench": "small", "seed": 3, "instruments": {"it": {"model": ")" + model +
         "\"" + (more.empty() ? "" : ", " + more) + "}}}";
}

class Small {
 public:
  explicit Small(const std::string& more, const std::string& model = "meter",
                 Transport transport = Transport::memory)
      : h(transport) {
    h.start_text(bench_with(more, model));
  }
  Harness h;
  // One question over the standing connection, and what a failure is called.
  std::string ask(const std::string& message, Duration patience = seconds(3)) {
    if (!stream) stream = h.connect("it");
    if (!stream) return "(refused)";
    auto answer = h.exchange(*stream, message + '\n', 0, patience);
    if (!answer) return std::string("(") + name(answer.error().kind) + ")";
    answer->pop_back();
    return *answer;
  }
  std::unique_ptr<link::Stream> stream;
};

TEST(LineBuffer, CutsLinesAndForgetsTheOnesThatAreTooLong) {
  LineBuffer buffer;
  std::string line;
  buffer.append("*RS");
  EXPECT_FALSE(buffer.take(line));
  buffer.append("T\n*IDN?\r\n\nrest");
  ASSERT_TRUE(buffer.take(line));
  EXPECT_EQ(line, "*RST");
  ASSERT_TRUE(buffer.take(line));
  EXPECT_EQ(line, "*IDN?\r");
  ASSERT_TRUE(buffer.take(line));
  EXPECT_EQ(line, "");
  EXPECT_FALSE(buffer.take(line));
  EXPECT_FALSE(buffer.take_overrun());
  for (int i = 0; i < 100; ++i) buffer.append(std::string(1000, 'x'));
  EXPECT_TRUE(buffer.take_overrun());
  buffer.append("the end of it\n*CLS\n");
  ASSERT_TRUE(buffer.take(line));
  EXPECT_EQ(line, "*CLS");
}

TEST(Service, AnOverlongLineGivesInputBufferOverrun) {
  Small it("");
  auto stream = it.h.connect("it");
  const auto answer = it.h.exchange(*stream, std::string(100'000, ' ') + "*IDN?\n:SYST:ERR?\n", 0);
  ASSERT_TRUE(answer);
  EXPECT_EQ(*answer, "-363,\"Input buffer overrun\"\n");
  const auto count = it.h.exchange(*stream, ":SYST:ERR:COUN?\n", 0);
  ASSERT_TRUE(count);
  EXPECT_EQ(*count, "0\n");
}

TEST(Service, SeveralMessagesAtOnceAreAnsweredInTurn) {
  Small it("");
  auto stream = it.h.connect("it");
  const auto answer = it.h.exchange(*stream, "*ESE 5\n*ESE?\n*SRE?\n*ESE?;*SRE?\n", 8);
  ASSERT_TRUE(answer);
  EXPECT_EQ(*answer, "5\n0\n5;0\n");
}

TEST(Service, ClientsComeOneAfterAnother) {
  for (const Transport transport : {Transport::memory, Transport::tcp}) {
    Small it("", "meter", transport);
    for (int i = 0; i < 5; ++i) {
      EXPECT_TRUE(it.ask("*IDN?").starts_with("NIGHTBENCH"));
      it.stream.reset();
    }
    EXPECT_EQ(it.ask("*ESE?"), "0");
  }
}

TEST(Service, ASecondClientWaitsInTurn) {
  for (const Transport transport : {Transport::memory, Transport::tcp}) {
    Small it("", "meter", transport);
    EXPECT_EQ(it.ask("*ESE 3;*ESE?"), "3");
    auto second = it.h.connect("it");
    const auto early = it.h.exchange(*second, "*ESE?\n", 0, milliseconds(300));
    ASSERT_FALSE(early);
    EXPECT_EQ(early.error().kind, ErrorKind::timeout);
    it.stream.reset();
    const auto late = it.h.exchange(*second, "", 0);
    ASSERT_TRUE(late) << describe(late.error());
    EXPECT_EQ(*late, "3\n");
  }
}

TEST(Service, ASecondClientIsRefusedWhenTheFileSaysSo) {
  for (const Transport transport : {Transport::memory, Transport::tcp}) {
    Small it(R"("second_client": "refuse")", "meter", transport);
    EXPECT_EQ(it.ask("*ESE?"), "0");
    auto second = it.h.connect("it");
    if (second) {  // a socket connects and is closed at once
      const auto answer = it.h.exchange(*second, "*ESE?\n", 0);
      ASSERT_FALSE(answer);
      EXPECT_EQ(answer.error().kind, ErrorKind::refused);
    }
    EXPECT_EQ(it.ask("*ESE?"), "0");
    it.stream.reset();
    it.h.settle();
    EXPECT_EQ(it.ask("*ESE?"), "0");
  }
}

// A client that leaves while the instrument keeps it waiting frees the place.
TEST(Service, AClientThatGivesUpFreesTheInstrument) {
  Small it(R"("troubles": [{"when": {"command": 1}, "what": "hang"}])");
  EXPECT_EQ(it.ask("*IDN?"), "(timeout)");
  it.stream.reset();
  EXPECT_TRUE(it.ask("*IDN?").starts_with("NIGHTBENCH"));
}

TEST(Troubles, Drop) {
  Small it(R"("troubles": [{"when": {"header": "*ese?"}, "what": "drop"}])");
  EXPECT_TRUE(it.ask("*IDN?").starts_with("NIGHTBENCH"));
  EXPECT_EQ(it.ask("*ESE?"), "(refused)");
  it.stream.reset();
  EXPECT_EQ(it.ask("*ESE?"), "0");  // once
}

TEST(Troubles, Trickle) {
  Small it(R"("troubles": [{"when": {"command": 1}, "what": "trickle", "delay": "100 ms"}])");
  EXPECT_EQ(it.ask("SYST:VERS?"), "1999.0");
  EXPECT_NEAR(it.h.now(), 0.7, 1e-9);  // six characters and NL
}

TEST(Troubles, Garbage) {
  Small it(R"("troubles": [{"when": {"command": 1}, "what": "garbage", "bytes": 50}])");
  const std::string answer = it.ask("SYST:VERS?");
  EXPECT_EQ(answer.size(), 50U);
  EXPECT_EQ(answer.find("1999"), std::string::npos);
  EXPECT_EQ(it.ask("SYST:VERS?"), "1999.0");
}

const std::string kScopeSetup = ":ACQ:POIN 1000;:WAV:FORM BYTE;:SING\n";

TEST(Troubles, TruncatedBlock) {
  Small it(R"("troubles": [{"when": {"header": "DATA?"}, "what": "truncated_block", "bytes": 60}])",
           "scope_waveform");
  auto stream = it.h.connect("it");
  const auto some = it.h.exchange(*stream, kScopeSetup + ":WAV:DATA?\n", 60);
  ASSERT_TRUE(some);
  EXPECT_TRUE(some->starts_with("#800001000"));
  const auto more = it.h.exchange(*stream, "", 1, seconds(1));
  ASSERT_FALSE(more);
  EXPECT_EQ(more.error().kind, ErrorKind::timeout);
}

TEST(Troubles, OversizedBlock) {
  Small it(R"("troubles": [{"when": {"header": "DATA?"}, "what": "oversized_block",
                            "bytes": 900000000}])",
           "scope_waveform");
  auto stream = it.h.connect("it");
  const auto head = it.h.exchange(*stream, kScopeSetup + ":WAV:DATA?\n", 11 + 1000 + 1);
  ASSERT_TRUE(head);
  EXPECT_TRUE(head->starts_with("#9900000000"));
  EXPECT_EQ(head->size(), 11U + 1000 + 1);
}

TEST(Troubles, WrongTerminator) {
  Small it(R"("troubles": [{"when": {"command": 1}, "what": "wrong_terminator"}])");
  auto stream = it.h.connect("it");
  const auto answer = it.h.exchange(*stream, "SYST:VERS?\n", 7);
  ASSERT_TRUE(answer);
  EXPECT_EQ(*answer, "1999.0\r");
}

TEST(Troubles, LateAnswer) {
  Small it(R"("troubles": [{"when": {"command": 1}, "what": "late_answer", "delay": "4 s"}])");
  EXPECT_EQ(it.ask("SYST:VERS?", seconds(3)), "(timeout)");
  // What comes first is the late one; the next is behind it.
  EXPECT_TRUE(it.ask("*ESE?", seconds(3)).starts_with("1999.0"));
  EXPECT_NEAR(it.h.now(), 4.0, 1e-9);
}

TEST(Troubles, ResetErrorEntryAndIdentity) {
  Small it(R"("troubles": [
      {"when": {"command": 2}, "what": "reset"},
      {"when": {"command": 3}, "what": "error_entry", "number": -313, "text": "battery"},
      {"when": {"command": 4}, "what": "wrong_identity", "text": "SIM-OTHER"}])");
  EXPECT_EQ(it.ask(":TRIG:DEL 5;DEL?"), "5.000000000000E+00");
  EXPECT_EQ(it.ask(":TRIG:DEL?"), "0.000000000000E+00");
  EXPECT_EQ(it.ask(":SYST:ERR?"), "-313,\"Calibration memory lost;battery\"");
  EXPECT_EQ(it.ask("*IDN?"), "NIGHTBENCH,SIM-OTHER,it,1.0");
}

TEST(Troubles, NeverComplete) {
  Small it(R"("troubles": [{"when": {"command": 2}, "what": "never_complete"}])");
  EXPECT_EQ(it.ask("*OPC?"), "1");
  EXPECT_EQ(it.ask("*OPC?"), "(timeout)");
}

TEST(Troubles, PowerLoss) {
  Small it(R"("troubles": [{"when": {"at": "10 s"}, "what": "power_loss", "delay": "2 s"}])",
           "supply");
  EXPECT_EQ(it.ask(":VOLT 5;:OUTP ON;:OUTP?"), "1");
  bool woken = false;
  const auto alarm = it.h.clock().arm(TimePoint(seconds(10)), [&] { woken = true; });
  it.h.run([&] { return woken; });
  EXPECT_EQ(it.ask(":OUTP?"), "(refused)");
  it.stream.reset();
  EXPECT_EQ(it.ask(":OUTP?"), "(refused)");
  bool later = false;
  const auto next = it.h.clock().arm(TimePoint(seconds(13)), [&] { later = true; });
  it.h.run([&] { return later; });
  EXPECT_EQ(it.ask("*ESR?;:OUTP?"), "128;0");
  EXPECT_EQ(it.ask(":VOLT?"), "0.000000000000E+00");
}

TEST(Troubles, ChanceFollowsTheSeed) {
  const auto count = [](const std::string& chance) {
    Small it(R"("troubles": [{"when": {"chance": )" + chance + R"(}, "what": "garbage"}])");
    int bad = 0;
    for (int i = 0; i < 400; ++i) bad += it.ask("SYST:VERS?") != "1999.0" ? 1 : 0;
    return bad;
  };
  EXPECT_EQ(count("0"), 0);
  EXPECT_EQ(count("1"), 400);
  const int some = count("0.1");
  EXPECT_NEAR(some, 40, 24);  // 4 standard deviations
  EXPECT_EQ(some, count("0.1"));
}

}  // namespace
}  // namespace nightbench::mock::server
