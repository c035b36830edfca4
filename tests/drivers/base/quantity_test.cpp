#include "drivers/base/quantity.hpp"

#include <gtest/gtest.h>

#include <array>
#include <bit>
#include <clocale>
#include <cmath>
#include <cstdlib>
#include <limits>
#include <locale>
#include <random>
#include <sstream>
#include <string>
#include <vector>

namespace nightbench {
namespace {

struct Prefix {
  const char* text;
  const char* exponent;
};
constexpr std::array kPrefixes{Prefix{"G", "e9"},  Prefix{"M", "e6"},  Prefix{"k", "e3"},
                               Prefix{"", "e0"},   Prefix{"m", "e-3"}, Prefix{"u", "e-6"},
                               Prefix{"n", "e-9"}, Prefix{"p", "e-12"}};
constexpr std::array kPrefixed{Unit::hertz, Unit::volt,   Unit::ampere,
                               Unit::ohm,   Unit::second, Unit::watt};
constexpr std::array kPlain{Unit::dbm,     Unit::db,  Unit::degree,
                            Unit::percent, Unit::ppm, Unit::celsius};

// The seed changes from run to run and is printed on failure; set NIGHTBENCH_TEST_SEED to repeat.
std::uint32_t seed() {
  const char* wanted = std::getenv("NIGHTBENCH_TEST_SEED");
  return wanted != nullptr ? static_cast<std::uint32_t>(std::strtoul(wanted, nullptr, 10))
                           : std::random_device()();
}

void expect_refused(const std::string& text, Unit unit) {
  const auto parsed = parse_quantity(text, unit);
  ASSERT_FALSE(parsed) << '"' << text << "\" gave " << *parsed;
  EXPECT_EQ(parsed.error().kind, ErrorKind::bad_input);
}

TEST(Quantity, EveryUnitIsReadWithItsSymbolAndWithout) {
  for (const auto& units : {std::vector<Unit>(kPrefixed.begin(), kPrefixed.end()),
                            std::vector<Unit>(kPlain.begin(), kPlain.end())}) {
    for (const Unit unit : units) {
      const std::string name = symbol(unit);
      EXPECT_EQ(parse_quantity("2.5 " + name, unit), 2.5) << name;
      EXPECT_EQ(parse_quantity("-2.5" + name, unit), -2.5) << name;
      EXPECT_EQ(parse_quantity("  +2.5\t" + name + "  ", unit), 2.5) << name;
      EXPECT_EQ(parse_quantity("2.5", unit), 2.5) << name;
      EXPECT_EQ(parse_quantity("25e-1 " + name, unit), 2.5) << name;
    }
  }
}

TEST(Quantity, SymbolsAreThoseWrittenInFiles) {
  EXPECT_STREQ(symbol(Unit::hertz), "Hz");
  EXPECT_STREQ(symbol(Unit::volt), "V");
  EXPECT_STREQ(symbol(Unit::ampere), "A");
  EXPECT_STREQ(symbol(Unit::ohm), "ohm");
  EXPECT_STREQ(symbol(Unit::second), "s");
  EXPECT_STREQ(symbol(Unit::watt), "W");
  EXPECT_STREQ(symbol(Unit::dbm), "dBm");
  EXPECT_STREQ(symbol(Unit::db), "dB");
  EXPECT_STREQ(symbol(Unit::degree), "deg");
  EXPECT_STREQ(symbol(Unit::percent), "%");
  EXPECT_STREQ(symbol(Unit::ppm), "ppm");
  EXPECT_STREQ(symbol(Unit::celsius), "degC");
  EXPECT_STREQ(symbol(Unit::one), "");
}

// The value must be the double nearest to the decimal text, whatever the prefix: the reference is
// strtod of the same digits with the exponent written out.
TEST(Quantity, EveryPrefixGivesTheNearestDouble) {
  for (const char* digits : {"1.1", "1.6", "10.12", "10.101", "0.3", "7", "123.456789"}) {
    for (const Unit unit : kPrefixed) {
      for (const Prefix& prefix : kPrefixes) {
        const std::string text = std::string(digits) + " " + prefix.text + symbol(unit);
        const double nearest =
            std::strtod((std::string(digits) + prefix.exponent).c_str(), nullptr);
        EXPECT_EQ(parse_quantity(text, unit), nearest) << text;
      }
    }
  }
}

TEST(Quantity, PrefixesAreCaseSensitive) {
  EXPECT_EQ(parse_quantity("1 MHz", Unit::hertz), 1e6);
  EXPECT_EQ(parse_quantity("1 mHz", Unit::hertz), 1e-3);
  expect_refused("1 KHz", Unit::hertz);
  expect_refused("1 mhz", Unit::hertz);
  expect_refused("1 hz", Unit::hertz);
}

TEST(Quantity, LogarithmicAndRelativeUnitsTakeNoPrefix) {
  for (const Unit unit : kPlain) {
    for (const Prefix& prefix : kPrefixes) {
      if (*prefix.text == '\0') continue;
      expect_refused(std::string("1 ") + prefix.text + symbol(unit), unit);
    }
  }
}

TEST(Quantity, AnotherUnitIsRefused) {
  expect_refused("-40 dB", Unit::dbm);
  expect_refused("-40 dBm", Unit::db);
  expect_refused("1 V", Unit::ampere);
  expect_refused("1 Hz", Unit::one);
  expect_refused("1 deg", Unit::celsius);
}

TEST(Quantity, APercentageIsAFractionOnlyOfAPlainNumber) {
  EXPECT_EQ(parse_quantity("2 %", Unit::one), 0.02);
  EXPECT_EQ(parse_quantity("2 %", Unit::percent), 2);
  expect_refused("2 %", Unit::db);
}

TEST(Quantity, TheErrorNamesTheUnitAnExampleAndWhatWasFound) {
  EXPECT_EQ(parse_quantity("fast", Unit::hertz).error().message,
            "expected a quantity in Hz such as \"10.12 MHz\", found \"fast\"");
  EXPECT_EQ(parse_quantity("", Unit::one).error().message,
            "expected a quantity such as \"3\", found \"\"");
}

TEST(Quantity, HostileTextIsRefused) {
  const std::vector<std::string> texts{
      "",
      " ",
      "+",
      "-",
      "++1 V",
      "+-1 V",
      "--1 V",
      "1,5 V",
      "nan",
      "nan V",
      "inf",
      "-inf V",
      "infinity",
      "NaN(1) V",
      "0x10 V",
      "1e V",
      "1 V V",
      "1 m V",
      "V",
      "1e400 V",
      "1 V\n",
      "1 V;",
      "1..2 V",
      "1 \xC2\xB5V",
      "1e999999999999 V",
      "\xFF\xFE",
      std::string("1\0V", 3),
  };
  for (const std::string& text : texts) expect_refused(text, Unit::volt);
}

TEST(Quantity, AValueThatOverflowsByItsPrefixIsRefused) {
  EXPECT_EQ(parse_quantity("1e299 GV", Unit::volt), 1e308);
  expect_refused("1e300 GV", Unit::volt);
  expect_refused("-1e300 GV", Unit::volt);
}

TEST(Quantity, TheErrorOfALongTextIsShortAndPrintable) {
  const auto parsed = parse_quantity("\x1b[2J" + std::string(1'000'000, 'x'), Unit::volt);
  ASSERT_FALSE(parsed);
  EXPECT_LT(parsed.error().message.size(), 160U);
  EXPECT_EQ(parsed.error().message.find('\x1b'), std::string::npos);
}

TEST(Quantity, ShortestTextReadsBackAsTheSameDouble) {
  const std::uint32_t start = seed();
  SCOPED_TRACE("NIGHTBENCH_TEST_SEED=" + std::to_string(start));
  std::mt19937_64 random(start);
  int finite = 0;
  for (int i = 0; i < 20'000; ++i) {
    const auto value = std::bit_cast<double>(random());
    if (!std::isfinite(value)) continue;
    ++finite;
    const auto back = parse_number(shortest(value));
    ASSERT_TRUE(back) << shortest(value);
    ASSERT_EQ(std::bit_cast<std::uint64_t>(*back), std::bit_cast<std::uint64_t>(value))
        << shortest(value);
  }
  EXPECT_GT(finite, 19'000);
}

TEST(Quantity, FormattedTextReadsBackWithinItsDigits) {
  const std::uint32_t start = seed();
  SCOPED_TRACE("NIGHTBENCH_TEST_SEED=" + std::to_string(start));
  std::mt19937_64 random(start);
  std::uniform_real_distribution<double> mantissa(1, 10);
  std::uniform_int_distribution<int> exponent(-12, 11);
  std::uniform_int_distribution<std::size_t> which(0, kPrefixed.size() - 1);
  std::uniform_int_distribution<int> digit_count(3, 15);
  for (int i = 0; i < 20'000; ++i) {
    const double value =
        mantissa(random) * std::pow(10.0, exponent(random)) * (i % 2 == 0 ? 1 : -1);
    const Unit unit = kPrefixed[which(random)];
    const int digits = digit_count(random);
    const std::string text = format(value, unit, digits);
    const auto back = parse_quantity(text, unit);
    ASSERT_TRUE(back) << text;
    // Half a unit of the last digit, at worst of a mantissa of 1, and the rounding of doubles.
    const double bound = std::fabs(value) * (0.5 * std::pow(10.0, 1 - digits) + 1e-15);
    ASSERT_NEAR(*back, value, bound) << text << " with " << digits << " digits";
  }
}

TEST(Quantity, FormatChoosesThePrefix) {
  EXPECT_EQ(format(10.12e6, Unit::hertz), "10.12 MHz");
  EXPECT_EQ(format(-0.0025, Unit::volt), "-2.5 mV");
  EXPECT_EQ(format(0, Unit::ohm), "0 ohm");
  EXPECT_EQ(format(1000, Unit::hertz), "1 kHz");
  EXPECT_EQ(format(123456789, Unit::hertz, 3), "123 MHz");
  EXPECT_EQ(format(-40, Unit::dbm), "-40 dBm");
  EXPECT_EQ(format(1234, Unit::db), "1234 dB");
  EXPECT_EQ(format(0.5, Unit::one), "0.5");
  EXPECT_EQ(format(1e-15, Unit::second), "0.001 ps");
}

TEST(Quantity, FormatCarriesOverOnlyWhenRoundingDoes) {
  EXPECT_EQ(format(999.996, Unit::hertz), "999.996 Hz");
  EXPECT_EQ(format(999.9999, Unit::hertz), "1 kHz");
  EXPECT_EQ(format(-999.9999e3, Unit::hertz), "-1 MHz");
  EXPECT_EQ(format(999.4, Unit::volt, 3), "999 V");
  EXPECT_EQ(format(999.6, Unit::volt, 3), "1 kV");
}

TEST(Quantity, FormatOfWhatIsNoValueSaysSo) {
  EXPECT_EQ(format(std::nan(""), Unit::volt), "no value");
  EXPECT_EQ(format(std::numeric_limits<double>::infinity(), Unit::db), "no value");
  EXPECT_EQ(format(-std::numeric_limits<double>::infinity(), Unit::one), "no value");
}

TEST(Number, ReadsTheWholeTextOrRefuses) {
  EXPECT_EQ(parse_number("1.5"), 1.5);
  EXPECT_EQ(parse_number("+1.5E+01"), 15);
  EXPECT_EQ(parse_number(" -3 "), -3);
  for (const char* text : {"", "1.5 V", "1,5", "nan", "inf", "+-1", "0x1", "1e400", "1 2"}) {
    const auto parsed = parse_number(text);
    ASSERT_FALSE(parsed) << text;
    EXPECT_EQ(parsed.error().kind, ErrorKind::bad_data);
    EXPECT_EQ(parsed.error().message, std::string("expected a number, found \"") + text + "\"");
  }
}

// A locale with a decimal comma must change nothing, neither that of C nor that of C++. Which C
// locales exist depends on the machine; the C++ one is made here.
class CommaLocale {
 public:
  CommaLocale() : before_(std::locale::global(std::locale(std::locale(), new Comma))) {
    before_c_ = std::setlocale(LC_ALL, nullptr);
    for (const char* name : {"de_DE.UTF-8", "de_DE.utf8", "fr_FR.UTF-8", "nl_NL.UTF-8", "de_DE"}) {
      if (std::setlocale(LC_ALL, name) != nullptr) break;
    }
  }
  CommaLocale(const CommaLocale&) = delete;
  CommaLocale& operator=(const CommaLocale&) = delete;
  ~CommaLocale() {
    std::setlocale(LC_ALL, before_c_.c_str());
    std::locale::global(before_);
  }

 private:
  class Comma : public std::numpunct<char> {
   protected:
    char do_decimal_point() const override { return ','; }
    char do_thousands_sep() const override { return '.'; }
    std::string do_grouping() const override { return "\3"; }
  };
  std::locale before_;
  std::string before_c_;
};

TEST(Quantity, TheLocaleChangesNothing) {
  const CommaLocale locale;
  std::ostringstream witness;
  witness << 1234.5;
  ASSERT_EQ(witness.str(), "1.234,5") << "the locale of this check is not in force";
  EXPECT_EQ(parse_quantity("10.12 MHz", Unit::hertz), 10.12e6);
  expect_refused("10,12 MHz", Unit::hertz);
  EXPECT_EQ(format(10.12e6, Unit::hertz), "10.12 MHz");
  EXPECT_EQ(format(1234.5, Unit::db), "1234.5 dB");
  EXPECT_EQ(shortest(0.1), "0.1");
  EXPECT_EQ(parse_number("0.1"), 0.1);
}

}  // namespace
}  // namespace nightbench
