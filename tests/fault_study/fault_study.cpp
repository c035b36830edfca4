// How often faults of the simulated bench are found, as the table of docs/explanation/diagnosis.md:
//
//   build/release/tests/fault_study/fault_study [BOARDS [SEED [CASE [told]]]]
//
// BOARDS a fault (50), SEED (20261126), CASE one fault kind, "good" or "pairs" alone. Wrong answers go to
// standard error; with "told" all readings of those boards too.
#include <cstdio>
#include <cstdlib>
#include <exception>

#include "tests/fault_study/study.hpp"

namespace {

using namespace nightbench::testing;  // NOLINT: this program is made of it

void print(const CaseResult& result, bool told) {
  std::printf("| %s | %s | %zu | %.0f | %.0f | %.0f | %.1f |\n", result.name.c_str(),
              result.note.c_str(), result.boards.size(), 100 * result.share(&BoardResult::first),
              100 * result.share(&BoardResult::among_three),
              100 * result.share(&BoardResult::first_by_search), result.mean_moves());
  std::fflush(stdout);
  for (const BoardResult& each : result.boards) {
    if (each.first && each.first_by_search) continue;
    std::fprintf(stderr, "%s %s: %s%s\n", result.name.c_str(), each.truth.c_str(),
                 each.answer.c_str(), each.first ? (" (by search: " + each.searched + ")").c_str() : "");
    if (told) std::fprintf(stderr, "%s", each.told.c_str());
  }
}

}  // namespace

int main(int argc, char** argv) {
  const int boards = argc > 1 ? std::atoi(argv[1]) : 50;
  const auto seed = static_cast<std::uint64_t>(argc > 2 ? std::atoll(argv[2]) : 20261126);
  const std::string only = argc > 3 ? argv[3] : "";
  const bool told = argc > 4;
  try {
    std::printf("Seed %llu. Bring-up of a good board: %d moves.\n\n",
                static_cast<unsigned long long>(seed), moves_of_bring_up());
    std::printf("| fault | drawn | boards | first %% | among three %% | first by search %% | moves |\n");
    std::printf("| --- | --- | --- | --- | --- | --- | --- |\n");
    for (const FaultCase& each : fault_cases()) {
      if (only.empty() || only == each.name) print(study(each, boards, seed), told);
    }
    if (only.empty() || only == "good") print(study_good(4 * boards, seed), told);
    if (only.empty() || only == "pairs") print(study_pairs(4 * boards, seed), told);
  } catch (const std::exception& wrong) {
    std::fprintf(stderr, "fault_study: %s\n", wrong.what());
    return 2;
  }
  return 0;
}
