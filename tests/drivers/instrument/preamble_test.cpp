// What scopes say about their records: the formulas of both families, and refusing what makes no
// sense.
#include "drivers/instrument/preamble.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <limits>

namespace nightbench::instrument {
namespace {

ScopeTraits traits(ScopeFamily family, WireFormat format = WireFormat::int16) {
  ScopeTraits out;
  out.family = family;
  out.format = format;
  return out;
}

// v = (raw - yreference) * yincrement + yorigin; t = (i - xreference) * xincrement + xorigin.
TEST(WaveformPreamble, TenFields) {
  const auto p = waveform_preamble("1,0,1000,1,+1.0E-06,-5.0E-04,+2,+2.0E-05,+0.1,+128",
                                   traits(ScopeFamily::waveform));
  ASSERT_TRUE(p) << describe(p.error());
  EXPECT_EQ(p->points, 1000u);
  EXPECT_DOUBLE_EQ(p->dt_s, 1e-6);
  EXPECT_DOUBLE_EQ(p->t0_s, -5.0e-4 - 2e-6);
  EXPECT_DOUBLE_EQ(p->volts_per_code, 2e-5);
  EXPECT_DOUBLE_EQ(p->zero_code, 128);
  EXPECT_DOUBLE_EQ(p->offset_v, 0.1);
}

// The dialect that gives yorigin in counts: v = (raw - yorigin - yreference) * yincrement.
TEST(WaveformPreamble, YOriginInCounts) {
  ScopeTraits t = traits(ScopeFamily::waveform, WireFormat::uint8);
  t.y_origin_in_counts = true;
  const auto p = waveform_preamble("0,2,1200,1,1e-8,0,0,4e-3,-5,127", t);
  ASSERT_TRUE(p) << describe(p.error());
  EXPECT_DOUBLE_EQ(p->zero_code, 122);
  EXPECT_DOUBLE_EQ(p->offset_v, 0);
}

TEST(WaveformPreamble, RefusesWhatMakesNoSense) {
  const std::vector<std::pair<const char*, const char*>> rows{
      {"", "preamble: expected 10 fields, found 1"},
      {"1,0,1000,1,1e-6,0,0,2e-5,0", "preamble: expected 10 fields, found 9"},
      {"0,0,1000,1,1e-6,0,0,2e-5,0,0", "preamble: expected 1 (WORD) for format, found '0'"},
      {"1,0,0,1,1e-6,0,0,2e-5,0,0", "preamble: expected 1 to 4194304 points for points, found '0'"},
      {"1,0,1e12,1,1e-6,0,0,2e-5,0,0",
       "preamble: expected 1 to 4194304 points for points, found '1e12'"},
      {"1,0,10,1,0,0,0,2e-5,0,0", "preamble: expected a positive number for xincrement, found '0'"},
      {"1,0,10,1,9.91E37,0,0,2e-5,0,0",
       "preamble: expected a positive number for xincrement, found '9.91E37'"},
      {"1,0,10,1,1e-6,x,0,2e-5,0,0", "preamble: expected a number for xorigin, found 'x'"},
      {"1,0,10,1,1e-6,0,0,-2e-5,0,0",
       "preamble: expected a positive number for yincrement, found '-2e-5'"}};
  for (const auto& [text, message] : rows) {
    const auto p = waveform_preamble(text, traits(ScopeFamily::waveform));
    ASSERT_FALSE(p) << text;
    EXPECT_EQ(p.error().kind, ErrorKind::bad_data);
    EXPECT_EQ(p.error().message, message);
  }
}

// t = XZERO + XINCR * (i - PT_OFF); v = YZERO + YMULT * (raw - YOFF).
TEST(CurvePreamble, SingleFields) {
  const std::vector<std::string> fields{"2",   "RI",   "LSB",  "2000",  "1.0E-7",
                                        "0.0", "1000", "3E-5", "-12.5", "0.25"};
  const auto p = curve_preamble(fields, traits(ScopeFamily::curve));
  ASSERT_TRUE(p) << describe(p.error());
  EXPECT_EQ(p->format, WireFormat::int16);
  EXPECT_FALSE(p->big_endian);
  EXPECT_EQ(p->points, 2000u);
  EXPECT_DOUBLE_EQ(p->t0_s, -1e-4);
  EXPECT_DOUBLE_EQ(p->zero_code, -12.5);
  EXPECT_DOUBLE_EQ(p->offset_v, 0.25);
  ScopeTraits folded = traits(ScopeFamily::curve);
  folded.trigger_in_x_zero = true;
  EXPECT_DOUBLE_EQ(curve_preamble(fields, folded)->t0_s, 0);
}

TEST(CurvePreamble, FormatComesFromTheInstrument) {
  const auto with = [](const char* width, const char* format, const char* order) {
    return curve_preamble({width, format, order, "10", "1e-6", "0", "0", "1e-3", "0", "0"},
                          traits(ScopeFamily::curve));
  };
  EXPECT_EQ(with("1", "RI", "MSB")->format, WireFormat::int8);
  EXPECT_EQ(with("1", "\"RP\"", "LSB")->format, WireFormat::uint8);
  EXPECT_EQ(with("2", "rp", "msb")->format, WireFormat::uint16);
  EXPECT_TRUE(with("2", "RP", "MSB")->big_endian);
  EXPECT_EQ(with("4", "RI", "LSB").error().message,
            "preamble: expected 1 or 2 for BYT_NR, found '4'");
  EXPECT_EQ(with("2", "FP", "LSB").error().message,
            "preamble: expected RI or RP for BN_FMT, found 'FP'");
  EXPECT_EQ(with("2", "RI", "PDP").error().message,
            "preamble: expected LSB or MSB for BYT_OR, found 'PDP'");
}

Preamble plain(WireFormat format, std::size_t points) {
  Preamble out;
  out.format = format;
  out.points = points;
  out.dt_s = 1e-6;
  out.volts_per_code = 1.0 / 65536;
  return out;
}

TEST(Samples, ByteOrdersGiveTheSameVolts) {
  const std::string little("\x00\x40\x00\xC0", 4);  // 16384, -16384
  const std::string big("\x40\x00\xC0\x00", 4);
  Preamble p = plain(WireFormat::int16, 2);
  const auto a = decode_samples(little, p, 8, 1.0, 0.0);
  p.big_endian = true;
  const auto b = decode_samples(big, p, 8, 1.0, 0.0);
  ASSERT_TRUE(a && b);
  EXPECT_EQ(volts(*a), (std::vector<double>{0.25, -0.25}));
  EXPECT_EQ(volts(*b), volts(*a));
}

TEST(Samples, UnsignedSixteenBitBecomesSigned) {
  Preamble p = plain(WireFormat::uint16, 3);
  p.zero_code = 32768;
  const auto c = decode_samples(std::string("\x00\x00\x00\x80\xFF\xFF", 6), p, 16, 1.0, 0.0);
  ASSERT_TRUE(c);
  EXPECT_EQ(c->format, SampleFormat::int16);
  EXPECT_EQ(codes(*c), (std::vector<double>{-32768, 0, 32767}));
  EXPECT_EQ(volts(*c), (std::vector<double>{-0.5, 0, 32767.0 / 65536}));
}

TEST(Samples, EightBitForms) {
  Preamble p = plain(WireFormat::uint8, 2);
  p.volts_per_code = 1.0 / 256;
  p.zero_code = 128;
  const auto u = decode_samples(std::string("\x00\xFF", 2), p, 8, 1.0, 0.0);
  ASSERT_TRUE(u);
  EXPECT_EQ(codes(*u), (std::vector<double>{0, 255}));
  EXPECT_EQ(u->lowest_code, 0);
  EXPECT_EQ(u->highest_code, 255);
  p.format = WireFormat::int8;
  p.zero_code = 0;
  const auto s = decode_samples(std::string("\x80\x7F", 2), p, 8, 1.0, 0.0);
  ASSERT_TRUE(s);
  EXPECT_EQ(codes(*s), (std::vector<double>{-128, 127}));
  EXPECT_EQ(s->lowest_code, -128);
  EXPECT_EQ(s->highest_code, 127);
}

// End codes: where a converter of so many bits clips, however its codes are aligned.
TEST(Samples, EndCodesOfTheConverter) {
  Preamble left = plain(WireFormat::int16, 1);  // 8 bits at the top of 16
  const auto a = decode_samples(std::string(2, '\0'), left, 8, 1.0, 0.0);
  EXPECT_EQ(a->lowest_code, -32768);
  EXPECT_EQ(a->highest_code, 32512) << "127 * 256, the highest of 8 bits";
  Preamble right = left;  // 12 bits at the bottom of 16
  right.volts_per_code = 1.0 / 4096;
  const auto b = decode_samples(std::string(2, '\0'), right, 12, 1.0, 0.0);
  EXPECT_EQ(b->lowest_code, -2048);
  EXPECT_EQ(b->highest_code, 2047);
  Preamble shifted = right;  // the range's middle at 0.3 V
  shifted.offset_v = 0.3;
  const auto c = decode_samples(std::string(2, '\0'), shifted, 12, 1.0, 0.3);
  EXPECT_EQ(c->lowest_code, -2048);
  EXPECT_EQ(c->highest_code, 2047);
  Preamble real = plain(WireFormat::float32, 1);
  real.volts_per_code = 1;
  const auto d = decode_samples(std::string(4, '\0'), real, 12, 2.0, 0.5);
  EXPECT_DOUBLE_EQ(d->lowest_code, -0.5);
  EXPECT_DOUBLE_EQ(d->highest_code, 1.5 - 2.0 / 4096);
}

TEST(Samples, FloatingPoint) {
  Preamble p = plain(WireFormat::float32, 2);
  p.volts_per_code = 1;
  const float values[2] = {0.125F, -3.5F};
  std::string bytes(8, '\0');
  std::memcpy(bytes.data(), values, 8);
  EXPECT_EQ(volts(*decode_samples(bytes, p, 12, 10, 0)), (std::vector<double>{0.125, -3.5}));
  const float bad[2] = {0, std::numeric_limits<float>::quiet_NaN()};
  std::memcpy(bytes.data(), bad, 8);
  EXPECT_EQ(decode_samples(bytes, p, 12, 10, 0).error().message, "sample 1 is not a number");
}

TEST(Samples, CountMustAgreeWithThePreamble) {
  const auto c = decode_samples("abc", plain(WireFormat::int16, 2), 8, 1.0, 0.0);
  ASSERT_FALSE(c);
  EXPECT_EQ(c.error().kind, ErrorKind::bad_data);
  EXPECT_EQ(c.error().message, "expected 2 samples of 2 bytes, found 3 bytes");
}

}  // namespace
}  // namespace nightbench::instrument
