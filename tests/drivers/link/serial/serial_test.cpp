// Serial links over pseudo-terminals: the link contract, settings, line ends, unplugging.
#include "drivers/link/serial.hpp"

#include <fcntl.h>
#include <poll.h>
#include <termios.h>
#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>

#include "../../../mock_instruments/transport/world.hpp"
#include "../contract.hpp"
#include "drivers/link/open.hpp"
#include "mock_instruments/transport/pseudo_terminal.hpp"

namespace nightbench::test {
namespace {
using mock::transport::AfterClose;
using mock::transport::open_pseudo_terminal;
using mock::transport::PseudoTerminal;

// A pseudo-terminal throws away what was not read when its other end closes; a cable does not. So
// closing waits until the link has read everything.
class PatientStream final : public link::Stream {
 public:
  PatientStream(PseudoTerminal terminal, Clock& clock)
      : terminal_(std::make_shared<PseudoTerminal>(std::move(terminal))), clock_(clock) {}
  ~PatientStream() override { terminal_->stream->close(); }
  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    return terminal_->stream->read_some(most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) override {
    return terminal_->stream->write_all(bytes, deadline);
  }
  void close() override {
    boost::asio::co_spawn(clock_.context(), close_when_read(terminal_, clock_),
                          boost::asio::detached);
  }
  bool is_open() const override { return terminal_->stream->is_open(); }

 private:
  static Awaitable<void> close_when_read(std::shared_ptr<PseudoTerminal> terminal, Clock& clock) {
    const int client_end = ::open(terminal->path.c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    // poll() also moves on what the kernel still has on the way, which FIONREAD does not see.
    const auto unread = [client_end] {
      pollfd one{client_end, POLLIN, 0};
      return ::poll(&one, 1, 0) > 0 && (one.revents & POLLIN) != 0;
    };
    while (client_end >= 0 && unread()) co_await sleep_for(clock, std::chrono::milliseconds(1));
    ::close(client_end);
    terminal->stream->close();
  }
  std::shared_ptr<PseudoTerminal> terminal_;
  Clock& clock_;
};

class SerialFixture {
 public:
  static constexpr Duration kLittle = std::chrono::milliseconds(20);
  SerialFixture() {
    char folder[] = "/tmp/nightbench-serial-XXXXXX";
    folder_ = ::mkdtemp(folder);
    plug_in();
  }
  ~SerialFixture() { std::filesystem::remove_all(folder_); }

  RealClock& clock() { return clock_; }
  std::unique_ptr<link::Link> link() {
    link::SerialResource resource;
    resource.path = port();
    return link::serial_link(resource, {}, clock_);
  }
  // The terminal that the link has just opened; the next connection gets a fresh one.
  Awaitable<std::shared_ptr<link::Stream>> accept() {
    auto stream = std::make_shared<PatientStream>(*std::move(next_), clock_);
    plug_in();
    co_return stream;
  }
  void go_away() { std::filesystem::remove(port()); }

