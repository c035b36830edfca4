// USB for real: run by tests/usb/run inside a virtual machine whose kernel has USB. The simulated
// instrument is plugged into Linux's virtual host controller; what is checked here are the kernel's
// own USBTMC driver as a judge of the simulated side, and our link through libusb.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <filesystem>

#include "../mock_instruments/transport/world.hpp"
#include "device_process.hpp"
#include "drivers/link/open.hpp"
#include "drivers/link/usbtmc/libusb_plug.hpp"
#include "drivers/link/usbtmc/message.hpp"

namespace nightbench::test {
namespace {
using link::usbtmc::Request;

DeviceProcess* process = nullptr;
const char* const name = "USB0::0x1209::0x0001::0042::INSTR";
const char* const identity = "Heronworks,E1,0042,1.0\n";
const char* const kernel_node = "/dev/usbtmc0";

class Guest : public TransportTest {
 protected:
  void SetUp() override { plug(); }
  void TearDown() override {
    tell("unplug");
    wait_for([] { return !std::filesystem::exists(kernel_node); });
  }

  static std::string tell(const std::string& command) { return process->tell(command); }
  // Until the kernel has made its driver's device file, the last thing it does.
  void plug() {
    ASSERT_EQ(tell("plug"), "ok");
    wait_for([] { return std::filesystem::exists(kernel_node); });
  }
  void unplug() { ASSERT_EQ(tell("unplug"), "ok"); }
  static int count(Request request) {
    return std::stoi(tell("count " + std::to_string(static_cast<int>(request))));
  }
  std::unique_ptr<link::Link> connected() {
    auto link = *link::open(name, clock_);
    connect(*link);
    return link;
  }
  // Until what was asked has reached the device.
  void wait_for_messages(int number) {
    wait_for([&] { return std::stoi(tell("taken")) >= number; });
  }
  template <typename T>
  static ErrorKind kind(const Result<T>& result) {
    return result ? ErrorKind::internal : result.error().kind;
  }
  static std::size_t threads() {
    const std::filesystem::directory_iterator all("/proc/self/task");
    return static_cast<std::size_t>(std::distance(begin(all), end(all)));
  }
};

// ---- the kernel's driver judges the simulated instrument ----

std::string ask_kernel(const std::string& query, std::size_t most) {
  const int file = ::open(kernel_node, O_RDWR);
  if (file < 0) return "error: cannot be opened";
  std::string answer;
  if (::write(file, query.data(), query.size()) == static_cast<ssize_t>(query.size())) {
    answer.resize(most);
    const ssize_t count = ::read(file, answer.data(), answer.size());
    answer.resize(count < 0 ? 0 : static_cast<std::size_t>(count));
  }
  ::close(file);
  return answer;
}

TEST_F(Guest, KernelDriverReadsTheIdentity) {
  EXPECT_EQ(ask_kernel("*IDN?\n", 1000), identity);
}

TEST_F(Guest, KernelDriverReadsAMegabyte) {
  const std::string answer = ask_kernel("BLOCK? 1000000\n", 1'100'000);
  EXPECT_EQ(answer.size(), 1'000'010U);
  EXPECT_TRUE(answer == block(1'000'000) + '\n');
  EXPECT_EQ(ask_kernel("*IDN?\n", 1000), identity);
}

// Around the ends of packets, where empty packets and padding are.
TEST_F(Guest, KernelDriverReadsAnswersOfEveryLengthAroundAPacket) {
  for (std::size_t n = 488; n < 512; ++n) {
    EXPECT_TRUE(ask_kernel("BLOCK? " + std::to_string(n) + "\n", 1000) == block(n) + '\n') << n;
  }
}

// ---- our link ----

TEST_F(Guest, TakesOverFromTheKernelDriverAndGivesBack) {
  EXPECT_EQ(ask_kernel("*IDN?\n", 1000), identity);
  const auto link = connected();
  EXPECT_FALSE(std::filesystem::exists(kernel_node)) << "detached";
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
  link->close();
  wait_for([] { return std::filesystem::exists(kernel_node); });
  EXPECT_EQ(ask_kernel("*IDN?\n", 1000), identity);
}

TEST_F(Guest, BlocksAndLongMessages) {
  const auto link = connected();
  for (const std::size_t size :
       {std::size_t{498}, std::size_t{1'000'000}, std::size_t{4'000'000}}) {
    const TimePoint start = clock_.now();
    const std::string answer = ask(*link, "BLOCK? " + std::to_string(size), 1U << 20U);
    EXPECT_TRUE(answer == block(size) + '\n') << size;
    std::printf("%zu bytes in %.3f s\n", size, seconds(clock_.now() - start));
  }
  write(*link, ":DATA " + block(500'000));
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
}

TEST_F(Guest, StatusByteAndClear) {
  const auto link = connected();
  tell("status 36");
  const Result<std::uint8_t> status = run(link->status_byte(later()));
  ASSERT_TRUE(status) << describe(status.error());
  EXPECT_EQ(*status, 36);
  tell("checks 3");
  const int before = count(Request::check_clear_status);
  write(*link, "HANG?");
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(count(Request::check_clear_status), before + 4) << "polled while pending";
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
}

TEST_F(Guest, StallsOnEitherPipe) {
  const auto link = connected();
  tell("halt out");
  EXPECT_EQ(kind(run(link->write("*RST", later()))), ErrorKind::bad_data);
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
  tell("halt in");
  write(*link, "*IDN?");
  EXPECT_EQ(kind(run(link->read(100, later()))), ErrorKind::bad_data);
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
}

TEST_F(Guest, TimeOutAndAbort) {
  const auto link = connected();
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, clock_.now() + std::chrono::milliseconds(200)), ErrorKind::timeout);
  write(*link, ":FREQ 1E6");
  EXPECT_EQ(count(Request::initiate_abort_bulk_in), 1);
  EXPECT_EQ(count(Request::check_abort_bulk_in_status), 1);
  tell("release");
  wait_for_messages(2);
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
}

TEST_F(Guest, AReadGoesOnAfterATimeOut) {
  const auto link = connected();
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, clock_.now() + std::chrono::milliseconds(200)), ErrorKind::timeout);
  tell("release");
  EXPECT_EQ(read(*link), "done\n");
}

