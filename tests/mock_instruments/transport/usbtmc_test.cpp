// The USBTMC link against a simulated instrument in this process: message exchange, and every kind
// of trouble that the standards or real devices bring.
#include "drivers/link/usbtmc/usbtmc_link.hpp"

#include <vector>

#include "../../drivers/link/usbtmc/model_plug.hpp"
#include "drivers/scpi/session.hpp"
#include "mock_instruments/transport/usbtmc_instrument.hpp"
#include "world.hpp"

namespace nightbench::test {
namespace {
using link::UsbtmcLink;
using link::usbtmc::Request;
using mock::transport::UsbIdentity;
using mock::transport::UsbtmcFlaws;
using mock::transport::UsbtmcInstrument;

class Usbtmc : public TransportTest {
 protected:
  ~Usbtmc() override { unplug(); }

  // Puts the device on the bus; a second time, after unplug(), it is back.
  void plug(UsbtmcFlaws flaws = {}, UsbIdentity identity = {}) {
    identity_ = identity;
    instrument_ = UsbtmcInstrument::start(device_, clock_, identity, flaws);
  }
  void unplug() {
    if (instrument_) instrument_->stop();
    instrument_.reset();
    context_.poll();
  }
  std::unique_ptr<UsbtmcLink> link(link::usbtmc::Options options = {}) {
    auto plug = std::make_unique<ModelPlug>([this] { return pipes(); });
    return std::make_unique<UsbtmcLink>(model_resource(), clock_, std::move(plug), options);
  }
  std::unique_ptr<UsbtmcLink> connected(link::usbtmc::Options options = {}) {
    std::unique_ptr<UsbtmcLink> out = link(options);
    connect(*out);
    return out;
  }
  int count(Request request) { return instrument_->function().count(request); }

  std::shared_ptr<UsbtmcInstrument> instrument_;

