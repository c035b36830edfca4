// night [HOURS [SEED [SCRIPT]]]: a night on the simulated bench at `typical` latency, on virtual time;
// prints what it did and what it cost.
#include <cstdio>
#include <cstdlib>

#include "tests/night/night.hpp"

int main(int count, char** words) {
  const double hours = count > 1 ? std::atof(words[1]) : 10;
  const std::uint64_t seed = count > 2 ? std::strtoull(words[2], nullptr, 10) : 20261;
  nightbench::testing::NightScript script;
  if (count > 3) script = {words[3], {}};
  const nightbench::testing::Night night = nightbench::testing::run_night(hours, seed, script);
  std::printf(
      "%.2f h on the bench's clock, seed %llu: %llu runs, %llu points, %llu readings, %llu without "
      "a "
      "value\n%.1f s (processor %.1f s, %.0f us a point)\n%s\n",
      night.virtual_hours, static_cast<unsigned long long>(seed),
      static_cast<unsigned long long>(night.runs), static_cast<unsigned long long>(night.points),
      static_cast<unsigned long long>(night.readings),
      static_cast<unsigned long long>(night.no_readings), night.wall_s, night.processor_s,
      1e6 * night.processor_s / static_cast<double>(night.points), night.fingerprint.c_str());
}