 private:
  std::string port() const { return folder_ + "/port"; }
  void plug_in() {
    Result<PseudoTerminal> terminal = open_pseudo_terminal(clock_, AfterClose::ends);
    if (!terminal) throw std::runtime_error(describe(terminal.error()));
    std::filesystem::remove(port());
    std::filesystem::create_symlink(terminal->path, port());
    next_ = *std::move(terminal);
  }
  boost::asio::io_context context_;
  RealClock clock_{context_};
  std::string folder_;
  std::optional<PseudoTerminal> next_;
};

INSTANTIATE_TYPED_TEST_SUITE_P(Serial, LinkContract, SerialFixture);

TEST(SerialSettings, ReadsAndWritesTheUsualText) {
  const auto settings = link::parse_serial_settings("115200 7e2 RTSCTS crnl");
  ASSERT_TRUE(settings) << describe(settings.error());
  EXPECT_EQ(settings->baud, 115200U);
  EXPECT_EQ(settings->data_bits, 7);
  EXPECT_EQ(settings->parity, link::Parity::even);
  EXPECT_EQ(settings->stop_bits, 2);
  EXPECT_EQ(settings->flow, link::FlowControl::hardware);
  EXPECT_EQ(settings->line_end, link::LineEnd::cr_nl);
  EXPECT_EQ(describe(*settings), "115200 7E2 rtscts crnl");
  for (const char* text : {"9600 8N1", "300 5O1 xonxoff", "19200 8E1 cr"}) {
    const auto one = link::parse_serial_settings(text);
    ASSERT_TRUE(one) << text;
    EXPECT_EQ(describe(*one), text);
  }
  EXPECT_EQ(*link::parse_serial_settings("9600"), link::SerialSettings{});
}

TEST(SerialSettings, SaysWhatWasExpected) {
  for (const char* text : {"", "8N1", "fast", "9600 9N1", "9600 8X1", "9600 8N3", "9600 8N1 dtr",
                           "10", "9600.5", "99999999"}) {
    const auto settings = link::parse_serial_settings(text);
    ASSERT_FALSE(settings) << text;
    EXPECT_EQ(settings.error().kind, ErrorKind::bad_input);
    EXPECT_NE(settings.error().message.find("expected"), std::string::npos);
  }
}

TEST(SerialResource, NamesADeviceFile) {
  link::SerialResource resource;
  EXPECT_EQ(link::device_path(resource), "/dev/ttyS0");
  resource.board = 3;
  EXPECT_EQ(link::device_path(resource), "/dev/ttyS2");
  resource.path = "/dev/ttyUSB0";
  EXPECT_EQ(link::device_path(resource), "/dev/ttyUSB0");
}

class Serial : public TransportTest {
 protected:
  void SetUp() override {
    auto terminal = open_pseudo_terminal(clock_);
    ASSERT_TRUE(terminal) << describe(terminal.error());
    terminal_ = *std::move(terminal);
  }
  std::unique_ptr<link::Link> make(std::string_view settings) {
    return *link::open(terminal_.resource(), clock_, *link::parse_serial_settings(settings));
  }
  std::string heard(std::size_t count) {
    return run(read_exactly(*terminal_.stream, count, later())).value_or("nothing");
  }
  PseudoTerminal terminal_;
};

TEST_F(Serial, SetsSpeedAndFraming) {
  const auto link = make("38400 8N2");
  connect(*link);
  const int end = ::open(terminal_.path.c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
  termios settings{};
  ASSERT_EQ(::tcgetattr(end, &settings), 0);
  ::close(end);
  EXPECT_EQ(::cfgetispeed(&settings), static_cast<speed_t>(B38400));
  EXPECT_NE(settings.c_cflag & CSTOPB, 0U);
  // A pseudo-terminal has no line: the kernel allows 8 bits without parity only (tested below).
  EXPECT_EQ(settings.c_lflag & (ICANON | ECHO), 0U);
  EXPECT_EQ(settings.c_oflag & OPOST, 0U);
}

TEST_F(Serial, SaysWhatThePortDoesNotDo) {
  const auto link = make("9600 7E1");
  const auto refused = run(link->connect(later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::bad_input);
  EXPECT_NE(refused.error().message.find("does not do '9600 7E1'"), std::string::npos)
      << refused.error().message;
}

TEST_F(Serial, EndsLinesAsTheDeviceWants) {
  struct Case {
    const char* settings;
    const char* sent;
    const char* answer;
    const char* read;
  };
  for (const Case& each :
       {Case{"9600 8N1", "A?\n", "1\r\n", "1\r\n"}, Case{"9600 8N1 cr", "A?\r", "1\r", "1\n"},
        Case{"9600 8N1 crnl", "A?\r\n", "1\r\n", "1\r\n"}}) {
    const auto link = make(each.settings);
    connect(*link);
    write(*link, "A?");
    EXPECT_EQ(heard(std::string_view(each.sent).size()), each.sent) << each.settings;
    ASSERT_TRUE(run(terminal_.stream->write_all(each.answer, later())));
    const auto answer = run(read_exactly(*link, std::string_view(each.read).size(), later()));
    EXPECT_EQ(answer.value_or("nothing"), each.read) << each.settings;
  }
}

TEST_F(Serial, ASecondProgramIsRefused) {
  const auto first = make("9600");
  const auto second = make("9600");
  connect(*first);
  const auto refused = run(second->connect(later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::refused);
  EXPECT_NE(refused.error().message.find("in use"), std::string::npos);
  first->close();
  connect(*second);
}

TEST_F(Serial, ThrowsAwayWhatWasWaitingInThePort) {
  const auto first = make("9600");
  connect(*first);
  ASSERT_TRUE(run(terminal_.stream->write_all("stale\n", later())));
  first->close();
  const auto second = make("9600");
  connect(*second);
  ASSERT_TRUE(run(terminal_.stream->write_all("fresh\n", later())));
  EXPECT_EQ(run(read_exactly(*second, 6, later())).value_or("nothing"), "fresh\n");
}

TEST_F(Serial, SaysThatThereIsNoSuchPort) {
  const auto link = *link::open("ASRL/dev/nightbench-none::INSTR", clock_);
  const auto refused = run(link->connect(later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::refused);
  EXPECT_EQ(refused.error().number, ENOENT);
  EXPECT_NE(refused.error().message.find("/dev/nightbench-none"), std::string::npos);
}

TEST_F(Serial, AThousandReconnectsLeakNothing) {
  const auto link = make("9600");
  connect(*link);
  const std::size_t before = descriptors();
  for (int i = 0; i < 1000; ++i) connect(*link);
  EXPECT_EQ(descriptors(), before);
}

}  // namespace
}  // namespace nightbench::test