 private:
  Result<std::shared_ptr<link::usbtmc::Pipes>> pipes() {
    if (!instrument_) return fail(ErrorKind::refused, "no such USB device");
    const std::shared_ptr<mock::transport::UsbDevice> device(instrument_, &instrument_->function());
    return std::make_shared<ModelPipes>(device, clock_, bulk_packet(identity_.speed),
                                        identity_.interrupt_pipe, nullptr);
  }
  UsbIdentity identity_;
};

std::string expected_block(std::size_t count) {
  return block(count) + '\n';
}

TEST_F(Usbtmc, AsksAndAnswers) {
  plug();
  const auto link = connected();
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  EXPECT_EQ(ask(*link, "*IDN?\n"), "Heronworks,E1,0042,1.0\n");
  write(*link, ":FREQ 1E6");
  EXPECT_EQ(ask(*link, ":FREQ?"), ":FREQ?\n");
  EXPECT_EQ(device_->taken, (std::vector<std::string>{"*IDN?", "*IDN?", ":FREQ 1E6", ":FREQ?"}));
  EXPECT_EQ(device_->interruptions, 0);
}

TEST_F(Usbtmc, CapabilitiesAreKnownAfterConnect) {
  plug();
  const auto link = connected();
  ASSERT_TRUE(link->capabilities());
  EXPECT_TRUE(link->capabilities()->is_488_2);
  EXPECT_TRUE(link->capabilities()->trigger);
}

// Around packet and padding boundaries: 488 to 516 bytes of answer, with the header 500 to 528.
TEST_F(Usbtmc, AnswersOfEveryLengthAroundAPacket) {
  for (const bool short_packet : {true, false}) {
    UsbtmcFlaws flaws;
    flaws.no_short_packet = !short_packet;
    plug(flaws);
    const auto link = connected();
    for (std::size_t n = 480; n < 520; ++n) {
      EXPECT_EQ(ask(*link, "BLOCK? " + std::to_string(n)), expected_block(n)) << n;
      EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n") << "after " << n;
    }
    unplug();
  }
}

TEST_F(Usbtmc, LargeAnswersComeInSeveralTransfers) {
  plug();
  for (const std::uint32_t most : {64U, 1000U, 65'536U, 1U << 20U}) {
    link::usbtmc::Options options;
    options.request_most = most;
    const auto link = connected(options);
    const std::size_t size = most == 64 ? 5000 : 3'000'000;
    EXPECT_EQ(ask(*link, "BLOCK? " + std::to_string(size), 1U << 20U), expected_block(size))
        << most;
    EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  }
}

TEST_F(Usbtmc, LongMessagesAreTakenWhole) {
  plug();
  const auto link = connected();
  const std::string data = ":DATA " + block(900'000);
  write(*link, data);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  ASSERT_EQ(device_->taken.size(), 2u);
  EXPECT_TRUE(device_->taken[0] == data);
}

TEST_F(Usbtmc, TooLongAMessageIsAnOverrun) {
  plug();
  const auto link = connected();
  write(*link, ":DATA " + block(2'000'000));
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  EXPECT_EQ(device_->overruns, 1);
}

// ---- what real devices do ----

TEST_F(Usbtmc, OddPaddingIsDropped) {
  UsbtmcFlaws flaws;
  flaws.no_padding = true;
  flaws.odd_padding = 7;
  plug(flaws);
  const auto link = connected();
  for (std::size_t n = 480; n < 510; ++n) {
    EXPECT_EQ(ask(*link, "BLOCK? " + std::to_string(n)), expected_block(n)) << n;
  }
}

TEST_F(Usbtmc, AHeaderInAPacketOfItsOwn) {
  UsbtmcFlaws flaws;
  flaws.header_alone = true;
  plug(flaws);
  const auto link = connected();
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  EXPECT_EQ(ask(*link, "BLOCK? 2000"), expected_block(2000));
}

TEST_F(Usbtmc, OneRequestAMessageNeedsALargeRequest) {
  UsbtmcFlaws flaws;
  flaws.one_request = true;
  plug(flaws);
  link::usbtmc::Options options;
  options.request_most = 64U << 20U;
  const auto link = connected(options);
  EXPECT_EQ(ask(*link, "BLOCK? 5000000", 1U << 20U), expected_block(5'000'000));
}

TEST_F(Usbtmc, AWrongTagIsBadDataUnlessTheQuirkSaysSo) {
  UsbtmcFlaws flaws;
  flaws.wrong_tag = true;
  plug(flaws);
  const auto strict = connected();
  write(*strict, "*IDN?");
  EXPECT_EQ(kind_of_read(*strict, later()), ErrorKind::bad_data);
  strict->close();
  link::usbtmc::Options options;
  options.check_tags = false;
  const auto tolerant = connected(options);
  EXPECT_EQ(ask(*tolerant, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, AHeaderThatPromisesTooMuchIsBadData) {
  UsbtmcFlaws flaws;
  flaws.size_error = 40;
  plug(flaws);
  const auto link = connected();
  const std::string answer = ask(*link, "*IDN?");
  EXPECT_NE(answer.find("bytes shorter than its header says"), std::string::npos) << answer;
  instrument_->function().flaws() = UsbtmcFlaws();
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, WithoutAnInterruptPipe) {
  UsbIdentity identity;
  identity.interrupt_pipe = false;
  plug({}, identity);
  const auto link = connected();
  device_->status = 0x24;
  const Result<std::uint8_t> status = run(link->status_byte(later()));
  ASSERT_TRUE(status) << describe(status.error());
  EXPECT_EQ(*status, 0x24);
}

TEST_F(Usbtmc, PlainUsbtmcHasNoStatusByte) {
  UsbIdentity identity;
  identity.usb488 = false;
  identity.interrupt_pipe = false;
  plug({}, identity);
  const auto link = connected();
  EXPECT_EQ(run(link->status_byte(later())).error().kind, ErrorKind::refused);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

// ---- time-outs ----

TEST_F(Usbtmc, AWriteAfterATimeOutAbortsTheOldRequest) {
  plug();
  const auto link = connected();
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  EXPECT_EQ(count(Request::initiate_abort_bulk_in), 0);
  write(*link, ":FREQ 1E6");
  EXPECT_EQ(count(Request::initiate_abort_bulk_in), 1);
  EXPECT_EQ(count(Request::check_abort_bulk_in_status), 1);
  device_->release();
  wait_for([&] { return device_->taken.size() == 2; });
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, ALateAnswerIsNotTakenForTheNext) {
  plug();
  const auto link = connected();
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  device_->release();
  wait_for([&] { return instrument_->function().is_quiet() && !device_->taken.empty(); });
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, AReadAfterATimeOutGoesOn) {
  plug();
  const auto link = connected();
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  device_->release();
  EXPECT_EQ(read(*link), "done\n");
  EXPECT_EQ(count(Request::initiate_abort_bulk_in), 0);
}

TEST_F(Usbtmc, AbortsWithPendingPolls) {
  UsbtmcFlaws flaws;
  flaws.pending_checks = 3;
  plug(flaws);
  const auto link = connected();
  EXPECT_EQ(count(Request::check_clear_status), 4);
  write(*link, "HANG?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  write(*link, ":X");
  EXPECT_EQ(count(Request::check_abort_bulk_in_status), 4);
}

TEST_F(Usbtmc, DevicesThatCannotAbort) {
  UsbtmcFlaws flaws;
  flaws.no_abort = true;
  plug(flaws);
  const auto link = connected();
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  device_->release();
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

// Nothing is taken while eight messages wait behind one that hangs.
TEST_F(Usbtmc, AMessageThatIsNotTakenTimesOutAndClearHelps) {
  plug();
  const auto link = connected();
  write(*link, "HANG?");
  Result<void> sent;
  for (int i = 0; i < 20 && sent; ++i) sent = run(link->write(":X " + block(40'000), soon()));
  ASSERT_FALSE(sent);
  EXPECT_EQ(sent.error().kind, ErrorKind::timeout);
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

// ---- clear ----

TEST_F(Usbtmc, ClearEndsWhatTheDeviceIsDoing) {
  plug();
  const auto link = connected();
  const int before = device_->clears;
  write(*link, "HANG?");
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(device_->clears, before + 1);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, ClearThrowsAnUnreadAnswerAway) {
  plug();
  const auto link = connected();
  write(*link, "BLOCK? 100000");
  ASSERT_TRUE(run(link->read(10, later())));
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, AnAnswerFromBeforeConnectIsNotMet) {
  plug();
  auto first = connected();
  write(*first, "BLOCK? 1000");
  wait_for([&] { return instrument_->function().has_output(); });
  first.reset();
  const auto second = connected();
  EXPECT_EQ(ask(*second, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, DevicesWithoutClearAreSaidSo) {
  UsbtmcFlaws flaws;
  flaws.no_clear = true;
  plug(flaws);
  const auto link = connected();
  const Result<void> cleared = run(link->clear(later()));
  ASSERT_FALSE(cleared);
  EXPECT_EQ(describe(cleared.error()), "the instrument knows no device clear over USB");
  EXPECT_TRUE(link->is_open());
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, NoClearAtConnectWhenTheQuirkSaysSo) {
  plug();
  link::usbtmc::Options options;
  options.clear_at_open = false;
  const auto link = connected(options);
  EXPECT_EQ(count(Request::initiate_clear), 0);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

// ---- stalls ----

TEST_F(Usbtmc, AStallOnOutIsReportedAndCleared) {
  plug();
  const auto link = connected();
  instrument_->function().halt(mock::transport::usbtmc_out);
  const Result<void> sent = run(link->write("*RST", later()));
  ASSERT_FALSE(sent);
  EXPECT_EQ(sent.error().kind, ErrorKind::bad_data);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, AStallOnInIsReportedAndCleared) {
  plug();
  const auto link = connected();
  write(*link, "BLOCK? 100000");
  ASSERT_TRUE(run(link->read(10, later())));
  instrument_->function().halt(mock::transport::usbtmc_in);
  Result<std::string> rest = run(read_message(*link, 65'536, later()));
  ASSERT_FALSE(rest);
  EXPECT_EQ(rest.error().kind, ErrorKind::bad_data);
  ASSERT_TRUE(run(link->clear(later())));
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, AStallWhileWaiting) {
  plug();
  const auto link = connected();
  write(*link, "HANG?");
  const auto pending = start(context_, link->read(10, later()));
  wait_for([&] { return device_->taken.size() == 1; });
  instrument_->function().halt(mock::transport::usbtmc_in);
  wait_for([&] { return pending->done; });
  EXPECT_EQ(pending->value->error().kind, ErrorKind::bad_data);
}

// ---- status ----

TEST_F(Usbtmc, StatusByteComesOnTheInterruptPipe) {
  plug();
  const auto link = connected();
  device_->status = 0x20;
  EXPECT_EQ(*run(link->status_byte(later())), 0x20);
  write(*link, "*IDN?");
  wait_for([&] { return instrument_->function().has_output(); });
  EXPECT_EQ(*run(link->status_byte(later())), 0x30) << "with message available";
  EXPECT_EQ(read(*link), "Heronworks,E1,0042,1.0\n") << "the answer is still there";
}

TEST_F(Usbtmc, StatusByteWhileTheDeviceIsBusy) {
  plug();
  const auto link = connected();
  write(*link, "WAIT?");
  EXPECT_EQ(kind_of_read(*link, soon()), ErrorKind::timeout);
  device_->status = 0x04;
  const Result<std::uint8_t> status = run(link->status_byte(later()));
  ASSERT_TRUE(status) << describe(status.error());
  device_->release();
  EXPECT_EQ(read(*link), "done\n");
}

TEST_F(Usbtmc, ABusyInterruptPipeIsAskedAgain) {
  UsbtmcFlaws flaws;
  flaws.busy_status = 2;
  plug(flaws);
  const auto link = connected();
  device_->status = 0x08;
  EXPECT_EQ(*run(link->status_byte(later())), 0x08);
  EXPECT_EQ(count(Request::read_status_byte), 3);
}

TEST_F(Usbtmc, AStatusByteInTheReplyInSpiteOfThePipe) {
  UsbtmcFlaws flaws;
  flaws.status_in_reply = true;
  plug(flaws);
  const auto link = connected();
  device_->status = 0x08;
  EXPECT_EQ(*run(link->status_byte(later())), 0x08);
}

TEST_F(Usbtmc, ServiceRequestsAreKeptAndDoNotDisturb) {
  plug();
  const auto link = connected();
  EXPECT_FALSE(link->take_service_request());
  device_->status = 0x20;
  instrument_->function().request_service();
  EXPECT_EQ(*run(link->status_byte(later())), 0x20);
  const std::optional<std::uint8_t> service = link->take_service_request();
  ASSERT_TRUE(service);
  EXPECT_EQ(*service, 0x60);
}

TEST_F(Usbtmc, TriggerAndRemoteControl) {
  plug();
  const auto link = connected();
  ASSERT_TRUE(run(link->trigger(later())));
  EXPECT_EQ(device_->triggers, 1);
  ASSERT_TRUE(run(link->remote(true, later())));
  ASSERT_TRUE(run(link->local_lockout(later())));
  ASSERT_TRUE(run(link->remote(false, later())));
  EXPECT_EQ(count(Request::ren_control), 1);
  EXPECT_EQ(count(Request::go_to_local), 1);
}

// IEEE 488.2, 6.3.2.3: a message before the answer was read.
TEST_F(Usbtmc, AnAnswerThatIsNotReadIsInterrupted) {
  plug();
  const auto link = connected();
  write(*link, "*IDN?");
  wait_for([&] { return instrument_->function().has_output(); });
  EXPECT_EQ(ask(*link, ":FREQ?"), ":FREQ?\n");
  EXPECT_EQ(device_->interruptions, 1);
}

// ---- unplugged ----

TEST_F(Usbtmc, UnpluggedBetweenTransfersAndBack) {
  plug();
  const auto link = connected();
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  unplug();
  const Result<void> sent = run(link->write("*IDN?", later()));
  ASSERT_FALSE(sent);
  EXPECT_EQ(sent.error().kind, ErrorKind::refused);
  EXPECT_FALSE(link->is_open());
  EXPECT_EQ(run(link->connect(later())).error().kind, ErrorKind::refused);
  plug();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
}

TEST_F(Usbtmc, UnpluggedInsideAnAnswer) {
  plug();
  const auto link = connected();
  write(*link, "BLOCK? 3000000");
  ASSERT_TRUE(run(link->read(100, later())));
  unplug();
  const Result<std::string> rest = run(read_message(*link, 65'536, later()));
  ASSERT_FALSE(rest);
  EXPECT_EQ(rest.error().kind, ErrorKind::refused);
  EXPECT_EQ(rest.error().message, "the USB device has gone");
}

TEST_F(Usbtmc, UnpluggedWhileWaiting) {
  for (const bool interrupt : {true, false}) {
    UsbIdentity identity;
    identity.interrupt_pipe = interrupt;
    plug({}, identity);
    const auto link = connected();
    write(*link, "HANG?");
    const auto pending = start(context_, link->read(10, later()));
    wait_for([&] { return !device_->taken.empty(); });
    instrument_->stop();
    wait_for([&] { return pending->done; });
    ASSERT_FALSE(*pending->value);
    EXPECT_EQ(pending->value->error().kind, ErrorKind::refused);
    EXPECT_FALSE(link->is_open());
    unplug();
    device_->taken.clear();
  }
}

TEST_F(Usbtmc, UnpluggedWhileNobodyAsksIsNoticed) {
  plug();
  const auto link = connected();
  unplug();
  wait_for([&] { return !link->is_open(); });
}

TEST_F(Usbtmc, AThousandReconnectsLeakNothing) {
  plug();
  const auto link = connected();
  const std::size_t before = descriptors();
  for (int i = 0; i < 1000; ++i) {
    connect(*link);
    ASSERT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n") << i;
  }
  EXPECT_EQ(descriptors(), before);
}

// The layer above gets back in step by itself, whatever happened below.
TEST_F(Usbtmc, ASessionHealsAfterEachTrouble) {
  plug();
  scpi::Options options;
  options.timeout = std::chrono::milliseconds(200);
  options.has_error_queue = false;
  scpi::Session session(link(), clock_, "scope", options);
  ASSERT_TRUE(run(session.open()));
  EXPECT_EQ(run(session.query("HANG?")).error().kind, ErrorKind::timeout);
  EXPECT_EQ(*run(session.query(":A?")), ":A?");
  instrument_->function().halt(mock::transport::usbtmc_out);
  EXPECT_EQ(run(session.query(":B?")).error().kind, ErrorKind::bad_data);
  EXPECT_EQ(*run(session.query(":B?")), ":B?");
  unplug();
  EXPECT_FALSE(run(session.query(":C?")));
  plug();
  EXPECT_EQ(*run(session.query(":C?")), ":C?");
}

}  // namespace
}  // namespace nightbench::test
