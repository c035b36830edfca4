// The HiSLIP server and the HiSLIP link against each other. Rules: IVI-6.1, by clause.
#include "drivers/link/hislip/hislip_link.hpp"
#include "mock_instruments/transport/hislip_server.hpp"
#include "world.hpp"

namespace nightbench::test {
namespace {
using link::HislipLink;
using link::HislipOptions;
using mock::transport::HislipServer;
using mock::transport::HislipServerOptions;

class Hislip : public TransportTest {
 protected:
  void start(HislipServerOptions options = {}) {
    auto server = HislipServer::start(device_, clock_, std::move(options));
    ASSERT_TRUE(server) << describe(server.error());
    server_ = *std::move(server);
  }
  std::unique_ptr<HislipLink> make(HislipOptions options = {}, std::string device = "hislip0") {
    link::HislipResource resource;
    resource.host = "127.0.0.1";
    resource.port = server_->port();
    resource.device = std::move(device);
    return std::make_unique<HislipLink>(resource, clock_, options);
  }
  std::unique_ptr<HislipServer> server_;
};

TEST_F(Hislip, AnswersAQueryWithEnd) {
  start();
  const auto link = make();
  connect(*link);
  EXPECT_FALSE(link->overlap());
  EXPECT_EQ(link->version(), 0x0200);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  EXPECT_EQ(ask(*link, ":FREQ?\n"), ":FREQ?\n");
  EXPECT_EQ(device_->interruptions, 0) << "RMT-delivered was set once after each answer (3.1)";
}

TEST_F(Hislip, TheLowerRevisionCounts) {  // clause 6.1
  HislipServerOptions options;
  options.version = 0x0100;
  start(options);
  const auto link = make();
  connect(*link);
  EXPECT_EQ(link->version(), 0x0100);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Hislip, ReadsInSmallPieces) {
  HislipServerOptions options;
  options.piece = 3;
  start(options);
  const auto link = make();
  connect(*link);
  for (std::size_t most = 1; most <= 8; ++most) EXPECT_EQ(ask(*link, "ABCDEF?", most), "ABCDEF?\n");
  EXPECT_EQ(device_->interruptions, 0);
}

TEST_F(Hislip, TakesDataOfAnyId) {  // 3.1.2: Data may carry 0xFFFFFFFF
  HislipServerOptions options;
  options.piece = 4;
  options.answers_any_id = true;
  start(options);
  const auto link = make();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Hislip, CutsMessagesAtTheServersMaximum) {
  HislipServerOptions options;
  options.most_message = 256;
  start(options);
  const auto link = make();
  connect(*link);
  EXPECT_EQ(link->server_most_message(), 256U);
  const std::string long_query = std::string(5000, 'x') + "?";
  EXPECT_EQ(ask(*link, long_query), long_query + "\n");
  EXPECT_EQ(device_->taken.size(), 1U);
}

TEST_F(Hislip, OurMaximumHoldsForTheServer) {
  start();
  HislipOptions options;
  options.most_message = 64;  // 48 bytes a piece
  const auto link = make(options);
  connect(*link);
  EXPECT_EQ(ask(*link, "BLOCK? 1000"), block(1000) + "\n");
}

TEST_F(Hislip, UnreadAnswerIsDroppedAndCountsAsInterrupted) {  // 3.1, synchronised mode
  start();
  const auto link = make();
  connect(*link);
  write(*link, "FIRST?");
  wait_for([&] { return (*run(link->status_byte(later())) & 0x10) != 0; });
  EXPECT_EQ(ask(*link, "SECOND?"), "SECOND?\n");
  EXPECT_EQ(device_->interruptions, 1);
  EXPECT_EQ(ask(*link, "THIRD?"), "THIRD?\n");
  EXPECT_EQ(device_->interruptions, 1);
}

TEST_F(Hislip, PartlyReadAnswerIsDroppedToo) {
  HislipServerOptions options;
  options.piece = 100;
  start(options);
  const auto link = make();
  connect(*link);
  write(*link, "BLOCK? 100000");
  ASSERT_TRUE(run(link->read(50, later())));
  EXPECT_EQ(ask(*link, "SECOND?"), "SECOND?\n");
  EXPECT_EQ(device_->interruptions, 1);
}

TEST_F(Hislip, NewInputBeforeTheAnswerGivesBothInterruptedMessages) {
  start();
  const auto link = make();
  connect(*link);
  write(*link, "WAIT?");
  wait_for([this] { return !device_->taken.empty(); });
  write(*link, "SECOND?");
  // What is in the server's socket is read within a turn of the event loop.
  wait_for([turns = 0]() mutable { return ++turns > 5; });
  device_->release();
  EXPECT_EQ(read(*link), "SECOND?\n") << "AsyncInterrupted and Interrupted were paired";
  EXPECT_EQ(device_->interruptions, 1);
  EXPECT_EQ(ask(*link, "THIRD?"), "THIRD?\n");
  EXPECT_EQ(device_->interruptions, 1);
}

TEST_F(Hislip, OverlapModeKeepsEveryAnswer) {  // clause 3.2
  HislipServerOptions options;
  options.prefer_overlap = true;
  start(options);
  const auto link = make();
  connect(*link);
  EXPECT_TRUE(link->overlap());
  write(*link, "FIRST?");
  write(*link, "SECOND?");
  write(*link, "THIRD?");
  EXPECT_EQ(read(*link), "FIRST?\n");
  EXPECT_EQ(read(*link), "SECOND?\n");
  EXPECT_EQ(read(*link), "THIRD?\n");
  EXPECT_EQ(device_->interruptions, 0);
}

TEST_F(Hislip, TheClientMayAskForTheOtherMode) {  // clause 6.12: by device clear
  start();
  HislipOptions options;
  options.overlap = true;
  const auto link = make(options);
  connect(*link);
  EXPECT_TRUE(link->overlap());
  write(*link, "FIRST?");
  write(*link, "SECOND?");
  EXPECT_EQ(read(*link), "FIRST?\n");
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_TRUE(link->overlap());
  EXPECT_EQ(ask(*link, "THIRD?"), "THIRD?\n");
}

TEST_F(Hislip, StatusByteWorksWhileTheDeviceIsBusy) {
  start();
  const auto link = make();
  connect(*link);
  device_->status = 0x04;
  EXPECT_EQ(*run(link->status_byte(later())), 0x04);
  write(*link, "HANG?");
  wait_for([this] { return !device_->taken.empty(); });
  EXPECT_EQ(*run(link->status_byte(later())), 0x04);
  ASSERT_TRUE(run(link->clear(later())));
}

TEST_F(Hislip, MessageAvailableFollowsTheAnswer) {  // clause 6.14.1
  start();
  const auto link = make();
  connect(*link);
  write(*link, "A?");
  wait_for([&] { return (*run(link->status_byte(later())) & 0x10) != 0; });
  EXPECT_EQ(read(*link), "A?\n");
  EXPECT_EQ(*run(link->status_byte(later())) & 0x10, 0);
  EXPECT_EQ(ask(*link, "B?"), "B?\n");
  EXPECT_EQ(device_->interruptions, 0) << "RMT-delivered went out with the status query only";
}

TEST_F(Hislip, ClearForgetsAnswersAndCommandsUnderWay) {  // clause 6.12
  start();
  const auto link = make();
  connect(*link);
  write(*link, "BLOCK? 5000000");  // more than fits into the sockets: the server is sending
  wait_for([this] { return !device_->taken.empty(); });
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "NEW?"), "NEW?\n");
  write(*link, "HANG?");
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "NEWER?"), "NEWER?\n");
  EXPECT_EQ(device_->interruptions, 0);
}

