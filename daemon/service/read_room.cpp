#include "daemon/service/read_room.hpp"

#include "sequences/report/summary.hpp"
#include "sequences/report/write_files.hpp"

namespace nightbench::service {

namespace {

// The pool's threads must not throw: a bug of ours becomes an error that says so.
Result<std::string> guarded(const ReadRoom::Work& work, Shelf& shelf,
                            const std::filesystem::path& database) {
  try {
    if (!shelf.journal) {
      store::Options options;
      options.read_only = true;
      TRY_ASSIGN(shelf.journal, store::SqliteJournal::open(database, options));
    }
    return work(shelf);
  } catch (const std::exception& bug) {
    return fail(ErrorKind::internal, bug.what());
  }
}

}  // namespace

Result<const std::vector<Figure>*> figures_of(Shelf& shelf, const std::string& run_id) {
  const auto known = shelf.figures.find(run_id);
  if (known != shelf.figures.end()) return &known->second;
  TRY_ASSIGN(const record::Run run, shelf.journal->load(run_id));
  const report::Summary summary = report::summarise(run);
  std::vector<Figure> figures;
  for (const report::QuantitySummary& quantity : summary.quantities) {
    if (quantity.worst == nullptr) continue;
    const record::Reading& worst = *quantity.worst;
    Figure figure;
    figure.label = quantity.label;
    figure.quantity = quantity.quantity;
    figure.title = quantity.title;
    figure.unit = quantity.unit;
    figure.value = worst.value;
    figure.lower = worst.limit.lower;
    figure.upper = worst.limit.upper;
    figure.expanded_u = worst.expanded_u;
    figure.decision = record::word(worst.decision);
    figures.push_back(std::move(figure));
  }
  if (run.outcome != record::Outcome::complete) {
    shelf.passing = std::move(figures);
    return &shelf.passing;
  }
  return &shelf.figures.emplace(run_id, std::move(figures)).first->second;
}

ReadRoom::ReadRoom(boost::asio::io_context& io, std::filesystem::path database, Where where)
    : database_(std::move(database)),
      pool_(1),
      analyst_(io, where == Where::beside ? &pool_ : nullptr) {}

ReadRoom::~ReadRoom() {
  pool_.join();
}

Awaitable<Result<std::string>> ReadRoom::read(Work work) {
  ++jobs_;
  std::function<Result<std::string>()> job = [work = std::move(work), shelf = shelf_,
                                              database = database_] {
    return guarded(work, *shelf, database);
  };
  auto pending = analyst_.start(std::move(job));
  Result<std::string> result = co_await pending.get();
  --jobs_;
  co_return result;
}

Awaitable<Result<std::string>> ReadRoom::write_files(std::string run_id,
                                                     std::filesystem::path folder) {
  Work work = [run_id = std::move(run_id),
               folder = std::move(folder)](Shelf& shelf) -> Result<std::string> {
    TRY_ASSIGN(const record::Run run, shelf.journal->load(run_id));
    TRY(report::write_run_files(folder, run));
    return std::string(record::word(record::verdict(run)));
  };
  co_return co_await read(std::move(work));
}

}  // namespace nightbench::service
