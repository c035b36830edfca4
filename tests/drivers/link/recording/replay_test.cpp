// What was recorded, served again.
#include "drivers/link/recording/replay.hpp"

#include <gmock/gmock.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <boost/asio/io_context.hpp>
#include <csignal>
#include <fstream>

#include "../../support/run.hpp"
#include "drivers/link/recording/recorder.hpp"
#include "tests/support/process.hpp"

namespace nightbench::link {
namespace {

using ::testing::HasSubstr;
using std::chrono::seconds;

// An instrument that echoes what it was told, takes a second for each answer, and fails when it is
// told to.
class Echo final : public Link {
 public:
  explicit Echo(Clock& clock) : clock_(clock) {}
  Awaitable<Result<void>> write(std::string_view message, TimePoint) override {
    said_ = message;
    co_return Result<void>();
  }
  Awaitable<Result<Chunk>> read(std::size_t, TimePoint) override {
    co_await sleep_for(clock_, seconds(1));
    if (said_ == "FAIL") co_return fail(ErrorKind::timeout, "no answer");
    co_return Chunk{said_ + std::string("\0\xff", 2), true};
  }
  Awaitable<Result<void>> clear(TimePoint) override { co_return Result<void>(); }
  Awaitable<Result<std::uint8_t>> status_byte(TimePoint) override {
    co_return static_cast<std::uint8_t>(16);
  }
  Awaitable<Result<void>> connect(TimePoint) override {
    open_ = true;
    co_return Result<void>();
  }
  void close() override { open_ = false; }
  bool is_open() const override { return open_; }
  bool marks_end() const override { return true; }
  const std::string& resource() const override { return resource_; }

 private:
  Clock& clock_;
  std::string said_, resource_ = "ECHO";
  bool open_ = false;
};

class Replay : public ::testing::Test {
 protected:
  template <typename T>
  static T run(VirtualClock& clock, Awaitable<T> task) {
    return test::run(clock, std::move(task));
  }

