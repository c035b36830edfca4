// The bring-up in a real terminal: the program in a pseudo-terminal, simulated instruments on
// loopback sockets, every prompt answered at the keyboard.
#include <gtest/gtest.h>

#include <filesystem>
#include <nlohmann/json.hpp>
#include <set>

#include "program.hpp"
#include "tests/support/terminal.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
using std::chrono::seconds;

const std::string kBringUpBench = kSource + "/docs/examples/bench-bring-up.json";
constexpr int kQuestions = 4;
constexpr int kMoves = 31;

std::vector<std::string> arguments(const ScratchFolder& folder, const std::string& board,
                                   std::vector<std::string> more) {
  std::vector<std::string> out{"run",     "bring-up", "--bench", kBringUpBench,
                               "--board", board,      "--out",   folder.path()};
  out.insert(out.end(), more.begin(), more.end());
  return out;
}

Json results(const ScratchFolder& folder) {
  for (const auto& entry : std::filesystem::directory_iterator(folder.path())) {
    const std::string name = entry.path().string();
    if (name.ends_with(".results.json")) return Json::parse(read_text(name));
  }
  return {};
}

// Waits for the next prompt after `from` on the screen: its text, "" when the program ended.
std::string next_prompt(Terminal& terminal, std::size_t from) {
  const auto seen = [from](const std::string& screen) {
    return screen.find("follow) > ", from) != std::string::npos;
  };
  if (!terminal.read_until(seen, seconds(20))) return "";
  const std::size_t end = terminal.screen().find("follow) > ", from);
  return terminal.screen().substr(from, end - from);
}

struct Answered {
  int questions = 0, moves = 0;
};

// Answers every prompt with what `answer` says; returns at the program's end.
Answered answer_all(Terminal& terminal,
                    const std::function<std::string(const std::string&)>& answer) {
  Answered out;
  std::size_t at = 0;
  for (;;) {
    const std::string prompt = next_prompt(terminal, at);
    if (prompt.empty()) return out;
    at = terminal.screen().find("follow) > ", at) + 10;
    const bool move = prompt.find("(done, ") != std::string::npos;
    ++(move ? out.moves : out.questions);
    terminal.type(answer(prompt) + "\n");
  }
}

std::string usual(const std::string& prompt) {
  return prompt.find("(done, ") != std::string::npos ? "" : "yes";
}

TEST(BringUpInATerminal, AHealthyBoardPassesWithEveryPromptAnswered) {
  const ScratchFolder folder;
  Terminal terminal(kProgram, arguments(folder, "H30-001", {"--hand", "person"}));
  const Answered answered = answer_all(terminal, [](const std::string& prompt) -> std::string {
    if (prompt.find("Orientation of U2") != std::string::npos) return "yes, the dot is hard to see";
    return usual(prompt);
  });
  EXPECT_EQ(terminal.wait(seconds(20)), 0) << terminal.screen();
  EXPECT_EQ(answered.questions, kQuestions);
  EXPECT_EQ(answered.moves, kMoves);
  const std::string& screen = terminal.screen();
  EXPECT_NE(screen.find("+---()---+"), std::string::npos) << "a notch at pin 1 of U1";
  EXPECT_NE(screen.find("-| o      |-"), std::string::npos) << "a dot at pin 1 of U2";
  EXPECT_NE(screen.find("  I  U3"), std::string::npos) << "a bar at pin 1 of U3";
  EXPECT_NE(screen.find("Put probe scope/1 on U1 pin 14 (LO, select 0)"), std::string::npos);
  EXPECT_NE(screen.find("[board under power]"), std::string::npos);
  const Json run = results(folder);
  ASSERT_TRUE(run.is_object());
  EXPECT_EQ(run["outcome"], "complete");
  bool kept = false;
  for (const Json& point : run["points"]) {
    for (const Json& note : point.value("notes", Json::array())) {
      kept = kept || note == "remark: the dot is hard to see";
    }
  }
  EXPECT_TRUE(kept) << "the remark is in the record";
}

// "clumsy" leaves tips in the air, takes neighbouring pins and exchanges probes: each measurement
// that saw a slip is asked for again, and no other.
TEST(BringUpInATerminal, EachSlipOfAClumsyHandIsCaughtAndAskedAgain) {
  for (const char* seed : {"3", "5"}) {
    const ScratchFolder folder;
    Terminal terminal(kProgram,
                      arguments(folder, "H30-001", {"--hand", std::string("clumsy:") + seed}));
    EXPECT_EQ(terminal.wait(seconds(60)), 0) << terminal.screen();
    const std::string& screen = terminal.screen();
    const std::size_t told = screen.find(std::string("clumsy hand (seed ") + seed + "): ");
    ASSERT_NE(told, std::string::npos) << screen;
    int moves = 0;
    int slips = 0;
    ASSERT_EQ(std::sscanf(screen.c_str() + screen.find("): ", told), "): %d moves, %d slips",
                          &moves, &slips),
              2);
    EXPECT_GT(slips, 4);
    EXPECT_GE(moves, kMoves + slips);
    const Json run = results(folder);
    int asked_again = 0;
    for (const Json& point : run["points"]) {
      for (const Json& note : point.value("notes", Json::array())) {
        asked_again += note.get<std::string>().starts_with("asked again: ") ? 1 : 0;
      }
      for (const Json& reading : point["readings"]) {
        const std::string decision = reading["decision"];
        EXPECT_TRUE(decision == "pass" || decision == "not judged") << reading.dump();
      }
    }
    EXPECT_EQ(asked_again, slips) << "seed " << seed;
    EXPECT_NE(screen.find("  again: "), std::string::npos);
  }
}

