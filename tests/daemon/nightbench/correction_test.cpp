// The correction table that a run leaves, applied to the captures that the run kept.
#include <gtest/gtest.h>

#include <algorithm>
#include <complex>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>

#include "program.hpp"
#include "sequences/capture/capture.hpp"
#include "sequences/reading/iq.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
using std::chrono::seconds;

// Two places, both sides of the LO, three captures of each.
constexpr const char* kScript = R"({
  "script": "three-times",
  "steps": [
    { "step": "power", "output": "on" },
    { "step": "repeat", "times": 3, "do": [
      { "step": "sweep",
        "over": [ { "axis": "offset", "list": ["5 kHz", "-5 kHz"] },
                  { "axis": "level", "list": ["-40 dBm"] },
                  { "axis": "rf", "list": ["10.11 MHz", "10.14 MHz"] } ],
        "do": [ { "step": "pair" } ] } ] },
    { "step": "drive", "rf_output": "off", "lo_output": "off" },
    { "step": "power", "output": "off" }
  ]
})";

struct Corrected {
  std::vector<double> i, q;
};

Corrected apply(const Json& row, const capture::Capture& capture) {
  Corrected out;
  const std::complex<double> w(row["image_re"].get<double>(), row["image_im"].get<double>());
  for (std::size_t n = 0; n < capture.samples(); ++n) {
    const std::complex<double> z(
        signal::volt_at(capture.channels[0], n) - row["i_offset_v"].get<double>(),
        signal::volt_at(capture.channels[1], n) - row["q_offset_v"].get<double>());
    const std::complex<double> mended = z - w * std::conj(z);
    out.i.push_back(mended.real());
    out.q.push_back(mended.imag());
  }
  return out;
}

reading::IqResult measured(const Corrected& corrected, double dt_s) {
  const auto trace = [dt_s](const std::vector<double>& volts) {
    signal::Trace out;
    out.codes = volts.data();
    out.size = volts.size();
    out.dt_s = dt_s;
    return out;
  };
  reading::IqContext context;
  context.rf_hz = 5e3;
  context.lo_hz = 0;
  return reading::measure_iq(trace(corrected.i), trace(corrected.q), context);
}

TEST(CorrectionTable, AppliedToTheKeptCapturesTheImageIsDownToTheNoise) {
  const ScratchFolder folder;
  std::ofstream(folder / "three-times.json") << kScript;
  // H30-003 has 4 deg between its LO lines.
  Process program(kProgram, {"run", folder / "three-times.json", "--board-type", "heron-30", "--bench",
                             kSimulatedBench, "--board", "H30-003", "--out", folder.path(),
                             "--keep-captures", "--json", "--quiet"});
  ASSERT_EQ(program.wait(seconds(60)), 1) << program.err();
  const Json run = Json::parse(program.out())[0];
  const Json table = Json::parse(read_text(run["correction"].get<std::string>()));
  EXPECT_EQ(table["correction"], "H30-003");
  ASSERT_EQ(table["rows"].size(), 4U);
  const std::string csv = read_text(run["correction_csv"].get<std::string>());
  EXPECT_EQ(std::count(csv.begin(), csv.end(), '\n'), 5);

  const Json results = Json::parse(read_text(run["results"].get<std::string>()));
  int applied = 0;
  for (const Json& point : results["points"]) {
    if (!point["at"].contains("offset_hz") || point["label"] != "pair") continue;
    const auto row = std::find_if(table["rows"].begin(), table["rows"].end(), [&](const Json& each) {
      return each["rf_hz"] == point["at"]["rf_hz"] &&
             std::abs(each["offset_hz"].get<double>() - point["at"]["offset_hz"].get<double>()) < 1;
    });
    ASSERT_NE(row, table["rows"].end());
    EXPECT_EQ((*row)["captures"], 3);
    EXPECT_LT((*row)["rejection_before_db"], 35);
    char name[40];
    std::snprintf(name, sizeof name, "point-%06d.sigmf-meta", point["ordinal"].get<int>());
    std::filesystem::path meta;
    for (const auto& entry : std::filesystem::recursive_directory_iterator(folder.path())) {
      if (entry.path().filename() == name) meta = entry.path();
    }
    const auto capture = capture::read_capture(meta);
    ASSERT_TRUE(capture) << describe(capture.error());
    const reading::IqResult after = measured(apply(*row, *capture), 1 / capture->rate_hz);
    ASSERT_TRUE(after.kappa);
    // One capture's noise and that of the mean of three: 4 of their standard uncertainties.
    const double u = std::sqrt(4.0 / 3 * (after.kappa_u_a.uu_real + after.kappa_u_a.uu_imag));
    EXPECT_LT(std::abs(*after.kappa), 4 * u) << name;
    EXPECT_GT(after.image_rejection_db->value, (*row)["rejection_before_db"].get<double>() + 15);
    ++applied;
  }
  EXPECT_EQ(applied, 12);
}

}  // namespace
}  // namespace nightbench::testing