TEST_F(Hislip, ClearInTheMiddleOfAnAnswer) {
  start();
  const auto link = make();
  connect(*link);
  write(*link, "BLOCK? 3000000");
  ASSERT_TRUE(run(link->read(1000, later())));
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "NEW?"), "NEW?\n");
}

TEST_F(Hislip, TimeoutThenTheLateAnswerOrAClear) {
  start();
  const auto link = make();
  connect(*link);
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  device_->release();
  EXPECT_EQ(read(*link), "done\n");
  write(*link, "HANG?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Hislip, ServiceRequestsAreSeenWithoutAQuery) {  // clause 6.13
  start();
  const auto link = make();
  connect(*link);
  EXPECT_FALSE(link->take_service_request());
  device_->status = 0x20;
  server_->request_service();
  std::optional<std::uint8_t> seen;
  wait_for([&] { return (seen = link->take_service_request()).has_value(); });
  EXPECT_EQ(*seen, 0x60);
}

TEST_F(Hislip, ExclusiveLockHoldsOthersUp) {  // clause 6.5
  start();
  const auto holder = make();
  const auto other = make();
  connect(*holder);
  connect(*other);
  ASSERT_TRUE(run(holder->lock("", later())));
  const auto nested = run(holder->lock("", later()));
  ASSERT_FALSE(nested);
  EXPECT_EQ(nested.error().kind, ErrorKind::refused);
  const auto barred = run(other->lock("", soon()));
  ASSERT_FALSE(barred);
  EXPECT_EQ(barred.error().kind, ErrorKind::timeout);
  write(*other, "LATER?");
  EXPECT_EQ(ask(*holder, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  EXPECT_EQ(kind_of_read(*other, soon()), ErrorKind::timeout) << "its message waits";
  ASSERT_TRUE(run(holder->unlock(later())));
  EXPECT_EQ(read(*other), "LATER?\n");
  EXPECT_FALSE(run(holder->unlock(later())));
}

TEST_F(Hislip, SharedLocksAndTheEndOfALock) {
  start();
  const auto one = make();
  const auto two = make();
  const auto three = make();
  connect(*one);
  connect(*two);
  connect(*three);
  ASSERT_TRUE(run(one->lock("night", later())));
  ASSERT_TRUE(run(two->lock("night", later())));
  EXPECT_FALSE(run(three->lock("day", soon())));
  EXPECT_EQ(ask(*two, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  one->close();
  ASSERT_TRUE(run(two->unlock(later())));
  EXPECT_TRUE(run(three->lock("day", later()))) << "locks end with the connection (2.6)";
}

TEST_F(Hislip, TriggerKeepsItsPlaceAmongMessages) {
  start();
  const auto link = make();
  connect(*link);
  ASSERT_TRUE(run(link->trigger(later())));
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  EXPECT_EQ(device_->triggers, 1);
  ASSERT_TRUE(run(link->remote_local(5, later())));
  EXPECT_EQ(run(link->remote_local(9, later())).error().kind, ErrorKind::refused);
}

TEST_F(Hislip, SaysWhyItWasTurnedAway) {  // fatal errors, table 14
  HislipServerOptions options;
  options.most_sessions = 1;
  start(options);
  const auto stranger = make({}, "hislip7");
  auto refused = run(stranger->connect(later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::refused);
  EXPECT_NE(refused.error().message.find("no such sub-address"), std::string::npos)
      << refused.error().message;
  const auto first = make();
  connect(*first);
  const auto second = make();
  refused = run(second->connect(later()));
  ASSERT_FALSE(refused);
  EXPECT_NE(refused.error().message.find("too many clients"), std::string::npos)
      << refused.error().message;
}

TEST_F(Hislip, EncryptionIsRefusedInWords) {
  HislipServerOptions options;
  options.demand_encryption = true;
  start(options);
  const auto link = make();
  const auto refused = run(link->connect(later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::refused);
  EXPECT_NE(refused.error().message.find("encrypted"), std::string::npos);
}

TEST_F(Hislip, FatalErrorEndsAPendingRead) {
  start();
  const auto link = make();
  connect(*link);
  const auto pending = nightbench::test::start(context_, link->read(10, later()));
  server_->fail_clients(129, "fan stopped");
  wait_for([&] { return pending->done; });
  ASSERT_FALSE(*pending->value);
  EXPECT_EQ(pending->value->error().kind, ErrorKind::refused);
  EXPECT_NE(pending->value->error().message.find("fan stopped"), std::string::npos)
      << pending->value->error().message;
  EXPECT_FALSE(link->is_open());
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Hislip, AThousandReconnectsLeakNothing) {
  HislipServerOptions options;
  options.most_sessions = 4;
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
  wait_for([this] { return server_->sessions() == 1; });
}

TEST_F(Hislip, MovesABlockOfTenMegabytes) {
  start();
  const auto link = make();
  connect(*link);
  const std::string answer = ask(*link, "BLOCK? 10000000", std::size_t{1} << 20);
  EXPECT_TRUE(answer == block(10'000'000) + "\n") << answer.size();
}

}  // namespace
}  // namespace nightbench::test
