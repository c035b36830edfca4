// soak_kills [KILLS [SEED]]: kill -9 of a real service at random moments; exit code 1 when anything
// was lost, done twice or left on.
#include <cstdio>
#include <cstdlib>

#include "tests/soak/kills/kills.hpp"

int main(int count, char** words) {
  const int kills = count > 1 ? std::atoi(words[1]) : 100;
  const std::uint64_t seed = count > 2 ? std::strtoull(words[2], nullptr, 10) : 1;
  const nightbench::testing::Kills seen = nightbench::testing::kill_at_random(
      kills, seed, [](const std::string& line) { std::printf("%s\n", line.c_str()); });
  std::printf(
      "seed %llu: %d kills, %d of them in a run; %d runs carried on with, %d begun anew; %d boards "
      "measured to the end, %lld points, none lost, none twice; slowest off after %.0f ms\n",
      static_cast<unsigned long long>(seed), seen.kills, seen.in_a_run, seen.carried_on,
      seen.begun_anew, seen.boards, seen.points, 1e3 * seen.slowest_off_s);
  for (const std::string& each : seen.findings) std::printf("FOUND: %s\n", each.c_str());
  return seen.findings.empty() ? 0 : 1;
}
