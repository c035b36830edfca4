#include "daemon/store/database.hpp"

#include <sqlite3.h>

#include <array>
#include <climits>
#include <utility>

namespace nightbench::store {
namespace {

constexpr int kApplicationId =
    0x4E42524A;  // "NBRJ": other programs' databases are not ours to change

// Entry n brings a file from version n to n + 1. Entries are never changed, only added; version 0
// is the empty file. kSchemaVersion is their number.
constexpr std::array kUpgrades{
    // 0 -> 1. `id` keeps the order of beginning. The decisions of a point are counted in columns
    // and
    // a covering index, so that the list of runs reads no bodies.
    R"sql(
    CREATE TABLE run (
      id INTEGER PRIMARY KEY,
      run_id TEXT NOT NULL UNIQUE,
      board TEXT NOT NULL,
      board_type TEXT NOT NULL,
      script TEXT NOT NULL,
      bench TEXT NOT NULL,
      person TEXT NOT NULL,
      started_ns INTEGER NOT NULL,
      planned_points INTEGER NOT NULL,
      finished_ns INTEGER,
      outcome TEXT NOT NULL,
      outcome_text TEXT NOT NULL,
      header TEXT NOT NULL
    ) STRICT;
    CREATE INDEX run_of_board ON run (board, started_ns);
    CREATE INDEX run_by_start ON run (started_ns);
    CREATE TABLE point (
      id INTEGER PRIMARY KEY,
      run INTEGER NOT NULL REFERENCES run (id),
      ordinal INTEGER NOT NULL,
      label TEXT NOT NULL,
      passed INTEGER NOT NULL,
      conditional INTEGER NOT NULL,
      failed INTEGER NOT NULL,
      missing INTEGER NOT NULL,
      body TEXT NOT NULL,
      UNIQUE (run, ordinal)
    ) STRICT;
    CREATE INDEX point_decisions ON point (run, passed, conditional, failed, missing);
    CREATE TABLE event (
      id INTEGER PRIMARY KEY,
      run INTEGER NOT NULL REFERENCES run (id),
      time_ns INTEGER NOT NULL,
      body TEXT NOT NULL
    ) STRICT;
    CREATE INDEX event_of_run ON event (run, time_ns, id);
    )sql",
    // 1 -> 2: the queue of the service. AUTOINCREMENT, so that an id never comes again.
    R"sql(
    CREATE TABLE queue (
      id INTEGER PRIMARY KEY AUTOINCREMENT,
      place INTEGER NOT NULL,
      board TEXT NOT NULL,
      board_type TEXT NOT NULL,
      board_type_text TEXT NOT NULL,
      script TEXT NOT NULL,
      script_text TEXT NOT NULL,
      parameters TEXT NOT NULL,
      person TEXT NOT NULL,
      in_place INTEGER NOT NULL,
      not_before_ns INTEGER,
      until_ns INTEGER,
      added_ns INTEGER NOT NULL,
      changed_ns INTEGER NOT NULL,
      state TEXT NOT NULL,
      detail TEXT NOT NULL,
      run_id TEXT NOT NULL,
      verdict TEXT NOT NULL
    ) STRICT;
    CREATE INDEX queue_by_state ON queue (state, place);
    )sql",
};
static_assert(kUpgrades.size() == kSchemaVersion);

// What the code means for the person at the bench.
std::string meaning(int code) {
  switch (code & 0xFF) {
    case SQLITE_FULL:
      return "the disk is full: this was not kept, everything before it was";
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return "another program holds the database locked";
    case SQLITE_CORRUPT:
      return "the database is damaged";
    case SQLITE_NOTADB:
      return "this file is no database of runs, or it is damaged";
    case SQLITE_READONLY:
      return "the database or its folder may not be written to";
    case SQLITE_CANTOPEN:
      return "the database cannot be opened or created here";
    case SQLITE_PERM:
    case SQLITE_AUTH:
      return "access to the database is not allowed";
    case SQLITE_IOERR:
      return "the disk reported an error: this was not kept, everything before it was";
    case SQLITE_NOMEM:
      return "out of memory";
    default:
      return "the database reported an error";
  }
}

}  // namespace

// --- Statement -----------------------------------------------------------------------------------

Statement::~Statement() {
  // Its code repeats the failure of the last step, which was reported then.
  sqlite3_finalize(statement_);
}

Statement& Statement::bind(int parameter, std::string_view text) {
  // Failures here (too long, out of memory, wrong index) leave NULL, which NOT NULL refuses.
  sqlite3_bind_text64(statement_, parameter, text.data() == nullptr ? "" : text.data(), text.size(),
                      SQLITE_STATIC, SQLITE_UTF8);
  return *this;
}

Statement& Statement::bind(int parameter, std::int64_t number) {
  sqlite3_bind_int64(statement_, parameter, number);
  return *this;
}

Statement& Statement::bind_null(int parameter) {
  sqlite3_bind_null(statement_, parameter);
  return *this;
}

Result<bool> Statement::step() {
  const int code = sqlite3_step(statement_);
  if (code == SQLITE_ROW) return true;
  if (code == SQLITE_DONE) return false;
  return connection_->failed(code);
}

Result<void> Statement::run() {
  TRY(step());
  return {};
}

std::string_view Statement::text_view(int column) const {
  const auto* bytes = reinterpret_cast<const char*>(sqlite3_column_text(statement_, column));
  if (bytes == nullptr) return {};
  return {bytes, static_cast<std::size_t>(sqlite3_column_bytes(statement_, column))};
}

