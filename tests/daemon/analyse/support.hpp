// Captures made for these tests.
#pragma once

#include <gtest/gtest.h>
#include <unistd.h>

#include <cmath>
#include <filesystem>
#include <numbers>
#include <random>
#include <string>
#include <vector>

#include "daemon/analyse/analyse.hpp"
#include "sequences/capture/sigmf.hpp"
#include "tests/support/places.hpp"

namespace nightbench::analyse::test {

class Folder {
 public:
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "nightbench-XXXXXX").string();
    if (mkdtemp(name.data()) == nullptr) ADD_FAILURE() << "no temporary folder";
    path_ = name;
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  std::filesystem::path operator/(const std::string& name) const { return path_ / name; }

 private:
  std::filesystem::path path_;
};

inline std::filesystem::path simulated(const std::string& id) {
  return std::filesystem::path(NIGHTBENCH_SOURCE_DIR) / "tests/data/circuit_simulation" /
         (id + ".sigmf-meta");
}

struct Tone {
  double frequency_hz = 5000;
  double rate_hz = 1e6;
  double amplitude_v = 1;
  double ratio = 1;  // Q over I
  double q_minus_i_deg = 90;
  double offset_v = 2.5;
  double noise_v = 1e-3;
  double most_v = 1e9;  // clipped there
  std::size_t samples = 10000;
};

// Writes a two-channel recording of a tone with noise (seed 7) and returns its meta file.
inline std::filesystem::path write_tone(const std::filesystem::path& stem, const Tone& tone) {
  std::mt19937 random(7);
  std::normal_distribution<double> noise(0, tone.noise_v);
  std::vector<double> i(tone.samples), q(tone.samples);
  for (std::size_t n = 0; n < tone.samples; ++n) {
    const double x =
        2 * std::numbers::pi * tone.frequency_hz * static_cast<double>(n) / tone.rate_hz;
    const double delta = tone.q_minus_i_deg * std::numbers::pi / 180;
    i[n] = std::min(tone.offset_v + tone.amplitude_v * std::cos(x) + noise(random), tone.most_v);
    q[n] = tone.offset_v + tone.amplitude_v * tone.ratio * std::cos(x + delta) + noise(random);
  }
  capture::SigmfContent content;
  content.channels = {signal::trace_of(std::span<const double>(i), 1 / tone.rate_hz),
                      signal::trace_of(std::span<const double>(q), 1 / tone.rate_hz)};
  const auto written = capture::write_sigmf(stem, content);
  EXPECT_TRUE(written.has_value()) << (written ? "" : describe(written.error()));
  return stem.string() + ".sigmf-meta";
}

inline AnalyseOutcome analysed(const AnalyseOptions& options) {
  auto got = analyse(options);
  EXPECT_TRUE(got.has_value()) << (got ? "" : describe(got.error()));
  return got ? *std::move(got) : AnalyseOutcome{};
}

inline double value(const AnalyseOutcome& outcome, const std::string& name) {
  const Quantity* found = outcome.find(name);
  if (found == nullptr || !found->outcome) return std::nan("");
  return found->outcome->value;
}

inline std::string reason(const AnalyseOutcome& outcome, const std::string& name) {
  const Quantity* found = outcome.find(name);
  if (found == nullptr) return "no such quantity";
  return found->outcome ? "has a value" : reading::name(found->outcome.error().reason);
}

}  // namespace nightbench::analyse::test
