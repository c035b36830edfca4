#include "mock_instruments/instrument/status.hpp"

#include <gtest/gtest.h>

#include "asking.hpp"

namespace nightbench::mock::instrument {
namespace {

// Nothing but the common commands, and operations on request.
class PlainDevice final : public Instrument {
 public:
  explicit PlainDevice(World& world) : Instrument(world, {"plain", {}, Latency::instant(), 1}) {
    tree_.add(":WORK", {number(SuffixUnit::second)}, [this](Call& call) {
      operate_until(call.now + from_seconds(call.values[0].number));
    });
    tree_.add(":COND", {number()}, [this](Call& call) {
      status_.operation.set_condition(static_cast<std::uint16_t>(call.values[0].number));
    });
    tree_.add(":FAIL", {number()},
              [](Call& call) { call.error(static_cast<int>(call.values[0].number)); });
  }
  int resets = 0;

 protected:
  void reset(TimePoint) override { ++resets; }
};

class StatusModel : public ::testing::Test {
 protected:
  World world{TimePoint{}};
  PlainDevice device{world};
  Asker ask{device};
};

TEST_F(StatusModel, StartsWithPowerOnAndNothingElse) {
  EXPECT_EQ(ask.text("*ESR?;*ESE?;*SRE?"), "128;0;0");
  EXPECT_EQ(ask.text("*ESR?"), "0");  // reading clears
}

// S2 21.8: each class of errors has its bit.
TEST_F(StatusModel, ErrorsSetTheirEventBit) {
  const std::vector<std::pair<int, int>> bits{{-113, 32}, {-222, 16}, {-310, 8},
                                              {17, 8},    {-410, 4},  {-500, 128},
                                              {-600, 64}, {-700, 2},  {-800, 1}};
  for (const auto& [number, bit] : bits) {
    ask.ask("*CLS");
    ask.ask(":FAIL " + std::to_string(number));
    EXPECT_EQ(ask.text("*ESR?"), std::to_string(bit)) << number;
  }
}

TEST_F(StatusModel, TheQueueIsFirstInFirstOutAndEndsInNoError) {
  ask.ask("FOO");
  ask.ask(":FAIL -222");
  EXPECT_EQ(ask.text("SYST:ERR:COUN?"), "2");
  EXPECT_EQ(ask.text("SYST:ERR?"), "-113,\"Undefined header;FOO\"");
  EXPECT_EQ(ask.text("SYST:ERR:NEXT?"), "-222,\"Data out of range\"");
  EXPECT_EQ(ask.text("SYST:ERR?"), "0,\"No error\"");
}

// S2 21.8: when full, the newest entry becomes -350.
TEST_F(StatusModel, AFullQueueLosesTheNewest) {
  for (std::size_t i = 0; i < Status::queue_most + 5; ++i)
    ask.ask(":FAIL " + std::to_string(i + 1));
  EXPECT_EQ(ask.text("SYST:ERR:COUN?"), std::to_string(Status::queue_most));
  for (std::size_t i = 0; i + 1 < Status::queue_most; ++i) {
    EXPECT_EQ(ask.error(), static_cast<int>(i) + 1);
  }
  EXPECT_EQ(ask.text("SYST:ERR?"), "-350,\"Queue overflow\"");
  EXPECT_EQ(ask.error(), 0);
}

TEST_F(StatusModel, AllErrorsAtOnce) {
  EXPECT_EQ(ask.text("SYST:ERR:ALL?"), "0,\"No error\"");
  ask.ask(":FAIL -222");
  ask.ask(":FAIL -221");
  EXPECT_EQ(ask.text("SYST:ERR:CODE:ALL?"), "-222,-221");
  EXPECT_EQ(ask.error(), 0);
}

// 488.2 chapter 11: EAV (2), MAV (4), ESB (5), MSS (6), OPER (7).
TEST_F(StatusModel, TheStatusByteSumsUp) {
  EXPECT_EQ(ask.text("*CLS;*ESR?;*STB?"), "0;16");  // the first answer waits: MAV
  ask.ask("*ESE 32;*SRE 32");
  ask.ask("FOO");
  EXPECT_EQ(ask.text("*STB?"), std::to_string(4 + 32 + 64));
  EXPECT_EQ(device.status_byte(), 4 + 32 + 64);
  ask.ask("*ESE 0;:STAT:OPER:ENAB 2;:COND 2");
  EXPECT_EQ(ask.text("*STB?"), std::to_string(4 + 128));
  EXPECT_EQ(ask.text("STAT:OPER?"), "2");
  EXPECT_EQ(ask.text("STAT:OPER?"), "0");       // the event was cleared
  EXPECT_EQ(ask.text("STAT:OPER:COND?"), "2");  // the condition is still there
}

TEST_F(StatusModel, TransitionFiltersChooseTheEdge) {
  ask.ask(":STAT:OPER:PTR 0;NTR 4;ENAB 4;:COND 4");
  EXPECT_EQ(ask.text("STAT:OPER?"), "0");
  ask.ask(":COND 0");
  EXPECT_EQ(ask.text("STAT:OPER?"), "4");
  ask.ask("STAT:PRES");
  EXPECT_EQ(ask.text("STAT:OPER:PTR?;NTR?;ENAB?"), "32767;0;0");
}

// 488.2 10.3: *CLS keeps the enables; 10.32: *RST keeps status and enables.
TEST_F(StatusModel, ClearAndResetKeepTheEnables) {
  ask.ask("*ESE 7;*SRE 8;:STAT:OPER:ENAB 9");
  ask.ask("FOO");
  ask.ask("*CLS");
  EXPECT_EQ(ask.text("*ESE?;*SRE?;STAT:OPER:ENAB?"), "7;8;9");
  EXPECT_EQ(ask.error(), 0);
  ask.ask("FOO");
  const int before = device.resets;
  ask.ask("*RST");
  EXPECT_EQ(device.resets, before + 1);
  EXPECT_EQ(ask.text("*ESE?;SYST:ERR:COUN?"), "7;1");
}

TEST_F(StatusModel, OperationCompleteWaitsInItsThreeWays) {
  ask.ask("*CLS;:WORK 2");
  const TimePoint start = ask.now();
  EXPECT_EQ(ask.text("*OPC?"), "1");
  EXPECT_EQ(seconds(ask.now() - start), 2.0);

  ask.ask(":WORK 3;*OPC");
  EXPECT_EQ(ask.text("*ESR?"), "0");
  ask.sleep(std::chrono::seconds(3));
  EXPECT_EQ(ask.text("*ESR?"), "1");

  ask.ask(":WORK 4;*OPC;*CLS");  // 488.2 10.3: *CLS forgets it
  ask.sleep(std::chrono::seconds(5));
  EXPECT_EQ(ask.text("*ESR?"), "0");

  const TimePoint waiting = ask.now();
  EXPECT_EQ(ask.text(":WORK 5;*WAI;*ESE?"), "0");
  EXPECT_EQ(seconds(ask.now() - waiting), 5.0);
}

TEST_F(StatusModel, MessageExchangeErrors) {
  ask.ask("*CLS");
  device.interrupted();
  device.unterminated();
  device.deadlocked();
  device.overrun();
  EXPECT_EQ(ask.text("SYST:ERR:CODE:ALL?"), "-410,-420,-430,-363");
  EXPECT_EQ(ask.text("*ESR?"), std::to_string(4 + 8));
}

// 488.2 5.8 (from memory): buffers empty, status kept.
TEST_F(StatusModel, DeviceClearForgetsTheMessageNotTheStatus) {
  ask.ask("FOO");
  device.begin(":WORK 100;*OPC?", ask.now());
  EXPECT_FALSE(device.run(ask.now()).done);
  device.device_clear();
  EXPECT_FALSE(device.busy());
  EXPECT_EQ(device.take_response(), std::nullopt);
  EXPECT_EQ(ask.text("SYST:ERR:COUN?"), "1");
}

TEST_F(StatusModel, LongDetailsAreCutAt255Characters) {
  const std::string entry = Status::entry({-113, std::string(1000, 'x')});
  EXPECT_EQ(entry.size(), std::string("-113,\"\"").size() + 255);
}

}  // namespace
}  // namespace nightbench::mock::instrument
