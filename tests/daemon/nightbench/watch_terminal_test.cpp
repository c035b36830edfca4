// `nightbench watch` in a pseudo-terminal.
#include <gtest/gtest.h>

#include "program.hpp"
#include "tests/support/terminal.hpp"

namespace nightbench::testing {
namespace {

using std::chrono::seconds;

const std::string kBringUpBench = kSource + "/docs/examples/bench-bring-up.json";

// The bench of the documents with a board whose bias comes and goes.
std::string bench_with_loose_joint(const ScratchFolder& folder) {
  std::string simulation = read_text(kSource + "/mock_instruments/benches/heron-30.json");
  const std::string start = "\"boards\": {";
  simulation.insert(simulation.find(start) + start.size(),
                    R"("H30-LOOSE": {"design": "30m", "faults": [
                         {"fault": "cold-joint", "joint": "mid_rail", "open_fraction": 0.5,
                          "dwell": "600 ms"}]},)");
  write_text(folder / "simulation.json", simulation);
  std::string bench = read_text(kBringUpBench);
  const std::string old = "../../mock_instruments/benches/heron-30.json";
  bench.replace(bench.find(old), old.size(), "simulation.json");
  write_text(folder / "bench.json", bench);
  return folder / "bench.json";
}

TEST(WatchInATerminal, AGoodPairEndsInBigFigures) {
  Terminal terminal(kProgram, {"watch", "lo", "--bench", kBringUpBench, "--board", "H30-001"});
  EXPECT_EQ(terminal.wait(seconds(30)), 0) << terminal.screen();
  const std::string& screen = terminal.screen();
  EXPECT_NE(screen.find("LO at the select pins, phase"), std::string::npos) << screen;
  EXPECT_NE(screen.find("#####  #####"), std::string::npos) << "big figures";
  EXPECT_NE(screen.find("limits -100.0 deg to -80.00 deg: inside"), std::string::npos) << screen;
  EXPECT_NE(screen.find("\x1b[12A"), std::string::npos) << "drawn again in place";
  EXPECT_EQ(screen.find('\a'), std::string::npos) << "nothing changed";
}

TEST(WatchInATerminal, TheBellTicksOnAChange) {
  const ScratchFolder folder;
  const std::string bench = bench_with_loose_joint(folder);
  Terminal terminal(kProgram, {"watch", "cap_0", "--bench", bench, "--board", "H30-LOOSE"});
  const bool ticked = terminal.read_until(
      [](const std::string& screen) { return screen.find('\a') != std::string::npos; },
      seconds(30));
  EXPECT_TRUE(ticked) << terminal.screen();
}

TEST(WatchInATerminal, ControlCSwitchesOffAndEnds) {
  Terminal terminal(kProgram, {"watch", "lo", "--bench", kBringUpBench, "--board", "H30-001",
                               "--quantity", "phase", "--every", "60"});
  ASSERT_TRUE(terminal.read_until(
      [](const std::string& screen) { return screen.find("limits") != std::string::npos; },
      seconds(30)))
      << terminal.screen();
  terminal.type("\x03");
  EXPECT_EQ(terminal.wait(seconds(10)), 130) << terminal.screen();
}

TEST(WatchInATerminal, WithoutATerminalItWritesPlainLines) {
  Process program(kProgram, {"watch", "mid_rail", "--bench", kBringUpBench, "--board", "H30-001"});
  EXPECT_EQ(program.wait(seconds(30)), 0) << program.err();
  EXPECT_NE(program.out().find("Mid-rail bias, centre tap 2.5"), std::string::npos)
      << program.out();
  EXPECT_EQ(program.out().find('\x1b'), std::string::npos);
  EXPECT_EQ(program.out().find('\a'), std::string::npos);
}

}  // namespace
}  // namespace nightbench::testing
