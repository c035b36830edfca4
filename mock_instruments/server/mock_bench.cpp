// mock_bench FILE: the simulated bench of FILE on loopback sockets, until interrupted. Prints one
// "name<TAB>resource" line an instrument. Exit code 0, or 2 with the reason on stderr.
#include <cstdio>

#include "mock_instruments/server/simulated_bench.hpp"

int main(int count, char** arguments) {
  if (count != 2) {
    std::fprintf(stderr, "usage: mock_bench SIMULATED_BENCH.json\n");
    return 2;
  }
  const auto served = nightbench::mock::server::serve(arguments[1], [](const std::string& line) {
    std::printf("%s\n", line.c_str());
    std::fflush(stdout);
  });
  if (served) return *served;
  std::fprintf(stderr, "mock_bench: %s\n", nightbench::describe(served.error()).c_str());
  return 2;
}