TEST(BringUpInATerminal, WordsThatAreNoAnswerAreAskedForAndStopSwitchesOff) {
  const ScratchFolder folder;
  Terminal terminal(kProgram, arguments(folder, "H30-001", {"--hand", "person"}));
  bool asked = false;
  int moves_under_power = 0;
  bool typed_nonsense = false;
  answer_all(terminal, [&](const std::string& prompt) -> std::string {
    if (!typed_nonsense) {
      typed_nonsense = true;
      terminal.type("perhaps\n");
      asked = terminal.read_until(
          [](const std::string& screen) {
            return screen.find("Please answer one of: yes no skip stop") != std::string::npos;
          },
          seconds(20));
    }
    if (prompt.find("[board under power]") == std::string::npos) return usual(prompt);
    return ++moves_under_power == 2 ? "stop, smells hot" : "";
  });
  EXPECT_EQ(terminal.wait(seconds(20)), 130) << terminal.screen();
  EXPECT_TRUE(asked);
  EXPECT_EQ(results(folder)["outcome"], "interrupted");
  EXPECT_NE(terminal.screen().find("stopped at"), std::string::npos);
}

TEST(BringUpInATerminal, RedoAsksForBothProbesAndSkipLeavesNoReading) {
  const ScratchFolder folder;
  Terminal terminal(kProgram, arguments(folder, "H30-001", {"--hand", "person"}));
  bool redone = false;
  const Answered answered = answer_all(terminal, [&](const std::string& prompt) -> std::string {
    if (prompt.find("Op-amp inputs") != std::string::npos) return "skip";
    const bool second = prompt.find("LO at the select pins: probe scope/2") != std::string::npos;
    if (second && !redone) {
      redone = true;
      return "redo";
    }
    return usual(prompt);
  });
  EXPECT_EQ(terminal.wait(seconds(20)), 1) << "a limit that was not judged is not met";
  // The redo asks for one move again and answers itself; the skipped pair's second is not asked.
  EXPECT_EQ(answered.moves, kMoves + 2 - 1);
  for (const Json& point : results(folder)["points"]) {
    for (const Json& reading : point["readings"]) {
      const std::string quantity = reading["quantity"];
      if (!quantity.starts_with("inputs.")) continue;
      EXPECT_EQ(reading["reason"], "skipped");
      EXPECT_TRUE(reading["value"].is_null());
    }
  }
}

TEST(BringUpInATerminal, ColourIsForTerminalsThatWantIt) {
  const std::string bold = "\x1b[1m";
  const auto first_prompt = [&](const std::vector<std::string>& environment) {
    const ScratchFolder folder;
    Terminal terminal(kProgram, arguments(folder, "H30-001", {"--hand", "person"}), environment);
    const std::string prompt = next_prompt(terminal, 0);
    terminal.type("stop\n");
    EXPECT_EQ(terminal.wait(seconds(20)), 130);
    return prompt;
  };
  EXPECT_NE(first_prompt({}).find(bold + "== Orientation of U1"), std::string::npos);
  for (const char* setting : {"NO_COLOR=1", "TERM=dumb"}) {
    const std::string prompt = first_prompt({setting});
    EXPECT_EQ(prompt.find('\x1b'), std::string::npos) << setting;
    EXPECT_NE(prompt.find("== Orientation of U1"), std::string::npos) << prompt;
  }
  const ScratchFolder folder;
  Process piped(kProgram, arguments(folder, "H30-001", {}));
  ASSERT_EQ(piped.wait(seconds(30)), 0) << piped.err();
  EXPECT_EQ(piped.err().find('\x1b'), std::string::npos) << piped.err();
}

TEST(BringUpInATerminal, AnUnknownHandIsRefused) {
  const ScratchFolder folder;
  Process program(kProgram, arguments(folder, "H30-001", {"--hand", "steddy"}));
  EXPECT_EQ(program.wait(seconds(20)), 2);
  EXPECT_NE(program.err().find("did you mean \"steady\"?"), std::string::npos) << program.err();
}

}  // namespace
}  // namespace nightbench::testing
