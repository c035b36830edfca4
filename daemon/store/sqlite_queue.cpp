#include "daemon/store/sqlite_queue.hpp"

#include <sqlite3.h>

#include <array>
#include <nlohmann/json.hpp>
#include <utility>

#include "daemon/store/database.hpp"
#include "sequences/record/text.hpp"

namespace nightbench::store {

struct SqliteQueue::Database : Connection {
  using Connection::Connection;
};

namespace {

constexpr std::array kWords{
    std::pair{EntryState::waiting, "waiting"},
    std::pair{EntryState::held, "held"},
    std::pair{EntryState::running, "running"},
    std::pair{EntryState::done, "done"},
    std::pair{EntryState::interrupted, "interrupted"},
    std::pair{EntryState::failed, "failed"},
    std::pair{EntryState::expired, "expired"},
    std::pair{EntryState::cancelled, "cancelled"},
};

constexpr const char* kColumns =
    "id, place, board, board_type, board_type_text, script, script_text, parameters, person, "
    "in_place, not_before_ns, until_ns, added_ns, changed_ns, state, detail, run_id, verdict";

std::int64_t ns(WallTime time) {
  return time.time_since_epoch().count();
}

std::optional<WallTime> wall(const Statement& row, int column) {
  if (row.is_null(column)) return std::nullopt;
  return WallTime(Duration(row.number(column)));
}

void bind(Statement& statement, int parameter, const std::optional<WallTime>& time) {
  if (time)
    statement.bind(parameter, ns(*time));
  else
    statement.bind_null(parameter);
}

std::string parameters_text(const Entry& entry) {
  nlohmann::json out = nlohmann::json::object();
  for (const auto& [name, value] : entry.parameters) {
    out[record::valid_utf8(name)] = record::valid_utf8(value);
  }
  return out.dump();
}

Result<Entry> entry_of(const Connection& database, const Statement& row) {
  Entry entry;
  entry.id = row.number(0);
  entry.place = row.number(1);
  entry.board = row.text(2);
  entry.board_type = row.text(3);
  entry.board_type_text = row.text(4);
  entry.script = row.text(5);
  entry.script_text = row.text(6);
  const auto parameters = nlohmann::json::parse(row.text_view(7), nullptr, false);
  const auto state = entry_state(row.text_view(14));
  if (!parameters.is_object() || !state) {
    return database.refused("the database is damaged: entry " + std::to_string(entry.id) +
                                " of the queue cannot be read",
                            SQLITE_CORRUPT);
  }
  for (const auto& [name, value] : parameters.items()) {
    entry.parameters[name] = value.is_string() ? value.get<std::string>() : value.dump();
  }
  entry.person = row.text(8);
  entry.in_place = row.number(9) != 0;
  entry.not_before = wall(row, 10);
  entry.until = wall(row, 11);
  entry.added = WallTime(Duration(row.number(12)));
  entry.changed = WallTime(Duration(row.number(13)));
  entry.state = *state;
  entry.detail = row.text(15);
  entry.run_id = row.text(16);
  entry.verdict = row.text(17);
  return entry;
}

std::unexpected<Error> unknown(std::int64_t id) {
  return fail(ErrorKind::bad_input, "the queue has no entry " + std::to_string(id));
}

Result<void> collect(Connection& database, Statement query, std::vector<Entry>* out) {
  while (true) {
    TRY_ASSIGN(const bool more, query.step());
    if (!more) return {};
    TRY_ASSIGN(Entry entry, entry_of(database, query));
    out->push_back(std::move(entry));
  }
}

}  // namespace

const char* word(EntryState state) {
  for (const auto& [each, text] : kWords) {
    if (each == state) return text;
  }
  return "";
}

std::optional<EntryState> entry_state(std::string_view text) {
  for (const auto& [each, known] : kWords) {
    if (text == known) return each;
  }
  return std::nullopt;
}

bool is_over(EntryState state) {
  return state != EntryState::waiting && state != EntryState::held && state != EntryState::running;
}

SqliteQueue::SqliteQueue(std::unique_ptr<Database> database) : database_(std::move(database)) {}
SqliteQueue::~SqliteQueue() = default;

Result<std::unique_ptr<SqliteQueue>> SqliteQueue::open(const std::filesystem::path& file,
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
  return std::unique_ptr<SqliteQueue>(new SqliteQueue(std::move(database)));
}

Result<std::int64_t> SqliteQueue::add(const Entry& entry) {
  const std::array texts{
      record::valid_utf8(entry.board),           record::valid_utf8(entry.board_type),
      record::valid_utf8(entry.board_type_text), record::valid_utf8(entry.script),
      record::valid_utf8(entry.script_text),     parameters_text(entry),
      record::valid_utf8(entry.person),          record::valid_utf8(entry.detail)};
  TRY_ASSIGN(Statement insert, database_->prepare(R"sql(
      INSERT INTO queue (place, board, board_type, board_type_text, script, script_text, parameters,
                         person, in_place, not_before_ns, until_ns, added_ns, changed_ns, state,
                         detail, run_id, verdict)
      VALUES ((SELECT coalesce(max(place), 0) + 1 FROM queue), ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9,
              ?10, ?11, ?11, ?12, ?13, '', ''))sql"));
  for (int n = 0; n < 7; ++n) insert.bind(n + 1, texts[static_cast<std::size_t>(n)]);
  insert.bind(8, static_cast<std::int64_t>(entry.in_place ? 1 : 0));
  bind(insert, 9, entry.not_before);
  bind(insert, 10, entry.until);
  insert.bind(11, ns(entry.added)).bind(12, word(entry.state)).bind(13, texts[7]);
  TRY(insert.run());
  return database_->last_insert_id();
}

Result<std::vector<Entry>> SqliteQueue::list(std::size_t most_over) {
  std::vector<Entry> out;
  const std::string select = std::string("SELECT ") + kColumns + " FROM queue ";
  TRY_ASSIGN(
      Statement open,
      database_->prepare(
          (select + "WHERE state IN ('waiting', 'held', 'running') ORDER BY place, id").c_str()));
  TRY(collect(*database_, std::move(open), &out));
  TRY_ASSIGN(Statement over,
             database_->prepare((select + "WHERE state NOT IN ('waiting', 'held', 'running') "
                                          "ORDER BY changed_ns DESC, id DESC LIMIT ?1")
                                    .c_str()));
  over.bind(1, static_cast<std::int64_t>(most_over));
  TRY(collect(*database_, std::move(over), &out));
  return out;
}

Result<Entry> SqliteQueue::find(std::int64_t id) {
  TRY_ASSIGN(Statement query,
             database_->prepare(
                 (std::string("SELECT ") + kColumns + " FROM queue WHERE id = ?1").c_str()));
  TRY_ASSIGN(const bool found, query.bind(1, id).step());
  if (!found) return unknown(id);
  return entry_of(*database_, query);
}

Result<void> SqliteQueue::update(const Entry& entry) {
  const std::string detail = record::valid_utf8(entry.detail);
  const std::string run = record::valid_utf8(entry.run_id);
  TRY_ASSIGN(Statement update, database_->prepare(R"sql(
      UPDATE queue SET state = ?2, detail = ?3, run_id = ?4, verdict = ?5, in_place = ?6,
                       changed_ns = ?7 WHERE id = ?1 RETURNING id)sql"));
  update.bind(1, entry.id).bind(2, word(entry.state)).bind(3, detail).bind(4, run);
  update.bind(5, entry.verdict).bind(6, static_cast<std::int64_t>(entry.in_place ? 1 : 0));
  update.bind(7, ns(entry.changed));
  TRY_ASSIGN(const bool kept, update.step());
  if (!kept) return unknown(entry.id);
  return update.run();
}

Result<void> SqliteQueue::move(std::int64_t id, std::optional<std::int64_t> before) {
  TRY_ASSIGN(Transaction transaction, Transaction::begin(*database_));
  TRY_ASSIGN(const Entry entry, find(id));
  std::int64_t place = 0;
  if (before) {
    TRY_ASSIGN(const Entry other, find(*before));
    place = other.place;
    TRY_ASSIGN(Statement shift,
               database_->prepare("UPDATE queue SET place = place + 1 WHERE place >= ?1"));
    TRY(shift.bind(1, place).run());
  } else {
    TRY_ASSIGN(place, database_->number("SELECT coalesce(max(place), 0) + 1 FROM queue"));
  }
  {
    TRY_ASSIGN(Statement set, database_->prepare("UPDATE queue SET place = ?2 WHERE id = ?1"));
    TRY(set.bind(1, entry.id).bind(2, place).run());
  }
  return transaction.commit();
}

Result<std::map<EntryState, std::int64_t>> SqliteQueue::count() {
  TRY_ASSIGN(Statement query,
             database_->prepare("SELECT state, count(*) FROM queue GROUP BY state"));
  std::map<EntryState, std::int64_t> out;
  while (true) {
    TRY_ASSIGN(const bool more, query.step());
    if (!more) return out;
    if (const auto state = entry_state(query.text_view(0))) out[*state] = query.number(1);
  }
}

}  // namespace nightbench::store
