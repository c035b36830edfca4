#include "daemon/cli/fault_search.hpp"

#include <algorithm>
#include <memory>

#include "sequences/diagnosis/evidence.hpp"
#include "sequences/diagnosis/search.hpp"

namespace nightbench::cli {
namespace {

struct Search {
  diagnosis::FaultBook book;
  script::BoardType type;
  diagnosis::ProbePlaces places;

  engine::Choice choose(const record::Run& so_far, const std::vector<std::string>& open,
                        bool powered) {
    std::vector<diagnosis::Check> known;
    for (diagnosis::Check& each : diagnosis::checks_of(type, book)) {
      if (std::ranges::find(open, each.id) != open.end()) known.push_back(std::move(each));
    }
    const diagnosis::SearchStep step = diagnosis::next_step(
        book, type, diagnosis::evidence_of(so_far, type), known, places, powered);
    if (step.check) {
      diagnosis::place_for(step.check->check, &places);
      return {step.check->check.id, step.why};
    }
    // A good board is measured to the end, with what the book does not know of too.
    if (step.good && !open.empty()) return {open.front(), "the rest of the list"};
    return {std::nullopt, step.why};
  }
};

}  // namespace

engine::Chooser fault_search(diagnosis::FaultBook book, script::BoardType type) {
  const auto search = std::make_shared<Search>(Search{std::move(book), std::move(type), {}});
  return [search](const record::Run& so_far, const std::vector<std::string>& open, bool powered) {
    return search->choose(so_far, open, powered);
  };
}

}  // namespace nightbench::cli
