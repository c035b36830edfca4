#include "tests/fault_study/study.hpp"

#include <algorithm>
#include <fstream>
#include <map>
#include <memory>
#include <optional>
#include <sstream>
#include <stdexcept>

#include "daemon/cli/virtual_hand.hpp"
#include "sequences/diagnosis/diagnose.hpp"
#include "sequences/diagnosis/search.hpp"
#include "tests/support/places.hpp"
#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::testing {
namespace {

const std::string kSource = NIGHTBENCH_SOURCE_DIR;

std::string text_of(const std::string& file) {
  std::ifstream stream(kSource + "/" + file, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  return std::move(text).str();
}

template <typename T>
T must(Result<T> result) {
  if (!result) throw std::runtime_error(describe(result.error()));
  return *std::move(result);
}

struct StudyBoard {
  std::string serial;
  std::vector<std::string> faults;  // as JSON
  std::vector<std::set<std::string>> named;  // by fault
  std::set<std::string> seen_by_eye;
};

std::string boards_json(const std::vector<StudyBoard>& boards) {
  std::string out;
  for (const StudyBoard& each : boards) {
    out += "\"" + each.serial + "\": {\"design\": \"30m\", \"faults\": [";
    for (std::size_t n = 0; n < each.faults.size(); ++n) out += (n > 0 ? ", " : "") + each.faults[n];
    out += "]},";
  }
  return out;
}

class LastRun final : public engine::Observer {
 public:
  std::string run_id;
  void began(const record::Header& header) override { run_id = header.run_id; }
  void point(const record::Point&, const engine::Progress&) override {}
  void event(const record::Event&) override {}
  void ended(record::Outcome, const std::string&) override {}
};

// One bench with all boards of a case lying beside it.
class StudyBench {
 public:
  explicit StudyBench(const std::vector<StudyBoard>& boards)
      : bench_(VirtualBench::demo([&](std::string& simulation, std::string& bench) {
          const std::string start = "\"boards\": {";
          simulation.insert(simulation.find(start) + start.size(), boards_json(boards));
          bench = text_of("docs/examples/bench-bring-up.json");
        })) {}

  record::Run measure(const std::string& script, const StudyBoard& board, int* moves = nullptr) {
    cli::VirtualHand hand(bench_->simulation(), std::nullopt);
    for (const std::string& each : board.seen_by_eye) hand.answers[each] = engine::Answer::no;
    const script::Plan plan = make_plan(library_text("scripts/" + script + ".json"),
                                        library_text("board_types/heron-30.json"));
    record::MemoryJournal journal;
    LastRun last;
    engine::Settings settings;
    settings.person = &hand;
    must(bench_->run_plan(plan, journal, board.serial, &last, settings));
    if (moves != nullptr) *moves = static_cast<int>(hand.moves().size());
    return must(journal.load(last.run_id));
  }

 private:
  std::unique_ptr<VirtualBench> bench_;
};

const diagnosis::FaultBook& book() {
  static const diagnosis::FaultBook kBook = must(
      diagnosis::read_fault_book(kSource + "/sequences/library/fault_books/iq-receiver.json"));
  return kBook;
}

const script::BoardType& type() {
  static const script::BoardType kType =
      must(script::read_board_type(kSource + "/sequences/library/board_types/heron-30.json"));
  return kType;
}

// The readings of some checks only, as if the run had measured no more.
std::vector<diagnosis::Observation> of_checks(const std::vector<diagnosis::Observation>& all,
                                              const std::set<std::string>& checks) {
  std::vector<diagnosis::Observation> out;
  for (const diagnosis::Observation& each : all) {
    if (checks.contains(each.check)) out.push_back(each);
  }
  return out;
}

// What has to be done before power in any case; then what tells most.
int search(const std::vector<diagnosis::Observation>& all, std::set<std::string>* made) {
  using diagnosis::CheckKind;
  diagnosis::ProbePlaces places;
  std::vector<diagnosis::Check> open;
  int moves = 0;
  const auto make = [&](const diagnosis::Check& check) {
    moves += diagnosis::moves_for(check, places);
    diagnosis::place_for(check, &places);
    made->insert(check.id);
  };
  std::map<std::string, diagnosis::Check> by_id;
  for (diagnosis::Check& each : diagnosis::checks_of(type(), book())) {
    const bool measured = std::ranges::any_of(
        all, [&](const diagnosis::Observation& seen) { return seen.check == each.id; });
    if (!measured) continue;
    if (each.kind == CheckKind::question || each.kind == CheckKind::power) made->insert(each.id);
    else by_id.emplace(each.id, each);
  }
  for (const char* first : {"op_amp_feed", "op_amp_short", "switch_short"}) {
    const auto found = by_id.find(first);
    if (found == by_id.end()) continue;
    make(found->second);
    by_id.erase(found);
  }
  for (const auto& [id, check] : by_id) open.push_back(check);
  for (;;) {
    const diagnosis::SearchStep step =
        diagnosis::next_step(book(), type(), of_checks(all, *made), open, places, true);
    if (!step.check) return moves;
    make(step.check->check);
    std::erase_if(open, [&](const diagnosis::Check& each) { return each.id == step.check->check.id; });
  }
}

std::string answer_of(const std::vector<diagnosis::Hypothesis>& causes) {
  const diagnosis::Hypothesis& first = causes.front();
  if (first.unknown) return "unknown";
  if (first.parts.empty()) return "healthy";
  std::string out;
  for (const auto& part : first.parts) out += (out.empty() ? "" : "+") + book().faults[part.fault].id;
  return out;
}

// Whether a cause names the faults: all of a board with one, at least one of a board with two.
bool names(const diagnosis::Hypothesis& cause, const StudyBoard& board) {
  if (board.named.empty()) return cause.parts.empty() && !cause.unknown;
  if (board.named.size() == 1 && cause.parts.size() > 1) return false;
  for (const auto& part : cause.parts) {
    for (const auto& each : board.named) {
      if (each.contains(book().faults[part.fault].id)) return true;
    }
  }
  return false;
}

std::string told(const record::Run& run, const std::vector<diagnosis::Judged>& evidence,
                 const std::vector<diagnosis::Hypothesis>& causes) {
  std::string out = std::string(record::word(run.outcome)) + " " + run.outcome_text + "\n";
  for (const diagnosis::Judged& each : evidence) {
    const diagnosis::Observation& seen = *each.observation;
    const double good = diagnosis::log_likelihood(each.healthy, each.healthy, seen.seen, each.reading->scale);
    out += "  " + seen.reading + (seen.if_hz > 0 ? " at " + format(seen.if_hz, Unit::hertz, 3) : "") +
           ": " + (seen.seen.absent ? "silent" : format(seen.seen.value, Unit::one, 4)) + " u " +
           format(seen.seen.u, Unit::one, 2) + " (" + seen.shown + "), good " +
           format(good, Unit::one, 3) + "\n";
  }
  for (std::size_t n = 0; n < 6 && n < causes.size(); ++n) {
    out += "    " + format(causes[n].probability, Unit::one, 3) + " " + answer_of({causes[n]}) + "\n";
  }
  return out;
}

BoardResult judge(const record::Run& run, const StudyBoard& board) {
  BoardResult out;
  const auto all = diagnosis::evidence_of(run, type());
  const auto evidence = diagnosis::judged(all, book(), type());
  const auto causes = diagnosis::posterior(book(), evidence);
  out.told = told(run, evidence, causes);
  out.first = names(causes.front(), board);
  for (std::size_t n = 0; n < 3 && n < causes.size(); ++n) {
    out.among_three = out.among_three || names(causes[n], board);
  }
  out.clear = causes.front().probability >= 0.8;
  out.answer = answer_of(causes);
  for (const std::string& each : board.faults) out.truth += (out.truth.empty() ? "" : " ") + each;
  std::set<std::string> made;
  out.moves = search(all, &made);
  const auto part = of_checks(all, made);
  const auto by_search = diagnosis::posterior(book(), diagnosis::judged(part, book(), type()));
  out.searched = answer_of(by_search) + " after";
  for (const std::string& each : made) out.searched += " " + each;
  out.first_by_search = names(by_search.front(), board);
  return out;
}

CaseResult run_boards(std::string name, std::string note, const std::vector<StudyBoard>& boards) {
  CaseResult out{std::move(name), std::move(note), {}};
  auto bench = std::make_unique<StudyBench>(boards);
  for (const StudyBoard& each : boards) {
    const record::Run run = bench->measure("fault-finding", each);
    out.boards.push_back(judge(run, each));
    // A supply that has tripped stays so until a person resets it.
    if (run.outcome == record::Outcome::unsafe) bench = std::make_unique<StudyBench>(boards);
  }
  return out;
}

std::string serial_of(const std::string& name, std::uint64_t seed, int n) {
  return "S" + std::to_string(seed) + "-" + name + "-" + std::to_string(n);
}

void add(StudyBoard& board, const DrawnFault& drawn) {
  board.faults.push_back(drawn.json);
  board.named.push_back(drawn.named);
  board.seen_by_eye.insert(drawn.seen_by_eye.begin(), drawn.seen_by_eye.end());
}

}  // namespace

double CaseResult::share(bool BoardResult::*what) const {
  const auto count = std::ranges::count_if(boards, [what](const BoardResult& each) { return each.*what; });
  return static_cast<double>(count) / static_cast<double>(std::max<std::size_t>(1, boards.size()));
}

double CaseResult::mean_moves() const {
  double sum = 0;
  for (const BoardResult& each : boards) sum += each.moves;
  return sum / static_cast<double>(std::max<std::size_t>(1, boards.size()));
}

CaseResult study(const FaultCase& one, int boards, std::uint64_t seed) {
  std::vector<StudyBoard> all;
  std::seed_seq mixed{seed, std::uint64_t{one.name.size()}, std::uint64_t(one.name[0]),
                      std::uint64_t(one.name.back())};
  std::mt19937_64 random(mixed);
  for (int n = 0; n < boards; ++n) {
    StudyBoard board;
    board.serial = serial_of(one.name, seed, n);
    add(board, one.draw(random));
    all.push_back(std::move(board));
  }
  return run_boards(one.name, one.note, all);
}

CaseResult study_good(int boards, std::uint64_t seed) {
  std::vector<StudyBoard> all;
  for (int n = 0; n < boards; ++n) {
    StudyBoard board;
    board.serial = serial_of("good", seed, n);
    all.push_back(std::move(board));
  }
  return run_boards("no fault", "", all);
}

CaseResult study_pairs(int boards, std::uint64_t seed) {
  std::vector<StudyBoard> all;
  std::mt19937_64 random(seed);
  const std::vector<FaultCase>& cases = fault_cases();
  for (int n = 0; n < boards; ++n) {
    StudyBoard board;
    board.serial = serial_of("pair", seed, n);
    const std::size_t one = random() % cases.size();
    const std::size_t other = (one + 1 + random() % (cases.size() - 1)) % cases.size();
    add(board, cases[one].draw(random));
    add(board, cases[other].draw(random));
    all.push_back(std::move(board));
  }
  return run_boards("two faults", "of different kinds", all);
}

int moves_of_bring_up() {
  StudyBoard board;
  board.serial = "S0-good";
  StudyBench bench({board});
  int moves = 0;
  bench.measure("bring-up", board, &moves);
  return moves;
}

}  // namespace nightbench::testing