TEST_F(Guest, UnpluggedBetweenTransfersAndBack) {
  const auto link = connected();
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
  unplug();
  // Noticed by the interrupt pipe, or by the message.
  EXPECT_EQ(kind(run(link->write("*IDN?", later()))), ErrorKind::refused);
  EXPECT_EQ(kind(run(link->connect(later()))), ErrorKind::refused) << "nobody there";
  plug();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
}

TEST_F(Guest, UnpluggedInsideAnAnswer) {
  const auto link = connected();
  write(*link, "BLOCK? 4000000");
  ASSERT_TRUE(run(link->read(100, later())));
  unplug();
  const Result<std::string> rest = run(read_message(*link, 65'536, later()));
  ASSERT_FALSE(rest);
  EXPECT_EQ(rest.error().kind, ErrorKind::refused) << describe(rest.error());
  plug();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
}

TEST_F(Guest, UnpluggedWhileWaiting) {
  const auto link = connected();
  write(*link, "HANG?");
  const auto pending = start(context_, link->read(10, later()));
  wait_for_messages(1);
  unplug();
  wait_for([&] { return pending->done; });
  ASSERT_FALSE(*pending->value);
  EXPECT_EQ(pending->value->error().kind, ErrorKind::refused) << describe(pending->value->error());
  EXPECT_FALSE(link->is_open());
  plug();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
}

TEST_F(Guest, PluggedInLate) {
  unplug();
  wait_for([] { return !std::filesystem::exists(kernel_node); });
  const auto link = *link::open(name, clock_);
  const Result<void> nobody = run(link->connect(later()));
  ASSERT_FALSE(nobody);
  EXPECT_EQ(describe(nobody.error()),
            "no USB device 0x1209:0x0001 with the serial number '0042' is there");
  plug();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
}

TEST_F(Guest, ReconnectsLeakNothing) {
  const auto link = connected();
  const std::size_t files = descriptors();
  const std::size_t before = threads();
  for (int i = 0; i < 15; ++i) {
    connect(*link);
    ASSERT_EQ(ask(*link, "*IDN?"), identity) << i;
  }
  EXPECT_EQ(descriptors(), files);
  EXPECT_EQ(threads(), before);
  link->close();
  wait_for([] { return std::filesystem::exists(kernel_node); });
}

// ---- finding, and permission ----

TEST_F(Guest, IsFoundByItsClass) {
  const auto found = link::usbtmc::list_usb_instruments();
  ASSERT_TRUE(found) << describe(found.error());
  ASSERT_EQ(found->size(), 1U);
  EXPECT_EQ(link::normalised(link::Resource(found->front().resource)), name);
  EXPECT_EQ(found->front().text, "Heronworks E1");
  EXPECT_EQ(found->front().trouble, "");
  // By its place on the bus as well.
  link::UsbResource by_place = found->front().resource;
  by_place.serial = '@' + found->front().place;
  const auto link = *link::open(link::Resource(by_place), clock_);
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), identity);
}

TEST_F(Guest, AnotherSerialNumberIsSaidSo) {
  const auto link = *link::open("USB::0x1209::0x0001::7::INSTR", clock_);
  EXPECT_EQ(describe(run(link->connect(later())).error()),
            "no USB device 0x1209:0x0001 with the serial number '7' is there, only '0042'");
}

// As somebody who is not root, without the udev rule.
TEST_F(Guest, MissingPermissionIsExplained) {
  const ::pid_t child = ::fork();
  if (child == 0) {
    constexpr ::uid_t nobody = 65'534;
    if (::setgid(nobody) != 0 || ::setuid(nobody) != 0) ::_exit(2);
    boost::asio::io_context context;
    RealClock clock(context);
    const auto link = *link::open(name, clock);
    const Result<void> refused =
        nightbench::test::run(clock, link->connect(clock.now() + std::chrono::seconds(10)));
    const bool explained =
        !refused && refused.error().kind == ErrorKind::refused &&
        refused.error().message.starts_with(
            "no permission to use the USB device 0x1209:0x0001 (/dev/bus/usb/001/") &&
        refused.error().message.find("install the udev rule") != std::string::npos;
    ::_exit(explained ? 0 : 1);
  }
  int status = -1;
  ASSERT_EQ(::waitpid(child, &status, 0), child);
  EXPECT_EQ(WEXITSTATUS(status), 0);
}

}  // namespace
}  // namespace nightbench::test

int main(int count, char** arguments) {
  testing::InitGoogleTest(&count, arguments);
  nightbench::test::DeviceProcess devices;
  nightbench::test::process = &devices;
  return RUN_ALL_TESTS();
}