std::string Statement::text(int column) const {
  return std::string(text_view(column));
}

std::int64_t Statement::number(int column) const {
  return sqlite3_column_int64(statement_, column);
}

bool Statement::is_null(int column) const {
  return sqlite3_column_type(statement_, column) == SQLITE_NULL;
}

// --- Connection ----------------------------------------------------------------------------------

Connection::~Connection() {
  sqlite3_close_v2(handle_);
}

std::unexpected<Error> Connection::refused(std::string message, int code) const {
  Error error;
  error.kind = ErrorKind::storage;
  error.file = file_.string();
  error.number = code;
  error.message = std::move(message);
  return fail(std::move(error));
}

std::unexpected<Error> Connection::failed(int code) const {
  int extended = handle_ == nullptr ? code : sqlite3_extended_errcode(handle_);
  if ((extended & 0xFF) != (code & 0xFF)) extended = code;
  std::string message = meaning(extended);
  const char* detail = handle_ == nullptr ? sqlite3_errstr(code) : sqlite3_errmsg(handle_);
  message.append(" (").append(detail).append(")");
  return refused(std::move(message), extended);
}

Result<void> Connection::open(const Options& options) {
  const int flags =
      options.read_only ? SQLITE_OPEN_READONLY : SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE;
  const char* vfs = options.vfs.empty() ? nullptr : options.vfs.c_str();
  const int code = sqlite3_open_v2(file_.c_str(), &handle_,
                                   flags | SQLITE_OPEN_EXRESCODE | SQLITE_OPEN_NOMUTEX, vfs);
  if (code != SQLITE_OK) return failed(code);
  const auto patience = options.busy_timeout.count();
  sqlite3_busy_timeout(handle_, static_cast<int>(patience > INT_MAX ? INT_MAX : patience));
  TRY(set_pragmas(options));
  return upgrade(options);
}

Result<void> Connection::set_pragmas(const Options& options) {
  TRY(execute("PRAGMA foreign_keys = ON"));
  TRY(execute("PRAGMA trusted_schema = OFF"));
  TRY(execute("PRAGMA cell_size_check = ON"));  // damaged pages are noticed when read
  if (options.read_only) return execute("PRAGMA query_only = ON");
  TRY(execute("PRAGMA journal_mode = WAL"));
  return execute("PRAGMA synchronous = FULL");
}

Result<void> Connection::upgrade(const Options& options) {
  const auto check = [&](std::int64_t version, std::int64_t owner) -> Result<void> {
    if (version > kSchemaVersion) {
      return refused("this database was written by a newer program (version " +
                     std::to_string(version) + " of its tables, at most " +
                     std::to_string(kSchemaVersion) + " is known here): use that program");
    }
    if (owner != kApplicationId && (version != 0 || owner != 0)) {
      return refused("this database belongs to another program");
    }
    return {};
  };
  TRY_ASSIGN(std::int64_t version, number("PRAGMA user_version"));
  TRY_ASSIGN(std::int64_t owner, number("PRAGMA application_id"));
  TRY(check(version, owner));
  if (version == kSchemaVersion) return {};
  if (options.read_only) {
    return refused("this database has old tables (version " + std::to_string(version) +
                   "): open it once for writing to bring it up to date");
  }
  // Another process may have done it between the look above and the lock.
  TRY_ASSIGN(Transaction transaction, Transaction::begin(*this));
  TRY_ASSIGN(version, number("PRAGMA user_version"));
  TRY_ASSIGN(owner, number("PRAGMA application_id"));
  TRY(check(version, owner));
  if (version == 0) {
    TRY_ASSIGN(const std::int64_t tables, number("SELECT count(*) FROM sqlite_schema"));
    if (tables != 0) return refused("this database belongs to another program");
  }
  for (auto at = static_cast<std::size_t>(version); at < kUpgrades.size(); ++at) {
    TRY(execute(kUpgrades[at]));
  }
  TRY(execute(("PRAGMA application_id = " + std::to_string(kApplicationId)).c_str()));
  TRY(execute(("PRAGMA user_version = " + std::to_string(kSchemaVersion)).c_str()));
  return transaction.commit();
}

Result<Statement> Connection::prepare(const char* sql) {
  sqlite3_stmt* statement = nullptr;
  const int code = sqlite3_prepare_v2(handle_, sql, -1, &statement, nullptr);
  if (code != SQLITE_OK) return failed(code);
  return Statement(*this, statement);
}

Result<void> Connection::execute(const char* sql) {
  const int code = sqlite3_exec(handle_, sql, nullptr, nullptr, nullptr);
  if (code != SQLITE_OK) return failed(code);
  return {};
}

Result<std::int64_t> Connection::number(const char* sql) {
  TRY_ASSIGN(Statement query, prepare(sql));
  TRY_ASSIGN(const bool row, query.step());
  if (!row) return refused("a query gave no row");
  return query.number(0);
}

std::int64_t Connection::last_insert_id() const {
  return sqlite3_last_insert_rowid(handle_);
}

// --- Transaction ---------------------------------------------------------------------------------

Result<Transaction> Transaction::begin(Connection& connection) {
  TRY(connection.execute("BEGIN IMMEDIATE"));
  return Transaction(connection);
}

Transaction::~Transaction() {
  if (connection_ == nullptr) return;
  // After some errors SQLite has rolled back itself; a second ROLLBACK then only says so.
  (void)connection_->execute("ROLLBACK");
}

Result<void> Transaction::commit() {
  TRY(connection_->execute("COMMIT"));
  connection_ = nullptr;
  return {};
}

}  // namespace nightbench::store
