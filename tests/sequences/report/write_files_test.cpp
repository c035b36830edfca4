#include "sequences/report/write_files.hpp"

#include <gmock/gmock.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <csignal>
#include <fstream>
#include <sstream>

#include "sample_runs.hpp"
#include "sequences/record/json_form.hpp"

namespace nightbench::report {
namespace {

namespace fs = std::filesystem;

class WriteFiles : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string name = (fs::temp_directory_path() / "nightbench-write-XXXXXX").string();
    ASSERT_NE(::mkdtemp(name.data()), nullptr);
    folder_ = name;
  }
  void TearDown() override { fs::remove_all(folder_); }

  static std::string content(const fs::path& path) {
    std::ifstream stream(path, std::ios::binary);
    std::ostringstream out;
    out << stream.rdbuf();
    return out.str();
  }
  std::size_t files() const {
    return static_cast<std::size_t>(
        std::distance(fs::directory_iterator(folder_), fs::directory_iterator()));
  }

  // Runs `body` in a child process; its result is the exit status.
  template <typename Body>
  static int in_child(const Body& body) {
    const pid_t child = ::fork();
    if (child == 0) ::_exit(body());
    int status = 0;
    ::waitpid(child, &status, 0);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  }

  fs::path folder_;
};

TEST_F(WriteFiles, WritesAndReplaces) {
  const fs::path path = folder_ / "a" / "b" / "report.html";
  ASSERT_TRUE(write_file(path, "one"));
  ASSERT_TRUE(write_file(path, std::string("two\0three", 9)));
  EXPECT_EQ(content(path), std::string("two\0three", 9));
  EXPECT_EQ(std::distance(fs::directory_iterator(path.parent_path()), fs::directory_iterator()), 1);
}

TEST_F(WriteFiles, AFullDiskSaysSoAndLeavesTheOldFileAndNoRest) {
  const fs::path path = folder_ / "report.html";
  ASSERT_TRUE(write_file(path, "old"));
  // A limit on the size of files fails the write in the middle, as a full disk does.
  const int status = in_child([&] {
    std::signal(SIGXFSZ, SIG_IGN);
    const rlimit small{.rlim_cur = 10'000, .rlim_max = 10'000};
    ::setrlimit(RLIMIT_FSIZE, &small);
    const auto written = write_file(path, std::string(50'000, 'x'));
    if (written) return 1;
    const Error& error = written.error();
    if (error.kind != ErrorKind::storage || error.number != EFBIG) return 2;
    if (error.file != path.string()) return 3;
    return error.message.find("disk is full") == std::string::npos ? 4 : 0;
  });
  EXPECT_EQ(status, 0);
  EXPECT_EQ(content(path), "old");
  EXPECT_EQ(files(), 1U);
}

TEST_F(WriteFiles, AFolderThatMayNotBeWrittenToIsAStorageError) {
  const fs::path path = folder_ / "report.html";
  ASSERT_TRUE(write_file(path, "old"));
  fs::permissions(folder_, fs::perms::owner_read | fs::perms::owner_exec | fs::perms::others_read |
                               fs::perms::others_exec);
  const int status = in_child([&] {
    // Root may write anywhere; nobody may not.
    if (::geteuid() == 0 && ::seteuid(65534) != 0) return 1;
    const auto written = write_file(path, "new");
    if (written) return 2;
    return written.error().kind == ErrorKind::storage && written.error().number == EACCES ? 0 : 3;
  });
  fs::permissions(folder_, fs::perms::owner_all);
  EXPECT_EQ(status, 0);
  EXPECT_EQ(content(path), "old");
}

TEST_F(WriteFiles, AFolderInTheWayIsAnErrorAndStays) {
  fs::create_directory(folder_ / "report.html");
  const auto written = write_file(folder_ / "report.html", "new");
  ASSERT_FALSE(written);
  EXPECT_EQ(written.error().kind, ErrorKind::storage);
  EXPECT_TRUE(fs::is_directory(folder_ / "report.html"));
  EXPECT_EQ(files(), 1U);
  ASSERT_TRUE(write_file(folder_ / "file", "x"));
  EXPECT_FALSE(write_file(folder_ / "file" / "below", "y"));
}

TEST_F(WriteFiles, AllFilesOfARunAreThereAndBelongTogether) {
  const record::Run run = sample::faulty();
  const auto written = write_run_files(folder_, run);
  ASSERT_TRUE(written) << describe(written.error());
  EXPECT_EQ(files(), 6U);
  EXPECT_EQ(written->report.filename(), "H30-007-20261125T030405Z-H30-007-1a2b.report.html");
  EXPECT_EQ(content(written->report), response_report_html(run));
  const auto back = record::run_from_text(content(written->results), "results");
  ASSERT_TRUE(back);
  EXPECT_EQ(record::json_text(*back), record::json_text(run));
  EXPECT_EQ(response_report_html(*back), content(written->report));
  EXPECT_THAT(content(written->junit), ::testing::StartsWith("<?xml"));
  EXPECT_THAT(content(written->csv), ::testing::StartsWith("run,board,"));
  EXPECT_THAT(content(written->correction), ::testing::HasSubstr("\"correction\": \"H30-007\""));
  EXPECT_THAT(content(written->correction_csv), ::testing::StartsWith("rf_hz,lo_hz,"));
}

TEST(FileName, IsSafeAnywhere) {
  EXPECT_EQ(file_name("H30-007"), "H30-007");
  EXPECT_EQ(file_name("../../etc/passwd"), "_._.._etc_passwd");
  EXPECT_EQ(file_name(".."), "_.");
  EXPECT_EQ(file_name(""), "_");
  EXPECT_EQ(file_name("-rf"), "_rf");
  EXPECT_EQ(file_name("a b\n\x1b\u00b5"), "a_b____");
  EXPECT_EQ(file_name(std::string(500, 'a')).size(), 120U);
}

}  // namespace
}  // namespace nightbench::report
