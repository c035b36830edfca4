#include "daemon/store/sqlite_journal.hpp"

#include <sqlite3.h>

#include <utility>

#include "daemon/store/database.hpp"
#include "sequences/record/json_form.hpp"
#include "sequences/record/text.hpp"

namespace nightbench::store {

struct SqliteJournal::Database : Connection {
  using Connection::Connection;
};

namespace {

using record::valid_utf8;

std::int64_t ns(WallTime time) {
  return time.time_since_epoch().count();
}
WallTime wall(std::int64_t since_epoch_ns) {
  return WallTime(Duration(since_epoch_ns));
}

std::unexpected<Error> unknown(const std::string& run_id) {
  return fail(ErrorKind::bad_input, "there is no run \"" + run_id + "\"");
}

Result<std::int64_t> key_of(Connection& database, const std::string& run_id) {
  TRY_ASSIGN(Statement query, database.prepare("SELECT id FROM run WHERE run_id = ?1"));
  const std::string id = valid_utf8(run_id);
  TRY_ASSIGN(const bool found, query.bind(1, id).step());
  if (!found) return unknown(run_id);
  return query.number(0);
}

// A body that does not decode is damage, whatever was wrong with it.
template <typename Value>
Result<Value> decoded(const Connection& database, std::string_view body, const std::string& what,
                      Result<Value> (*read)(const json::Node&)) {
  auto node = json::parse(body, what);
  auto value = node ? read(*node) : Result<Value>(std::unexpected(node.error()));
  if (value) return value;
  return database.refused("the database is damaged: " + describe(value.error()), SQLITE_CORRUPT);
}

std::string point_name(const std::string& run_id, std::int64_t ordinal) {
  return "point " + std::to_string(ordinal) + " of run " + run_id;
}

struct Tally {
  std::int64_t passed = 0, conditional = 0, failed = 0, missing = 0;
};

Tally tally(const record::Point& point) {
  Tally out;
  for (const record::Reading& reading : point.readings) {
    switch (reading.decision) {
      case record::Decision::none:
        break;
      case record::Decision::pass:
        ++out.passed;
        break;
      case record::Decision::conditional_pass:
        ++out.conditional;
        break;
      case record::Decision::conditional_fail:
      case record::Decision::fail:
        ++out.failed;
        break;
      case record::Decision::no_reading:
        if (reading.limit.lower || reading.limit.upper) ++out.missing;
        break;
    }
  }
  return out;
}

// The rule of record::verdict(), on counts; a test holds the two together.
record::Verdict verdict(record::Outcome outcome, const Tally& counts) {
  if (counts.failed > 0) return record::Verdict::fail;
  const bool judged = counts.passed + counts.conditional > 0;
  if (outcome != record::Outcome::complete || counts.missing > 0 || !judged) {
    return record::Verdict::none;
  }
  return counts.conditional > 0 ? record::Verdict::conditional : record::Verdict::pass;
}

}  // namespace

SqliteJournal::SqliteJournal(std::unique_ptr<Database> database) : database_(std::move(database)) {}
SqliteJournal::~SqliteJournal() = default;

const std::filesystem::path& SqliteJournal::file() const {
  return database_->file();
}

Result<std::unique_ptr<SqliteJournal>> SqliteJournal::open(const std::filesystem::path& file,
                                                           const Options& options) {
  auto database = std::make_unique<Database>(file);
  if (!options.read_only && file.has_parent_path()) {
    std::error_code code;
    std::filesystem::create_directories(file.parent_path(), code);
    if (code) {
      return database->refused("the folder cannot be made: " + code.message(), code.value());
    }
  }
  TRY(database->open(options));
  return std::unique_ptr<SqliteJournal>(new SqliteJournal(std::move(database)));
}

Result<void> SqliteJournal::begin(const record::Header& header) {
  const std::string body = record::json_text(header);
  const std::string run_id = valid_utf8(header.run_id);
  const std::string board = valid_utf8(header.board);
  const std::string board_type = valid_utf8(header.board_type);
  const std::string script = valid_utf8(header.script);
  const std::string bench = valid_utf8(header.bench);
  const std::string person = valid_utf8(header.person);
  TRY_ASSIGN(Statement insert, database_->prepare(R"sql(
      INSERT INTO run (run_id, board, board_type, script, bench, person, started_ns,
                       planned_points, outcome, outcome_text, header)
      VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, '', ?10))sql"));
  insert.bind(1, run_id).bind(2, board).bind(3, board_type).bind(4, script).bind(5, bench);
  insert.bind(6, person).bind(7, ns(header.started));
  insert.bind(8, static_cast<std::int64_t>(header.planned_points));
  insert.bind(9, record::word(record::Outcome::unfinished)).bind(10, body);
  auto kept = insert.run();
  if (!kept && kept.error().number == SQLITE_CONSTRAINT_UNIQUE) {
    return fail(ErrorKind::internal, "run \"" + header.run_id + "\" was begun before");
  }
  return kept;
}

Result<void> SqliteJournal::reopen(const std::string& run_id) {
  const std::string id = valid_utf8(run_id);
  TRY_ASSIGN(Statement update, database_->prepare(R"sql(
      UPDATE run SET outcome = ?2, outcome_text = '', finished_ns = NULL WHERE run_id = ?1
      RETURNING id)sql"));
  update.bind(1, id).bind(2, record::word(record::Outcome::unfinished));
  TRY_ASSIGN(const bool kept, update.step());
  if (!kept) return unknown(run_id);
  return update.run();
}

Result<void> SqliteJournal::append(const std::string& run_id, const record::Point& point) {
  const std::string body = record::json_text(point);
  const std::string id = valid_utf8(run_id);
  const std::string label = valid_utf8(point.label);
  const Tally counts = tally(point);
  // A statement of its own is a transaction; the run is found inside it, so that nothing can come
  // between. Without such a run it inserts nothing.
  TRY_ASSIGN(Statement insert, database_->prepare(R"sql(
      INSERT INTO point (run, ordinal, label, passed, conditional, failed, missing, body)
      SELECT id, ?2, ?3, ?4, ?5, ?6, ?7, ?8 FROM run WHERE run_id = ?1
      RETURNING id)sql"));
  insert.bind(1, id).bind(2, static_cast<std::int64_t>(point.ordinal)).bind(3, label);
  insert.bind(4, counts.passed).bind(5, counts.conditional).bind(6, counts.failed);
  insert.bind(7, counts.missing).bind(8, body);
  auto kept = insert.step();
  if (!kept) {
    if (kept.error().number == SQLITE_CONSTRAINT_UNIQUE) {
      return fail(ErrorKind::internal,
                  "point " + std::to_string(point.ordinal) + " was kept before");
    }
    return fail(std::move(kept).error());
  }
  if (!*kept) return unknown(run_id);
  return insert.run();  // the commit: nothing is durable before the statement is done
}

Result<void> SqliteJournal::note(const std::string& run_id, const record::Event& event) {
  const std::string body = record::json_text(event);
  const std::string id = valid_utf8(run_id);
  TRY_ASSIGN(Statement insert, database_->prepare(R"sql(
      INSERT INTO event (run, time_ns, body) SELECT id, ?2, ?3 FROM run WHERE run_id = ?1
      RETURNING id)sql"));
  insert.bind(1, id).bind(2, ns(event.time)).bind(3, body);
  TRY_ASSIGN(const bool kept, insert.step());
  if (!kept) return unknown(run_id);
  return insert.run();
}

Result<void> SqliteJournal::finish(const std::string& run_id, record::Outcome outcome,
                                   const std::string& text, WallTime when) {
  const std::string id = valid_utf8(run_id);
  const std::string why = valid_utf8(text);
  TRY_ASSIGN(Statement update, database_->prepare(R"sql(
      UPDATE run SET outcome = ?2, outcome_text = ?3, finished_ns = ?4 WHERE run_id = ?1
      RETURNING id)sql"));
  update.bind(1, id).bind(2, record::word(outcome)).bind(3, why).bind(4, ns(when));
  TRY_ASSIGN(const bool kept, update.step());
  if (!kept) return unknown(run_id);
  return update.run();
}

Result<record::Run> SqliteJournal::load_without_points(const std::string& run_id) {
  record::Run run;
  const std::string id = valid_utf8(run_id);
  TRY_ASSIGN(Statement query, database_->prepare(R"sql(
      SELECT id, header, outcome, outcome_text, finished_ns FROM run WHERE run_id = ?1)sql"));
  TRY_ASSIGN(const bool found, query.bind(1, id).step());
  if (!found) return unknown(run_id);
  TRY_ASSIGN(run.header, decoded(*database_, query.text_view(1), "header of run " + run_id,
                                 record::header_from));
  auto outcome = record::outcome_from(query.text_view(2));
  if (!outcome)
    return database_->refused("the database is damaged: " + outcome.error().message,
                              SQLITE_CORRUPT);
  run.outcome = *outcome;
  run.outcome_text = query.text(3);
  if (!query.is_null(4)) run.finished = wall(query.number(4));
  TRY_ASSIGN(Statement events,
             database_->prepare("SELECT body FROM event WHERE run = ?1 ORDER BY time_ns, id"));
  events.bind(1, query.number(0));
  while (true) {
    TRY_ASSIGN(const bool more, events.step());
    if (!more) return run;
    TRY_ASSIGN(record::Event event, decoded(*database_, events.text_view(0),
                                            "event of run " + run_id, record::event_from));
    run.events.push_back(std::move(event));
  }
}

Result<void> SqliteJournal::for_each_point(const std::string& run_id,
                                           const std::function<bool(const record::Point&)>& take,
                                           std::uint64_t from) {
  TRY_ASSIGN(const std::int64_t key, key_of(*database_, run_id));
  TRY_ASSIGN(Statement query,
             database_->prepare("SELECT ordinal, body FROM point WHERE run = ?1 AND ordinal >= ?2 "
                                "ORDER BY ordinal"));
  query.bind(1, key).bind(2, static_cast<std::int64_t>(from));
  while (true) {
    TRY_ASSIGN(const bool more, query.step());
    if (!more) return {};
    const std::int64_t ordinal = query.number(0);
    TRY_ASSIGN(const record::Point point, decoded(*database_, query.text_view(1),
                                                  point_name(run_id, ordinal), record::point_from));
    if (point.ordinal != static_cast<std::uint64_t>(ordinal)) {
      return database_->refused(
          "the database is damaged: " + point_name(run_id, ordinal) + " says it is another",
          SQLITE_CORRUPT);
    }
    if (!take(point)) return {};
  }
}

Result<record::Run> SqliteJournal::load(const std::string& run_id) {
  // One snapshot for header and points, whatever another process appends meanwhile.
  TRY(database_->execute("BEGIN"));
  auto run = load_without_points(run_id);
  Result<void> all;
  if (run) {
    all = for_each_point(run_id, [&](const record::Point& point) {
      run->points.push_back(point);
      return true;
    });
  }
  TRY(database_->execute("COMMIT"));
  if (!all) return std::unexpected(std::move(all).error());
  return run;
}

Result<std::vector<std::uint64_t>> SqliteJournal::measured(const std::string& run_id) {
  TRY_ASSIGN(const std::int64_t key, key_of(*database_, run_id));
  TRY_ASSIGN(Statement query,
             database_->prepare("SELECT ordinal FROM point WHERE run = ?1 ORDER BY ordinal"));
  query.bind(1, key);
  std::vector<std::uint64_t> out;
  while (true) {
    TRY_ASSIGN(const bool more, query.step());
    if (!more) return out;
    out.push_back(static_cast<std::uint64_t>(query.number(0)));
  }
}

Result<std::vector<RunSummary>> SqliteJournal::runs(const Filter& filter) {
  TRY_ASSIGN(Statement query, database_->prepare(R"sql(
      SELECT r.run_id, r.board, r.board_type, r.script, r.bench, r.person, r.started_ns,
             r.finished_ns, r.outcome, r.outcome_text, r.planned_points,
             count(p.run), total(p.passed), total(p.conditional), total(p.failed), total(p.missing)
      FROM (SELECT * FROM run
            WHERE (?1 = '' OR board = ?1) AND (?2 = '' OR script = ?2)
              AND (?3 = '' OR outcome = ?3)
            ORDER BY started_ns DESC, id DESC LIMIT ?4) AS r
      LEFT JOIN point AS p ON p.run = r.id
      GROUP BY r.id ORDER BY r.started_ns DESC, r.id DESC)sql"));
  const std::string board = valid_utf8(filter.board);
  const std::string script = valid_utf8(filter.script);
  query.bind(1, board).bind(2, script);
  query.bind(3, filter.outcome ? record::word(*filter.outcome) : "");
  query.bind(4, filter.most == 0 ? -1 : static_cast<std::int64_t>(filter.most));
  std::vector<RunSummary> out;
  while (true) {
    TRY_ASSIGN(const bool more, query.step());
    if (!more) return out;
    RunSummary run;
    run.run_id = query.text(0);
    run.board = query.text(1);
    run.board_type = query.text(2);
    run.script = query.text(3);
    run.bench = query.text(4);
    run.person = query.text(5);
    run.started = wall(query.number(6));
    if (!query.is_null(7)) run.finished = wall(query.number(7));
    auto outcome = record::outcome_from(query.text_view(8));
    if (!outcome)
      return database_->refused("the database is damaged: " + outcome.error().message,
                                SQLITE_CORRUPT);
    run.outcome = *outcome;
    run.outcome_text = query.text(9);
    run.planned_points = static_cast<std::uint64_t>(query.number(10));
    run.points = static_cast<std::uint64_t>(query.number(11));
    run.verdict = verdict(run.outcome, Tally{.passed = query.number(12),
                                             .conditional = query.number(13),
                                             .failed = query.number(14),
                                             .missing = query.number(15)});
    out.push_back(std::move(run));
  }
}

Result<std::optional<RunSummary>> SqliteJournal::latest(const std::string& board) {
  Filter filter;
  filter.board = board;
  filter.most = 1;
  if (board.empty()) return std::nullopt;
  TRY_ASSIGN(auto found, runs(filter));
  if (found.empty()) return std::nullopt;
  return std::move(found.front());
}

Result<std::vector<std::string>> SqliteJournal::check() {
  std::vector<std::string> findings;
  // Damage is what was asked about; a lock or a failing disk means that there is no answer.
  const auto is_damage = [&](const Error& error) {
    const int code = error.number & 0xFF;
    if (code != SQLITE_CORRUPT && code != SQLITE_NOTADB && code != SQLITE_ERROR) return false;
    findings.push_back(describe(error));
    return true;
  };
  auto pages = check_pages(findings);
  if (!pages) {
    if (is_damage(pages.error())) return findings;
    return std::unexpected(std::move(pages).error());
  }
  auto all = runs();
  if (!all) {
    if (is_damage(all.error())) return findings;
    return std::unexpected(std::move(all).error());
  }
  for (const RunSummary& run : *all) {
    const auto head = load_without_points(run.run_id);
    if (!head && !is_damage(head.error())) return std::unexpected(head.error());
    const auto points = for_each_point(run.run_id, [](const record::Point&) { return true; });
    if (!points && !is_damage(points.error())) return std::unexpected(points.error());
  }
  return findings;
}

Result<void> SqliteJournal::check_pages(std::vector<std::string>& findings) {
  TRY_ASSIGN(Statement query, database_->prepare("PRAGMA quick_check"));
  while (true) {
    TRY_ASSIGN(const bool more, query.step());
    if (!more) return {};
    if (query.text_view(0) != "ok") findings.push_back(query.text(0));
  }
}

}  // namespace nightbench::store
