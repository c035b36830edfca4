#include "scpi_cases.hpp"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <cstdlib>

#include "asking.hpp"

namespace nightbench::mock::instrument {
namespace {

// The device of scpi_cases.hpp.
class CaseDevice final : public Instrument {
 public:
  explicit CaseDevice(World& world)
      : Instrument(world, {"device", {"MAKER", "MODEL", "1", "2"}, Latency::instant(), 1}) {
    add("[:SOURce]:FREQuency[:CW|:FIXed]", SuffixUnit::hertz, {1, 1e9, 1e6}, 0);
    add("[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", SuffixUnit::volt, {-10, 10, 0}, 1);
    add("[:SOURce]:VOLTage:RANGe", SuffixUnit::volt, {0, 100, 10}, 2);
    add("[:SOURce]:RESistance", SuffixUnit::ohm, {0, 1e9, 50}, 3);
    add(":TRIGger:DELay", SuffixUnit::second, {0, 1000, 0}, 4);
    add(":CALCulate:PHASe", SuffixUnit::degree, {-360, 360, 0}, 5);
    tree_.add_boolean(
        ":OUTPut<1:4>[:STATe]",
        [this](const Call& call) { return outputs_[static_cast<std::size_t>(call.suffix()) - 1]; },
        [this](Call& call, bool on) {
          outputs_[static_cast<std::size_t>(call.suffix()) - 1] = on;
        });
    tree_.add_word(
        ":INPut:COUPling", {"DC", "AC", "GROund"}, [this](const Call&) { return coupling_; },
        [this](Call&, std::size_t which) { coupling_ = which; });
    tree_.add(":DISPlay:TEXT", {text()}, [this](Call& call) { text_ = call.values[0].text; });
    tree_.add(":DISPlay:TEXT?", {}, [this](Call& call) { call.answer(instrument::quoted(text_)); });
    tree_.add(":ROUTe:CLOSe", {channels()},
              [this](Call& call) { list_ = call.values[0].channels; });
    tree_.add(":ROUTe:CLOSe?", {}, [this](Call& call) {
      for (const auto& channel : list_) {
        std::string item;
        for (const int dimension : channel) append_item(item, nr1(dimension), '!');
        call.answer(item);
      }
    });
    tree_.add(":MEMory:PAIR", {number(), optional(number())}, [this](Call& call) {
      pair_ = {call.values[0].number, call.has(1) ? call.values[1].number : 0.0};
    });
    tree_.add(":MEMory:PAIR?", {}, [this](Call& call) {
      call.answer(nr3(pair_[0]));
      call.answer(nr3(pair_[1]));
    });
  }

 protected:
  void reset(TimePoint) override {}

 private:
  void add(const char* pattern, SuffixUnit unit, Limits limits, std::size_t which) {
    values_[which] = limits.standard;
    tree_.add_number(
        pattern, unit, [limits](const Call&) { return limits; },
        [this, which](const Call&) { return values_[which]; },
        [this, which](Call&, double value) { values_[which] = value; });
  }
  std::array<double, 6> values_{};
  std::array<bool, 4> outputs_{};
  std::size_t coupling_ = 0;
  std::string text_;
  std::vector<std::vector<int>> list_;
  std::array<double, 2> pair_{};
};

// Numbers may be written in any form; a list or anything else is compared item by item or as text.
bool same(const std::string& found, const std::string& wanted) {
  if (found == wanted) return true;
  std::size_t at = 0;
  std::size_t in = 0;
  for (;;) {
    const std::size_t to = found.find(',', at);
    const std::size_t until = wanted.find(',', in);
    char* end = nullptr;
    char* stop = nullptr;
    const std::string one = found.substr(at, to - at);
    const std::string other = wanted.substr(in, until - in);
    const double a = std::strtod(one.c_str(), &end);
    const double b = std::strtod(other.c_str(), &stop);
    if (one.empty() || other.empty() || *end != '\0' || *stop != '\0') return false;
    if (std::fabs(a - b) > 1e-12 * std::fabs(b)) return false;
    if ((to == std::string::npos) != (until == std::string::npos)) return false;
    if (to == std::string::npos) return true;
    at = to + 1;
    in = until + 1;
  }
}

TEST(ScpiCases, EveryMessageHasItsAnswerAndItsErrors) {
  const std::vector<cases::Case> all = cases::all();
  EXPECT_GE(all.size(), 1000U);
  for (const cases::Case& each : all) {
    World world{TimePoint{}};
    CaseDevice device(world);
    Asker asker(device);
    SCOPED_TRACE("'" + ::testing::PrintToString(each.message) + "' by " + each.clause);
    const std::string answer = asker.ask(each.message).value_or("");
    EXPECT_TRUE(same(answer, each.answer)) << "answered " << answer << ", not " << each.answer;
    if (!each.then.empty()) {
      const std::string after = asker.text(each.then);
      EXPECT_TRUE(same(after, each.then_answer))
          << each.then << " answered " << after << ", not " << each.then_answer;
    }
    std::vector<int> errors;
    for (int number = asker.error(); number != 0 && errors.size() < 40; number = asker.error()) {
      errors.push_back(number);
    }
    EXPECT_EQ(errors, each.errors);
  }
}

// Whatever bytes come, a message ends, and what it says is bounded.
TEST(ScpiCases, AnyBytesAreTakenAndEveryMessageEnds) {
  constexpr std::uint64_t kSeed = 20261;
  SCOPED_TRACE("seed " + std::to_string(kSeed));
  board::Random random(kSeed);
  const std::string alphabet = "FREQVOLT:;?*,.#\"'()@!0123456789eE+- \tSOURMHZ\xff\x01";
  World world{TimePoint{}};
  CaseDevice device(world);
  Asker asker(device);
  for (int i = 0; i < 20'000; ++i) {
    std::string message;
    const std::uint64_t length = random.next() % 40;
    for (std::uint64_t n = 0; n < length; ++n) {
      message += i % 4 == 0 ? static_cast<char>(random.next() & 0xFF)
                            : alphabet[random.next() % alphabet.size()];
    }
    const std::string answer = asker.ask(message).value_or("");
    ASSERT_LT(answer.size(), 4096U) << ::testing::PrintToString(message);
  }
  EXPECT_EQ(asker.text(":FREQ 5;FREQ?"), "5.000000000000E+00");
}

}  // namespace
}  // namespace nightbench::mock::instrument