  // Two instruments: a connection each, a good answer, a time-out.
  void record() {
    boost::asio::io_context io;
    VirtualClock clock(io, WallTime(seconds(1'795'575'845)));
    run(clock, wait(clock, seconds(100)));
    auto recorder = Recorder::create(file_, {"workbench", "instruments", "0.1.0", {}}, clock);
    ASSERT_TRUE(recorder) << describe(recorder.error());
    const auto scope = recorded(std::make_unique<Echo>(clock), "scope", *recorder, clock);
    const auto meter = recorded(std::make_unique<Echo>(clock), "meter", *recorder, clock);
    for (Link* each : {scope.get(), meter.get()}) {
      ASSERT_TRUE(run(clock, each->connect(TimePoint::max())));
    }
    ASSERT_TRUE(run(clock, scope->write("ONE", TimePoint::max())));
    ASSERT_TRUE(run(clock, meter->write("TWO", TimePoint::max())));
    ASSERT_TRUE(run(clock, scope->read(100, TimePoint::max())));
    ASSERT_TRUE(run(clock, scope->write("FAIL", TimePoint::max())));
    ASSERT_FALSE(run(clock, scope->read(100, TimePoint::max())));
    ASSERT_TRUE(run(clock, scope->status_byte(TimePoint::max())));
    EXPECT_FALSE((*recorder)->failure());
  }

  static Awaitable<int> wait(Clock& clock, Duration span) {
    co_await sleep_for(clock, span);
    co_return 0;
  }

  nightbench::testing::ScratchFolder folder_;
  std::string file_ = folder_ / "night.jsonl";
  boost::asio::io_context io_;
  VirtualClock clock_{io_};
};

TEST_F(Replay, AnswersAsTheInstrumentsDidAndWhenTheyDid) {
  record();
  const auto recording = Recording::open(file_);
  ASSERT_TRUE(recording) << describe(recording.error());
  EXPECT_EQ((*recording)->heading().bench, "workbench");
  EXPECT_EQ((*recording)->heading().started, WallTime(seconds(1'795'575'945)));
  const auto scope = replayed("scope", *recording, clock_);
  const auto meter = replayed("meter", *recording, clock_);
  EXPECT_EQ(scope->resource(), "ECHO");
  EXPECT_TRUE(scope->marks_end());
  EXPECT_FALSE(scope->is_open());
  ASSERT_TRUE(run(clock_, meter->connect(TimePoint::max())));
  ASSERT_TRUE(run(clock_, scope->connect(TimePoint::max())));
  // The order between instruments is free, that of one is not.
  ASSERT_TRUE(run(clock_, meter->write("TWO", TimePoint::max())));
  ASSERT_TRUE(run(clock_, scope->write("ONE", TimePoint::max())));
  const auto answer = run(clock_, scope->read(100, TimePoint::max()));
  ASSERT_TRUE(answer);
  EXPECT_EQ(answer->bytes, std::string("ONE\0\xff", 5));
  EXPECT_TRUE(answer->end);
  EXPECT_EQ(clock_.now(), TimePoint(seconds(1)));
  ASSERT_TRUE(run(clock_, scope->write("FAIL", TimePoint::max())));
  const auto late = run(clock_, scope->read(100, TimePoint::max()));
  ASSERT_FALSE(late);
  EXPECT_EQ(late.error().kind, ErrorKind::timeout);
  EXPECT_EQ(late.error().message, "no answer");
  EXPECT_EQ(clock_.now(), TimePoint(seconds(2)));
  EXPECT_EQ(*run(clock_, scope->status_byte(TimePoint::max())), 16);
}

TEST_F(Replay, TheFirstDifferenceEndsItAndShowsBothSides) {
  record();
  const auto recording = Recording::open(file_);
  ASSERT_TRUE(recording);
  const auto scope = replayed("scope", *recording, clock_);
  const auto meter = replayed("meter", *recording, clock_);
  ASSERT_TRUE(run(clock_, scope->connect(TimePoint::max())));
  ASSERT_TRUE(run(clock_, meter->connect(TimePoint::max())));
  const auto other = run(clock_, scope->write("OTHER", TimePoint::max()));
  ASSERT_FALSE(other);
  EXPECT_EQ(other.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(other.error().instrument, "scope");
  EXPECT_THAT(describe(other.error()),
              HasSubstr("the recording goes on with write 'ONE', the program with write 'OTHER'"));
  // What would have fitted fails as well, with the first difference.
  const auto later = run(clock_, meter->write("TWO", TimePoint::max()));
  ASSERT_FALSE(later);
  EXPECT_EQ(describe(later.error()), describe(other.error()));
  EXPECT_TRUE((*recording)->divergence());
}

TEST_F(Replay, ItsEndIsADifferenceToo) {
  record();
  std::string text = nightbench::testing::read_text(file_);
  std::ofstream(file_) << text.substr(0, text.size() - 5);  // killed while it wrote
  const auto recording = Recording::open(file_);
  ASSERT_TRUE(recording);
  const auto scope = replayed("scope", *recording, clock_);
  ASSERT_TRUE(run(clock_, scope->connect(TimePoint::max())));
  ASSERT_TRUE(run(clock_, scope->write("ONE", TimePoint::max())));
  ASSERT_TRUE(run(clock_, scope->read(100, TimePoint::max())));
  ASSERT_TRUE(run(clock_, scope->write("FAIL", TimePoint::max())));
  ASSERT_FALSE(run(clock_, scope->read(100, TimePoint::max())));
  const auto end = run(clock_, scope->status_byte(TimePoint::max()));
  ASSERT_FALSE(end);
  EXPECT_EQ(end.error().kind, ErrorKind::bad_input);
  EXPECT_THAT(end.error().message, HasSubstr("ends before status (its last line is cut short)"));
}

TEST_F(Replay, CloseEndsAnOperationUnderWay) {
  record();
  const auto recording = Recording::open(file_);
  ASSERT_TRUE(recording);
  const auto scope = replayed("scope", *recording, clock_);
  ASSERT_TRUE(run(clock_, scope->connect(TimePoint::max())));
  ASSERT_TRUE(run(clock_, scope->write("ONE", TimePoint::max())));
  const auto alarm = clock_.arm(TimePoint(std::chrono::milliseconds(500)), [&] { scope->close(); });
  const auto answer = run(clock_, scope->read(100, TimePoint::max()));
  ASSERT_FALSE(answer);
  EXPECT_EQ(answer.error().kind, ErrorKind::cancelled);
  EXPECT_FALSE(scope->is_open());
}

TEST_F(Replay, BrokenFilesAreNamedWithTheirLine) {
  record();
  std::string text = nightbench::testing::read_text(file_);
  const std::size_t at = text.find("\"op\":\"write\"");
  text.replace(at, 12, "\"op\":\"wriet\"");
  std::ofstream(file_) << text;
  const auto recording = Recording::open(file_);
  ASSERT_TRUE(recording);
  const auto scope = replayed("scope", *recording, clock_);
  ASSERT_TRUE(run(clock_, scope->connect(TimePoint::max())));
  const auto broken = run(clock_, scope->write("ONE", TimePoint::max()));
  ASSERT_FALSE(broken);
  EXPECT_EQ(broken.error().kind, ErrorKind::bad_input);
  EXPECT_THAT(describe(broken.error()), HasSubstr("night.jsonl:4: at /op"));

  std::ofstream(file_) << "";
  EXPECT_THAT(describe(Recording::open(file_).error()), HasSubstr("it has no head"));
  EXPECT_FALSE(Recording::open(folder_ / "none.jsonl"));
}

TEST_F(Replay, ARecordingIsNeverWrittenOver) {
  record();
  const std::string before = nightbench::testing::read_text(file_);
  const auto again = Recorder::create(file_, {}, clock_);
  ASSERT_FALSE(again);
  EXPECT_EQ(again.error().kind, ErrorKind::bad_input);
  EXPECT_THAT(again.error().message, HasSubstr("never written over"));
  EXPECT_EQ(nightbench::testing::read_text(file_), before);
}

// A disk that fills up ends the recording and nothing else.
TEST_F(Replay, AFullDiskDoesNotStandInTheWay) {
  const pid_t child = ::fork();
  if (child == 0) {
    std::signal(SIGXFSZ, SIG_IGN);
    const rlimit small{.rlim_cur = 500, .rlim_max = 500};
    ::setrlimit(RLIMIT_FSIZE, &small);
    auto recorder = Recorder::create(file_, {"b", "instruments", "0", {}}, clock_);
    if (!recorder) ::_exit(1);
    const auto link = recorded(std::make_unique<Echo>(clock_), "scope", *recorder, clock_);
    if (!run(clock_, link->connect(TimePoint::max()))) ::_exit(2);
    for (int n = 0; n < 100; ++n) {
      if (!run(clock_, link->write("MESSAGE", TimePoint::max()))) ::_exit(3);
    }
    const auto failure = (*recorder)->failure();
    if (!failure || failure->kind != ErrorKind::storage || failure->number != EFBIG) ::_exit(4);
    ::_exit(0);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  EXPECT_TRUE(WIFEXITED(status));
  EXPECT_EQ(WEXITSTATUS(status), 0);
  // What is there is whole lines and a rest, and can be read.
  EXPECT_TRUE(Recording::open(file_));
}

}  // namespace
}  // namespace nightbench::link
