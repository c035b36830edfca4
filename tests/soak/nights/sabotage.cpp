#include "tests/soak/nights/sabotage.hpp"

#include <array>
#include <utility>

#include "sequences/engine/drive.hpp"

namespace nightbench::testing {
namespace {

constexpr std::array kAll{Sabotage::none, Sabotage::late_journal, Sabotage::no_settings,
                          Sabotage::no_guardian};

class LateJournal final : public record::Journal {
 public:
  explicit LateJournal(record::Journal& inner) : inner_(inner) {}

  Result<void> begin(const record::Header& header) override { return inner_.begin(header); }
  Result<void> reopen(const std::string& run_id) override { return inner_.reopen(run_id); }
  Result<void> append(const std::string& run_id, const record::Point& point) override {
    TRY(write());
    late_.emplace(run_id, point);
    return {};
  }
  Result<void> note(const std::string& run_id, const record::Event& event) override {
    return inner_.note(run_id, event);
  }
  Result<void> finish(const std::string& run_id, record::Outcome outcome, const std::string& text,
                      WallTime when) override {
    TRY(write());
    return inner_.finish(run_id, outcome, text, when);
  }
  Result<record::Run> load(const std::string& run_id) override { return inner_.load(run_id); }
  Result<std::vector<std::uint64_t>> measured(const std::string& run_id) override {
    return inner_.measured(run_id);
  }

 private:
  Result<void> write() {
    if (!late_) return {};
    const auto late = std::exchange(late_, std::nullopt);
    return inner_.append(late->first, late->second);
  }

  record::Journal& inner_;
  std::optional<std::pair<std::string, record::Point>> late_;
};

}  // namespace

const char* word(Sabotage what) {
  switch (what) {
    case Sabotage::none:
      return "none";
    case Sabotage::late_journal:
      return "late-journal";
    case Sabotage::no_settings:
      return "no-settings";
    case Sabotage::no_guardian:
      return "no-guardian";
  }
  return "";
}

std::optional<Sabotage> sabotage_of(const std::string& text) {
  for (const Sabotage each : kAll) {
    if (text == word(each)) return each;
  }
  return std::nullopt;
}

std::unique_ptr<record::Journal> late_journal(record::Journal& inner) {
  return std::make_unique<LateJournal>(inner);
}

engine::StateKeeping careless_state() {
  engine::StateKeeping out;
  // What is believed is believed on.
  out.establish = [](bench::Bench& bench, const script::BoardType& type, script::Intent intent,
                     bool* restored) -> Awaitable<Result<TimePoint>> {
    *restored = false;
    return engine::drive(bench, type, intent);
  };
  out.verify = [](bench::Bench&, const script::BoardType&, script::Intent,
                  bool) -> Awaitable<Result<void>> { co_return Result<void>(); };
  return out;
}

}  // namespace nightbench::testing
