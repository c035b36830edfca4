// The store when things go wrong: full disk, failing disk, loss of power, killed process, damaged
// file, locks, folders that may not be written to.
#include <gmock/gmock.h>

#include <csignal>
#include <fstream>

#include "failing_disk.hpp"
#include "store_fixture.hpp"

namespace nightbench::store::test {
namespace {

using record::Outcome;
using record::test::at_ns;
using record::test::expect_same;
using record::test::header;
using record::test::point;
using ::testing::HasSubstr;

class OnAFailingDisk : public ::testing::Test {
 protected:
  void SetUp() override {
    install_failing_disk();
    disk_.reset();
  }
  void TearDown() override { disk_.reset(); }
  Options options() const {
    return {.busy_timeout = std::chrono::milliseconds(0), .vfs = FailingDisk::kName};
  }
  // What the database in `file` holds of run "a", through a healthy disk.
  static std::vector<std::uint64_t> kept(const std::filesystem::path& file) {
    const auto journal = opened(file);
    EXPECT_TRUE(journal->check()->empty());
    const auto run = journal->load("a");
    std::vector<std::uint64_t> out;
    if (!run) return out;
    for (const record::Point& each : run->points) {
      expect_same(each, point(each.ordinal));
      out.push_back(each.ordinal);
    }
    return out;
  }
  FailingDisk& disk_ = FailingDisk::get();
  Folder folder_;
};

// Fails the n-th operation for n = 0, 1, 2 ... until everything succeeds: whatever fails, what was
// acknowledged before is there, what was refused is whole or absent, and the file is sound.
TEST_F(OnAFailingDisk, WhateverOperationFailsNothingAcknowledgedIsLost) {
  int number = 0;
  for (bool all_well = false; !all_well; ++number) {
    ASSERT_LT(number, 200);
    const auto file = folder_.path() / std::to_string(number) / "runs.sqlite";
    std::vector<std::uint64_t> acknowledged;
    disk_.reset();
    disk_.fail_at = number;
    all_well = true;
    {
      auto journal = SqliteJournal::open(file, options());
      if (!journal) {
        EXPECT_EQ(journal.error().kind, ErrorKind::storage);
        EXPECT_NE(journal.error().number, 0);
        all_well = false;
        continue;
      }
      const auto begun = (*journal)->begin(header("a"));
      all_well = begun.has_value();
      if (!begun) {
        ASSERT_TRUE((*journal)->begin(header("a"))) << "a second try, operation " << number;
      }
      for (std::uint64_t ordinal = 0; ordinal < 4; ++ordinal) {
        const auto appended = (*journal)->append("a", point(ordinal));
        if (appended) {
          acknowledged.push_back(ordinal);
          continue;
        }
        all_well = false;
        EXPECT_EQ(appended.error().kind, ErrorKind::storage);
        EXPECT_THAT(appended.error().message, HasSubstr("everything before it was"));
      }
    }
    // Closing writes too (the log goes into the database); a failure there loses nothing either.
    all_well = all_well && disk_.operations <= disk_.fail_at;
    EXPECT_EQ(kept(file), acknowledged) << "operation " << number;
  }
  EXPECT_GT(number, 20);  // there was something to fail
}

TEST_F(OnAFailingDisk, AFullDiskSaysSoKeepsWhatWasWrittenAndGoesOnWhenThereIsRoom) {
  const auto journal = opened(folder_.database(), options());
  ASSERT_TRUE(journal->begin(header("a")));
  ASSERT_TRUE(journal->append("a", point(0)));
  disk_.operations = 0;
  disk_.fail_at = 0;
  disk_.stays = true;
  disk_.code = SQLITE_FULL;
  for (int i = 0; i < 3; ++i) {
    const auto refused = journal->append("a", point(1));
    ASSERT_FALSE(refused);
    EXPECT_EQ(refused.error().kind, ErrorKind::storage);
    EXPECT_EQ(refused.error().number, SQLITE_FULL);
    EXPECT_EQ(refused.error().file, folder_.database().string());
    EXPECT_THAT(refused.error().message, HasSubstr("the disk is full"));
  }
  EXPECT_EQ(*journal->measured("a"), (std::vector<std::uint64_t>{0}));
  disk_.fail_at = -1;
  ASSERT_TRUE(journal->append("a", point(1)));
  ASSERT_TRUE(journal->finish("a", Outcome::complete, "", at_ns(1)));
  EXPECT_EQ(kept(folder_.database()), (std::vector<std::uint64_t>{0, 1}));
}

// synchronous = FULL: each acknowledged point is flushed before append() returns. With NORMAL this
// test fails, since the log is flushed at checkpoints only.
TEST_F(OnAFailingDisk, EveryAcknowledgedPointSurvivesLossOfPower) {
  const auto journal = opened(folder_.database(), options());
  ASSERT_TRUE(journal->begin(header("a")));
  for (std::uint64_t ordinal = 0; ordinal < 12; ++ordinal) {
    ASSERT_TRUE(journal->append("a", point(ordinal)));
    const auto after = folder_.path() / ("cut-" + std::to_string(ordinal));
    disk_.power_cut_into(after);
    std::vector<std::uint64_t> expected;
    for (std::uint64_t each = 0; each <= ordinal; ++each) expected.push_back(each);
    EXPECT_EQ(kept(after / "runs.sqlite"), expected);
  }
}

TEST_F(OnAFailingDisk, ARunIsBegunAndFinishedForGoodToo) {
  const auto journal = opened(folder_.database(), options());
  ASSERT_TRUE(journal->begin(header("a")));
  ASSERT_TRUE(journal->note("a", {at_ns(5), record::Severity::warning, "id", "text"}));
  ASSERT_TRUE(journal->finish("a", Outcome::interrupted, "asked to stop", at_ns(9)));
  disk_.power_cut_into(folder_.path() / "cut");
  const auto run = opened(folder_.path() / "cut" / "runs.sqlite")->load("a");
  ASSERT_TRUE(run);
  EXPECT_EQ(run->outcome, Outcome::interrupted);
  EXPECT_EQ(run->events.size(), 1U);
}

TEST(KilledProcess, LosesNoAcknowledgedPointAndHasNoneTwice) {
  Folder folder;
  const auto file = folder.database();
  {
    ASSERT_TRUE(opened(file)->begin(header("a")));
  }
  std::uint64_t next = 0;
  for (int round = 0; round < 8; ++round) {
    int told[2];
    ASSERT_EQ(::pipe(told), 0);
    const pid_t child = ::fork();
    if (child == 0) {
      const auto journal = SqliteJournal::open(file);
      if (!journal) ::_exit(1);
      for (std::uint64_t ordinal = next;; ++ordinal) {
        if (!(*journal)->append("a", point(ordinal))) ::_exit(2);
        if (::write(told[1], &ordinal, sizeof ordinal) != sizeof ordinal) ::_exit(3);
      }
    }
    ::close(told[1]);
    std::uint64_t last = 0;
    std::uint64_t acknowledged = 0;
    // Killed at another moment of the following append each round.
    while (acknowledged < 3 + static_cast<std::uint64_t>(round) &&
           ::read(told[0], &last, sizeof last) == sizeof last) {
      ++acknowledged;
    }
    ::kill(child, SIGKILL);
    int status = 0;
    ::waitpid(child, &status, 0);
    ASSERT_TRUE(WIFSIGNALED(status)) << "the child ended by itself: " << WEXITSTATUS(status);
    while (::read(told[0], &last, sizeof last) == sizeof last) ++acknowledged;
    ::close(told[0]);
    const auto journal = opened(file);
    const auto measured = journal->measured("a");
    ASSERT_TRUE(measured);
    // All that was acknowledged, and at most the one that was under way.
    EXPECT_GE(measured->size(), next + acknowledged);
    EXPECT_LE(measured->size(), next + acknowledged + 1);
    for (std::size_t i = 0; i < measured->size(); ++i) EXPECT_EQ((*measured)[i], i);
    next = measured->size();
    EXPECT_TRUE(journal->check()->empty());
  }
}

std::string bytes_of(const std::filesystem::path& file) {
  std::ifstream stream(file, std::ios::binary);
  std::ostringstream out;
  out << stream.rdbuf();
  return out.str();
}

void put_bytes(const std::filesystem::path& file, const std::string& bytes) {
  std::ofstream(file, std::ios::binary) << bytes;
}

void fill(const std::filesystem::path& file) {
  const auto journal = opened(file);
  ASSERT_TRUE(journal->begin(header("a")));
  for (std::uint64_t ordinal = 0; ordinal < 40; ++ordinal) {
    ASSERT_TRUE(journal->append("a", point(ordinal)));
  }
}

// A loaded run is what was kept, or there is an error; damage never passes as other data.
TEST(DamagedFile, IsNoticedOrHarmlessWhereverTheDamageIs) {
  Folder folder;
  fill(folder.database());
  const std::string sound = bytes_of(folder.database());
  ASSERT_GT(sound.size(), 20'000U);
  const auto file = folder.path() / "damaged.sqlite";
  std::size_t noticed = 0;
  std::size_t tried = 0;
  for (std::size_t at = 0; at < sound.size(); at += 1021) {
    ++tried;
    std::string bytes = sound;
    for (std::size_t i = at; i < std::min(at + 16, bytes.size()); ++i) {
      bytes[i] = static_cast<char>(bytes[i] ^ 0x5A);
    }
    put_bytes(file, bytes);
    const auto journal = SqliteJournal::open(file, {.read_only = true});
    if (!journal) {
      EXPECT_EQ(journal.error().kind, ErrorKind::storage) << describe(journal.error());
      ++noticed;
      continue;
    }
    const auto run = (*journal)->load("a");
    if (!run) {
      EXPECT_TRUE(run.error().kind == ErrorKind::storage ||
                  run.error().kind == ErrorKind::bad_input);
      ++noticed;
    }
    const auto findings = (*journal)->check();
    ASSERT_TRUE(findings) << describe(findings.error());
    if (run) continue;
    EXPECT_FALSE(findings->empty())
        << "load failed, check did not, at byte " << at << ": " << describe(run.error());
  }
  EXPECT_GT(noticed, tried / 2) << tried;
}

TEST(DamagedFile, CutShortOrForeignIsRefusedInWords) {
  Folder folder;
  fill(folder.database());
  const std::string sound = bytes_of(folder.database());
  put_bytes(folder.path() / "cut.sqlite", sound.substr(0, sound.size() / 2));
  const auto cut = SqliteJournal::open(folder.path() / "cut.sqlite", {.read_only = true});
  if (cut) {
    const auto run = (*cut)->load("a");
    ASSERT_FALSE(run);
    EXPECT_EQ(run.error().number & 0xFF, SQLITE_CORRUPT);
    EXPECT_THAT(run.error().message, HasSubstr("damaged"));
    EXPECT_FALSE((*cut)->check()->empty());
  } else {
    EXPECT_EQ(cut.error().kind, ErrorKind::storage);
  }
  put_bytes(folder.path() / "letter.sqlite", std::string(5000, 'x'));
  const auto letter = SqliteJournal::open(folder.path() / "letter.sqlite");
  ASSERT_FALSE(letter);
  EXPECT_EQ(letter.error().number, SQLITE_NOTADB);
  EXPECT_THAT(letter.error().message, HasSubstr("no database"));
  EXPECT_EQ(bytes_of(folder.path() / "letter.sqlite"), std::string(5000, 'x'));
}

TEST(DamagedFile, ABodyThatDoesNotDecodeIsDamage) {
  Folder folder;
  fill(folder.database());
  meddle(folder.database(), "UPDATE point SET body = '{\"ordinal\": 3}' WHERE ordinal = 3");
  meddle(folder.database(),
         "UPDATE point SET body = (SELECT body FROM point WHERE ordinal = 5) "
         "WHERE ordinal = 6");
  const auto journal = opened(folder.database());
  const auto run = journal->load("a");
  ASSERT_FALSE(run);
  EXPECT_EQ(run.error().kind, ErrorKind::storage);
  EXPECT_THAT(run.error().message, HasSubstr("point 3 of run a"));
  EXPECT_FALSE(journal->check()->empty());
  meddle(folder.database(), "DELETE FROM point WHERE ordinal = 3");
  EXPECT_THAT(journal->load("a").error().message, HasSubstr("point 6 of run a says it is another"));
  // After the failures the journal still takes points.
  EXPECT_TRUE(journal->append("a", point(100)));
}

TEST(LockedDatabase, WaitsForItsTimeoutAndSaysWhy) {
  Folder folder;
  const auto journal = opened(folder.database(), {.busy_timeout = std::chrono::milliseconds(30)});
  ASSERT_TRUE(journal->begin(header("a")));
  sqlite3* other = nullptr;
  ASSERT_EQ(sqlite3_open(folder.database().c_str(), &other), SQLITE_OK);
  ASSERT_EQ(sqlite3_exec(other, "BEGIN IMMEDIATE", nullptr, nullptr, nullptr), SQLITE_OK);
  const auto refused = journal->append("a", point(0));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::storage);
  EXPECT_EQ(refused.error().number & 0xFF, SQLITE_BUSY);
  EXPECT_THAT(refused.error().message, HasSubstr("another program"));
  EXPECT_TRUE(journal->load("a"));  // reading goes on
  ASSERT_EQ(sqlite3_exec(other, "ROLLBACK", nullptr, nullptr, nullptr), SQLITE_OK);
  sqlite3_close(other);
  EXPECT_TRUE(journal->append("a", point(0)));
}

TEST(ReadOnlyFolder, IsAStorageErrorWithTheFile) {
  Folder folder;
  std::filesystem::permissions(
      folder.path(), std::filesystem::perms::owner_read | std::filesystem::perms::owner_exec |
                         std::filesystem::perms::others_read | std::filesystem::perms::others_exec);
  const int status = in_child([&] {
    // Root may write anywhere; nobody may not.
    if (::geteuid() == 0 && ::seteuid(65534) != 0) return 1;
    const auto journal = SqliteJournal::open(folder.database());
    if (journal) return 2;
    if (journal.error().kind != ErrorKind::storage || journal.error().number == 0) return 3;
    if (journal.error().file != folder.database().string()) return 4;
    const auto below = SqliteJournal::open(folder.path() / "deeper" / "runs.sqlite");
    if (below) return 5;
    return below.error().kind == ErrorKind::storage ? 0 : 6;
  });
  std::filesystem::permissions(folder.path(), std::filesystem::perms::owner_all);
  EXPECT_EQ(status, 0);
}

}  // namespace
}  // namespace nightbench::store::test
