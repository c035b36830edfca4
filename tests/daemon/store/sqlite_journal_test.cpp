#include "daemon/store/sqlite_journal.hpp"

#include <gmock/gmock.h>

#include <array>
#include <map>
#include <random>

#include "../../sequences/record/journal_contract.hpp"
#include "store_fixture.hpp"

namespace nightbench::record::test {

struct InDatabase {
  Journal& journal() { return *journal_; }
  store::test::Folder folder;
  std::unique_ptr<store::SqliteJournal> journal_ = store::test::opened(folder.database());
};
INSTANTIATE_TYPED_TEST_SUITE_P(Sqlite, JournalContract, InDatabase);

// The same, with the file closed and opened again before every operation.
struct ReopenedDatabase {
  Journal& journal() {
    journal_.reset();
    journal_ = store::test::opened(folder.database());
    return *journal_;
  }
  store::test::Folder folder;
  std::unique_ptr<store::SqliteJournal> journal_;
};
INSTANTIATE_TYPED_TEST_SUITE_P(SqliteReopened, JournalContract, ReopenedDatabase);

}  // namespace nightbench::record::test

namespace nightbench::store::test {
namespace {

using record::Outcome;
using record::Verdict;
using record::test::at_ns;
using record::test::header;
using record::test::point;
using ::testing::HasSubstr;

record::Header started_at(const std::string& id, const std::string& board, long long ns) {
  record::Header out = header(id, board);
  out.started = at_ns(ns);
  return out;
}

TEST(ListOfRuns, NewestFirstWithWhatALineNeeds) {
  Folder folder;
  const auto journal = opened(folder.database());
  ASSERT_TRUE(journal->begin(started_at("a", "H30-001", 10)));
  ASSERT_TRUE(journal->begin(started_at("b", "H30-002", 30)));
  ASSERT_TRUE(journal->begin(started_at("c", "H30-001", 20)));
  ASSERT_TRUE(journal->append("a", point(0)));
  ASSERT_TRUE(journal->append("a", point(1)));
  ASSERT_TRUE(journal->finish("a", Outcome::bench_failed, "scope: gone", at_ns(99)));
  const auto runs = journal->runs();
  ASSERT_TRUE(runs) << describe(runs.error());
  ASSERT_EQ(runs->size(), 3U);
  EXPECT_EQ((*runs)[0].run_id, "b");
  EXPECT_EQ((*runs)[1].run_id, "c");
  const RunSummary& a = (*runs)[2];
  EXPECT_EQ(a.run_id, "a");
  EXPECT_EQ(a.board, "H30-001");
  EXPECT_EQ(a.board_type, "heron-30");
  EXPECT_EQ(a.script, "response");
  EXPECT_EQ(a.bench, "workbench");
  EXPECT_EQ(a.person, "M. Sandoval");
  EXPECT_EQ(a.started, at_ns(10));
  EXPECT_EQ(a.finished, at_ns(99));
  EXPECT_EQ(a.outcome, Outcome::bench_failed);
  EXPECT_EQ(a.outcome_text, "scope: gone");
  EXPECT_EQ(a.verdict, Verdict::fail);
  EXPECT_EQ(a.points, 2U);
  EXPECT_EQ(a.planned_points, 1ULL << 53);
  EXPECT_FALSE((*runs)[0].finished);
  EXPECT_EQ((*runs)[0].verdict, Verdict::none);
}

TEST(ListOfRuns, IsFilteredAndCut) {
  Folder folder;
  const auto journal = opened(folder.database());
  for (int i = 0; i < 6; ++i) {
    const std::string id = std::to_string(i);
    ASSERT_TRUE(journal->begin(started_at(id, i % 2 == 0 ? "even" : "odd", i)));
    if (i < 3) {
      ASSERT_TRUE(journal->finish(id, Outcome::complete, "", at_ns(i)));
    }
  }
  const auto ids = [&](const Filter& filter) {
    std::string out;
    const auto runs = journal->runs(filter);
    for (const RunSummary& run : *runs) out += run.run_id;
    return out;
  };
  EXPECT_EQ(ids({.board = "even"}), "420");
  EXPECT_EQ(ids({.board = "odd", .most = 2}), "53");
  EXPECT_EQ(ids({.outcome = Outcome::complete}), "210");
  EXPECT_EQ(ids({.outcome = Outcome::unfinished}), "543");
  EXPECT_EQ(ids({.script = "another"}), "");
  EXPECT_EQ((*journal->latest("odd"))->run_id, "5");
  EXPECT_FALSE(*journal->latest("none"));
  EXPECT_FALSE(*journal->latest(""));
}

// The list counts decisions in columns; the rule of the record looks at the readings.
TEST(ListOfRuns, VerdictIsThatOfTheRecord) {
  Folder folder;
  const auto journal = opened(folder.database());
  // Failures are rare among them, since one hides whatever else a run holds.
  using enum record::Decision;
  constexpr std::array kDecisions{pass, pass, pass,       conditional_pass, conditional_fail,
                                  none, none, no_reading, no_reading,       no_reading};
  std::mt19937 random(20261);
  std::map<Verdict, int> met;
  for (int i = 0; i < 200; ++i) {
    const std::string id = std::to_string(i);
    ASSERT_TRUE(journal->begin(header(id)));
    record::Point each;
    for (unsigned n = 1 + random() % 3; n > 0; --n) {
      record::Reading& reading = each.readings.emplace_back();
      reading.decision = kDecisions[random() % kDecisions.size()];
      if (random() % 3 == 0) reading.limit.upper = 1;
    }
    ASSERT_TRUE(journal->append(id, each));
    ASSERT_TRUE(
        journal->finish(id, i % 4 == 0 ? Outcome::interrupted : Outcome::complete, "", at_ns(1)));
  }
  const auto runs = journal->runs();
  for (const RunSummary& run : *runs) {
    EXPECT_EQ(run.verdict, record::verdict(*journal->load(run.run_id))) << run.run_id;
    ++met[run.verdict];
  }
  EXPECT_EQ(met.size(), 4U);
}

TEST(EachPoint, ComesByOrdinalOneAtATimeUntilToldToStop) {
  Folder folder;
  const auto journal = opened(folder.database());
  ASSERT_TRUE(journal->begin(header("a")));
  for (const std::uint64_t ordinal : {3ULL, 1ULL, 2ULL, 0ULL}) {
    ASSERT_TRUE(journal->append("a", point(ordinal)));
  }
  std::vector<std::uint64_t> seen;
  ASSERT_TRUE(journal->for_each_point("a", [&](const record::Point& each) {
    record::test::expect_same(each, point(each.ordinal));
    seen.push_back(each.ordinal);
    // The journal may be used meanwhile.
    EXPECT_EQ(journal->measured("a")->size(), 4U);
    return seen.size() < 3;
  }));
  EXPECT_EQ(seen, (std::vector<std::uint64_t>{0, 1, 2}));
  EXPECT_EQ(journal->load_without_points("a")->points.size(), 0U);
  EXPECT_EQ(journal->for_each_point("no", [](const record::Point&) { return true; }).error().kind,
            ErrorKind::bad_input);
}

TEST(Settings, AreThoseThatTheDurabilityRestsOn) {
  Folder folder;
  const auto journal = opened(folder.path() / "new" / "folder" / "runs.sqlite");
  ASSERT_TRUE(journal->begin(header("a")));
  // The journal mode is kept in the file; the flushes are counted in the tests of power cuts.
  sqlite3* handle = nullptr;
  ASSERT_EQ(sqlite3_open(journal->file().c_str(), &handle), SQLITE_OK);
  sqlite3_stmt* query = nullptr;
  sqlite3_prepare_v2(handle, "PRAGMA journal_mode", -1, &query, nullptr);
  sqlite3_step(query);
  EXPECT_STREQ(reinterpret_cast<const char*>(sqlite3_column_text(query, 0)), "wal");
  sqlite3_finalize(query);
  sqlite3_close(handle);
}

TEST(Version, ANewerDatabaseIsRefusedAndNotTouched) {
  Folder folder;
  {
    ASSERT_TRUE(opened(folder.database())->begin(header("a")));
  }
  meddle(folder.database(), "PRAGMA user_version = " + std::to_string(kSchemaVersion + 1));
  for (const bool read_only : {false, true}) {
    const auto refused = SqliteJournal::open(folder.database(), {.read_only = read_only});
    ASSERT_FALSE(refused);
    EXPECT_EQ(refused.error().kind, ErrorKind::storage);
    EXPECT_EQ(refused.error().file, folder.database().string());
    EXPECT_THAT(refused.error().message, HasSubstr("written by a newer program"));
    EXPECT_THAT(refused.error().message,
                HasSubstr("version " + std::to_string(kSchemaVersion + 1)));
  }
  meddle(folder.database(), "PRAGMA user_version = " + std::to_string(kSchemaVersion));
  EXPECT_EQ(opened(folder.database())->runs()->size(), 1U);
}

TEST(Version, AnotherProgramsDatabaseIsRefused) {
  Folder folder;
  meddle(folder.database(), "CREATE TABLE theirs (x); PRAGMA user_version = 1");
  EXPECT_THAT(SqliteJournal::open(folder.database()).error().message,
              HasSubstr("belongs to another program"));
  meddle(folder.database(), "PRAGMA user_version = 0");
  EXPECT_THAT(SqliteJournal::open(folder.database()).error().message,
              HasSubstr("belongs to another program"));
  meddle(folder.database(), "INSERT INTO theirs VALUES (1)");  // still as it was
}

TEST(ReadOnly, ReadsAndNeverWrites) {
  Folder folder;
  const auto writer = opened(folder.database());
  ASSERT_TRUE(writer->begin(header("a")));
  const auto reader = opened(folder.database(), {.read_only = true});
  EXPECT_EQ(reader->runs()->size(), 1U);
  const auto refused = reader->append("a", point(0));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::storage);
  EXPECT_EQ(refused.error().number & 0xFF, SQLITE_READONLY);
  ASSERT_TRUE(writer->append("a", point(0)));
  EXPECT_EQ(reader->measured("a")->size(), 1U);
  const auto missing = SqliteJournal::open(folder.path() / "none.sqlite", {.read_only = true});
  ASSERT_FALSE(missing);
  EXPECT_EQ(missing.error().number & 0xFF, SQLITE_CANTOPEN);
  EXPECT_FALSE(std::filesystem::exists(folder.path() / "none.sqlite"));
}

TEST(TwoProcesses, AppendBesideEachOther) {
  Folder folder;
  const auto journal = opened(folder.database());
  ASSERT_TRUE(journal->begin(header("a")));
  ASSERT_TRUE(journal->begin(header("b")));
  const pid_t child = ::fork();
  if (child == 0) {
    const auto own = SqliteJournal::open(folder.database());
    if (!own) ::_exit(1);
    for (std::uint64_t i = 0; i < 40; ++i) {
      if (!(*own)->append("b", point(i))) ::_exit(2);
    }
    ::_exit(0);
  }
  for (std::uint64_t i = 0; i < 40; ++i) {
    const auto kept = journal->append("a", point(i));
    EXPECT_TRUE(kept) << describe(kept.error());
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  EXPECT_EQ(status, 0);
  EXPECT_EQ(journal->measured("a")->size(), 40U);
  EXPECT_EQ(journal->measured("b")->size(), 40U);
  EXPECT_TRUE(journal->check()->empty());
}

}  // namespace
}  // namespace nightbench::store::test
