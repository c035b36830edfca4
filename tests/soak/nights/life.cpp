#include "tests/soak/nights/life.hpp"

#include <boost/asio/co_spawn.hpp>
#include <stdexcept>

#include "sequences/script/board_type.hpp"
#include "tests/support/places.hpp"
#include "tests/support/process.hpp"

namespace nightbench::testing {
namespace asio = boost::asio;

namespace {

const std::string kLibrary = NIGHTBENCH_SOURCE_DIR "/sequences/library/";

template <typename T>
T must(Result<T> result) {
  if (!result) throw std::runtime_error(describe(result.error()));
  return *std::move(result);
}

Result<script::Plan> make_plan(const store::Entry& entry, const bench::BenchFile& file) {
  TRY_ASSIGN(script::Script script,
             script::read_script(kLibrary + "scripts/response.json", entry.parameters));
  TRY_ASSIGN(script::BoardType type,
             script::read_board_type(kLibrary + "board_types/heron-30.json"));
  script::Plan plan(std::move(script), std::move(type));
  TRY(engine::check_wiring(plan, file));
  return plan;
}

}  // namespace

std::filesystem::path database_of(const std::filesystem::path& folder) {
  return folder / "nightbench.db";
}

guardian::Outputs Life::outputs(const LifeParts& parts) {
  guardian::Outputs out;
  out.file = parts.file;
  out.dialects = NIGHTBENCH_SOURCE_DIR "/drivers/dialects";
  return out;
}

Life::Life(const LifeParts& parts)
    : loop_(parts.time),
      guardian_(parts.sabotage == Sabotage::no_guardian
                    ? nullptr
                    : std::make_unique<GuardianHand>(parts.time, parts.simulation, outputs(parts))),
      journal_(must(store::SqliteJournal::open(database_of(parts.folder)))),
      queue_(must(store::SqliteQueue::open(database_of(parts.folder)))),
      late_(parts.sabotage == Sabotage::late_journal ? late_journal(*journal_) : nullptr),
      events_(loop_.context()),
      live_(events_),
      person_(loop_, events_),
      desk_(*queue_, loop_, events_),
      room_(loop_.context(), journal_->file(), service::ReadRoom::Where::here),
      house_(loop_, parts.simulation, parts.file, guardian_.get()),
      worker_({loop_, house_, make_plan, late_ ? *late_ : *journal_, desk_, events_, live_, person_,
               room_, parts.folder, "soak",
               parts.sabotage == Sabotage::no_settings ? careless_state()
                                                       : engine::StateKeeping()}) {
  desk_.on_change([this] { worker_.wake(); });
}

Life::~Life() {
  // What is suspended refers to the members below.
  loop_.drop();
}

void Life::begin() {
  must(desk_.recover());
  asio::co_spawn(loop_.context(), worker_.work(), [this](const std::exception_ptr& thrown) {
    if (thrown) std::rethrow_exception(thrown);
    ended_ = true;
  });
}

bool Life::is_idle() {
  if (worker_.phase() != service::Phase::idle || !worker_.trouble().empty()) return false;
  const auto due = desk_.due();
  return due && due->open == 0;
}

}  // namespace nightbench::testing
