// SQLite with our errors: a connection, prepared statements that are reset after use, transactions
// that roll back. Inside daemon/store only. One object is for one thread at a time.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <utility>

#include "daemon/store/sqlite_journal.hpp"
#include "drivers/base/error.hpp"

struct sqlite3;
struct sqlite3_stmt;

namespace nightbench::store {

class Connection;

// A prepared statement in use; goes back to the start when it is destroyed. Parameters count from
// 1, columns from 0, as in SQLite. Texts that are bound must live until the statement is done.
class Statement {
 public:
  Statement(Connection& connection, sqlite3_stmt* statement)
      : connection_(&connection), statement_(statement) {}
  Statement(Statement&& other) noexcept
      : connection_(other.connection_), statement_(std::exchange(other.statement_, nullptr)) {}
  Statement& operator=(Statement&&) = delete;
  ~Statement();

  Statement& bind(int parameter, std::string_view text);
  Statement& bind(int parameter, std::int64_t number);
  Statement& bind_null(int parameter);

  Result<bool> step();  // whether there is a row
  Result<void> run();   // for statements without rows

  std::string text(int column) const;
  std::string_view text_view(int column) const;  // valid until the next step
  std::int64_t number(int column) const;
  bool is_null(int column) const;

 private:
  Connection* connection_;
  sqlite3_stmt* statement_;
};

class Connection {
 public:
  explicit Connection(std::filesystem::path file) : file_(std::move(file)) {}
  Connection(const Connection&) = delete;
  Connection& operator=(const Connection&) = delete;
  ~Connection();

  // Opens the file, sets the pragmas, brings the tables up to kSchemaVersion.
  Result<void> open(const Options& options);

  Result<Statement> prepare(const char* sql);
  Result<void> execute(const char* sql);
  // The one number a query gives.
  Result<std::int64_t> number(const char* sql);
  std::int64_t last_insert_id() const;

  const std::filesystem::path& file() const { return file_; }
  // A storage error from an SQLite result code; the extended code of the connection is kept.
  std::unexpected<Error> failed(int code) const;
  std::unexpected<Error> refused(std::string message, int code = 0) const;

 private:
  Result<void> set_pragmas(const Options& options);
  Result<void> upgrade(const Options& options);
  std::filesystem::path file_;
  sqlite3* handle_ = nullptr;
};

// BEGIN IMMEDIATE now, so that a lock is met before anything is written; ROLLBACK unless committed.
class Transaction {
 public:
  static Result<Transaction> begin(Connection& connection);
  Transaction(Transaction&& other) noexcept
      : connection_(std::exchange(other.connection_, nullptr)) {}
  Transaction& operator=(Transaction&&) = delete;
  ~Transaction();
  Result<void> commit();

 private:
  explicit Transaction(Connection& connection) : connection_(&connection) {}
  Connection* connection_;
};

}  // namespace nightbench::store
