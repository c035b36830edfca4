// The VXI-11 server and the VXI-11 link against each other. Rules: VXI-11 revision 1.0, section B.
#include "drivers/link/vxi11/vxi11_link.hpp"
#include "mock_instruments/transport/vxi11_server.hpp"
#include "world.hpp"

namespace nightbench::test {
namespace {
using link::Vxi11Link;
using link::Vxi11Options;
using link::vxi11::DeviceError;
using link::vxi11::Procedure;
using mock::transport::Vxi11Server;
using mock::transport::Vxi11ServerOptions;

class Vxi11 : public TransportTest {
 protected:
  void start(Vxi11ServerOptions options = {}) {
    auto server = Vxi11Server::start(device_, clock_, std::move(options));
    ASSERT_TRUE(server) << describe(server.error());
    server_ = *std::move(server);
  }
  std::unique_ptr<Vxi11Link> make(Vxi11Options options = {}, std::string device = "inst0") {
    link::Vxi11Resource resource;
    resource.host = "127.0.0.1";
    resource.port = server_->core_port();
    resource.device = std::move(device);
    return std::make_unique<Vxi11Link>(resource, clock_, options);
  }
  std::unique_ptr<Vxi11Server> server_;
};

TEST_F(Vxi11, AnswersAQueryWithEnd) {
  start();
  const auto link = make();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  EXPECT_EQ(ask(*link, ":FREQ?\n"), ":FREQ?\n") << "a final NL is no part of the message";
  EXPECT_EQ(link->resource(),
            "TCPIP0::127.0.0.1," + std::to_string(server_->core_port()) + "::inst0::INSTR");
}

TEST_F(Vxi11, ReadsInSmallPiecesByReasonBits) {
  start();
  const auto link = make();
  connect(*link);
  for (std::size_t most = 1; most <= 8; ++most) EXPECT_EQ(ask(*link, "ABCDEF?", most), "ABCDEF?\n");
}

TEST_F(Vxi11, ReadsOnWhenTheServersOwnBufferFilled) {  // error 0 with reason 0
  Vxi11ServerOptions options;
  options.read_buffer = 5;
  start(options);
  const auto link = make();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Vxi11, JoinsRepliesOfManyFragments) {  // RFC 5531, clause 11
  Vxi11ServerOptions options;
  options.fragment = 3;
  start(options);
  const auto link = make();
  connect(*link);
  EXPECT_EQ(ask(*link, "BLOCK? 1000"), block(1000) + "\n");
}

TEST_F(Vxi11, CutsMessagesAtMaxRecvSize) {  // rule B.6.3
  Vxi11ServerOptions options;
  options.most_receive = 1024;
  start(options);
  const auto link = make();
  connect(*link);
  EXPECT_EQ(link->most_receive(), 1024U);
  const std::string long_query = std::string(5000, 'x') + "?";
  EXPECT_EQ(ask(*link, long_query), long_query + "\n");
  ASSERT_EQ(device_->taken.size(), 1U) << "END came with the last piece only";
}

TEST_F(Vxi11, TakesAStatedSizeOfNothingAsTheLeastAllowed) {
  Vxi11ServerOptions options;
  options.most_receive = 0;
  options.fail = [](Procedure) { return std::nullopt; };
  start(options);
  const auto link = make();
  connect(*link);
  EXPECT_EQ(link->most_receive(), 1024U);
}

TEST_F(Vxi11, TellsAnUnknownDeviceFromTooManyLinks) {
  Vxi11ServerOptions options;
  options.most_links = 1;
  start(options);
  const auto stranger = make({}, "inst7");
  const auto refused = run(stranger->connect(later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::refused);
  EXPECT_NE(refused.error().message.find("error 3"), std::string::npos) << refused.error().message;

  const auto first = make();
  connect(*first);
  const auto second = make();
  const auto full = run(second->connect(later()));
  ASSERT_FALSE(full);
  EXPECT_NE(full.error().message.find("error 9"), std::string::npos) << full.error().message;
}

TEST_F(Vxi11, DestroysItsLinkWhenClosedAndWhenDestroyed) {
  start();
  auto link = make();
  connect(*link);
  EXPECT_EQ(server_->links(), 1U);
  link->close();
  EXPECT_FALSE(link->is_open());
  wait_for([this] { return server_->links() == 0; });
  connect(*link);
  link.reset();
  wait_for([this] { return server_->links() == 0; });
}

TEST_F(Vxi11, ADeviceWithOneLinkCanBeReconnectedAtOnce) {
  Vxi11ServerOptions options;
  options.most_links = 1;
  start(options);
  const auto link = make();
  for (int i = 0; i < 20; ++i) connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Vxi11, DeviceTimeoutIsATimeoutAndTheLateAnswerCanBeRead) {
  start();
  const auto link = make();
  connect(*link);
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  device_->release();
  EXPECT_EQ(read(*link), "done\n");
}

TEST_F(Vxi11, ClearAbortsACallThatWasGivenUp) {
  start();
  // A device that takes its time-out for a suggestion: the core channel stays busy.
  const auto link = make();
  connect(*link);
  write(*link, "HANG?");
  const auto pending = nightbench::test::start(context_, link->read(10, later()));
  wait_for([this] { return !device_->taken.empty(); });
  link->close();
  wait_for([&] { return pending->done; });
  EXPECT_EQ(pending->value->error().kind, ErrorKind::cancelled);
  wait_for([this] { return server_->links() == 0; });
  connect(*link);
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Vxi11, ClearForgetsAnAnswerAndACommandUnderWay) {
  start();
  const auto link = make();
  connect(*link);
  write(*link, "OLD?");
  ASSERT_TRUE(run(link->clear(later())));
  write(*link, "HANG?");
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_GE(device_->clears, 2);
  EXPECT_EQ(ask(*link, "NEW?"), "NEW?\n");
}

TEST_F(Vxi11, StatusByteShowsWaitingOutput) {
  start();
  const auto link = make();
  connect(*link);
  device_->status = 0x04;
  EXPECT_EQ(*run(link->status_byte(later())), 0x04);
  write(*link, "A?");
  wait_for([this] { return device_->status_byte(false) == 4 && !device_->taken.empty(); });
  wait_for([&] { return *run(link->status_byte(later())) == 0x14; });
  EXPECT_EQ(read(*link), "A?\n");
  EXPECT_EQ(*run(link->status_byte(later())), 0x04);
}

TEST_F(Vxi11, NewMessageBeforeTheAnswerWasReadIsAnInterruption) {  // IEEE 488.2, 6.3.2.3
  start();
  const auto link = make();
  connect(*link);
  write(*link, "FIRST?");
  wait_for([&] { return (*run(link->status_byte(later())) & 0x10) != 0; });
  EXPECT_EQ(ask(*link, "SECOND?"), "SECOND?\n");
  EXPECT_EQ(device_->interruptions, 1);
}

TEST_F(Vxi11, ReadWithNothingAskedIsUnterminated) {  // IEEE 488.2, 6.3.2.2
  start();
  const auto link = make();
  connect(*link);
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  EXPECT_GE(device_->unterminated_reads, 1);
}

TEST_F(Vxi11, LocksKeepOthersOutUntilReleasedOrGone) {  // rules B.6.72-77
  start();
  const auto holder = make();
  const auto other = make();
  connect(*holder);
  connect(*other);
  ASSERT_TRUE(run(holder->lock(later())));
  EXPECT_TRUE(server_->locked());
  EXPECT_FALSE(run(holder->lock(soon()))) << "no nesting";
  const auto barred = run(other->write("*RST", later()));
  ASSERT_FALSE(barred);
  EXPECT_NE(barred.error().message.find("error 11"), std::string::npos) << barred.error().message;
  EXPECT_EQ(ask(*holder, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  ASSERT_TRUE(run(holder->unlock(later())));
  EXPECT_EQ(ask(*other, "*IDN?"), "Heronworks,E1,0042,1.0\n");

  ASSERT_TRUE(run(holder->lock(later())));
  holder->close();
  wait_for([this] { return !server_->locked(); });
  EXPECT_EQ(ask(*other, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Vxi11, WaitsForALockWhenToldTo) {
  start();
  const auto holder = make();
  connect(*holder);
  ASSERT_TRUE(run(holder->lock(later())));
  Vxi11Options options;
  options.wait_for_lock = std::chrono::seconds(5);
  const auto patient = make(options);
  connect(*patient);
  const auto pending = nightbench::test::start(context_, patient->write("*RST", later()));
  wait_for([this] { return server_->links() == 2; });
  EXPECT_FALSE(pending->done);
  ASSERT_TRUE(run(holder->unlock(later())));
  wait_for([&] { return pending->done; });
  EXPECT_TRUE(*pending->value);
}

TEST_F(Vxi11, LockFromTheStartGoesWithTheLink) {
  start();
  Vxi11Options options;
  options.lock = true;
  const auto link = make(options);
  connect(*link);
  EXPECT_TRUE(server_->locked());
  const auto second = make(options);
  const auto refused = run(second->connect(soon()));
  EXPECT_FALSE(refused);
  link->close();
  wait_for([this] { return !server_->locked(); });
}

TEST_F(Vxi11, TriggerRemoteAndLocal) {
  start();
  const auto link = make();
  connect(*link);
  EXPECT_TRUE(run(link->trigger(later())));
  EXPECT_EQ(device_->triggers, 1);
  EXPECT_TRUE(run(link->remote(later())));
  EXPECT_TRUE(run(link->local(later())));
}

TEST_F(Vxi11, WorksWithoutAnAbortChannel) {
  Vxi11ServerOptions options;
  options.serves_abort = false;
  start(options);
  const auto link = make();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Vxi11, LongMessagesAreThrownAwayWithMinus363) {
  Vxi11ServerOptions options;
  options.most_message = 2000;
  start(options);
  const auto link = make();
  connect(*link);
  write(*link, std::string(3000, 'x'));
  EXPECT_EQ(device_->overruns, 1);
  EXPECT_TRUE(device_->taken.empty());
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

// Every error of the standard at the n-th call, for every n: an error each time, never a hang, and
// a reconnect heals.
TEST_F(Vxi11, FailsAtEveryCallAndHealsByReconnecting) {
  int countdown = -1;
  DeviceError error = DeviceError::none;
  Vxi11ServerOptions options;
  options.fail = [&](Procedure) -> std::optional<DeviceError> {
    if (countdown < 0 || countdown-- > 0) return std::nullopt;
    return error;
  };
  start(options);
  for (const DeviceError each :
       {DeviceError::syntax, DeviceError::not_accessible, DeviceError::invalid_link,
        DeviceError::parameter, DeviceError::no_channel, DeviceError::not_supported,
        DeviceError::out_of_resources, DeviceError::locked_by_another, DeviceError::io_error,
        DeviceError::aborted}) {
    error = each;
    for (int n = 0; n < 5; ++n) {
      wait_for([this] { return server_->links() == 0; });  // the last one has said goodbye
      countdown = n;
      const auto link = make();
      Result<void> done = run(link->connect(later()));
      if (done) done = run(link->write("*IDN?", later()));
      if (done && n == 3) done = run(link->clear(later()));
      if (done && n == 4) {
        (void)run(link->write("A?", later()));
        const auto stb = run(link->status_byte(later()));
        if (!stb) done = fail(stb.error());
      }
      if (done) {
        const auto bytes = run(read_message(*link, 100, later()));
        if (!bytes) done = fail(bytes.error());
      }
      ASSERT_FALSE(done) << "error " << static_cast<int>(each) << " at call " << n;
      EXPECT_NE(done.error().kind, ErrorKind::internal);
      countdown = -1;
      connect(*link);
      EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
    }
  }
}

TEST_F(Vxi11, PowerFailureOfTheDeviceIsRefusedAndHeals) {
  start();
  const auto link = make();
  connect(*link);
  const auto pending = nightbench::test::start(context_, link->read(10, later()));
  wait_for([this] { return device_->unterminated_reads > 0; });
  server_->drop_clients();
  wait_for([&] { return pending->done; });
  EXPECT_EQ(pending->value->error().kind, ErrorKind::refused);
  EXPECT_FALSE(link->is_open());
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Vxi11, AThousandReconnectsLeakNothing) {
  Vxi11ServerOptions options;
  options.most_links = 1;
  start(options);
  const auto link = make();
  connect(*link);
  ASSERT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  const std::size_t before = descriptors();
  for (int i = 0; i < 1000; ++i) {
    connect(*link);
    ASSERT_EQ(ask(*link, "A?"), "A?\n") << i;
  }
  wait_for([&] { return descriptors() <= before; });
  EXPECT_EQ(server_->links(), 1U);
}

TEST_F(Vxi11, MovesABlockOfTenMegabytes) {
  start();
  const auto link = make();
  connect(*link);
  const std::string answer = ask(*link, "BLOCK? 10000000", std::size_t{1} << 20);
  EXPECT_TRUE(answer == block(10'000'000) + "\n") << answer.size();
}

}  // namespace
}  // namespace nightbench::test
