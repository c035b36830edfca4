// A simulated USBTMC instrument behind USB/IP, talked to as vhci does: by a client that speaks the
// wire format (Linux kernel, Documentation/usb/usbip_protocol.rst) over a stream.
#include "mock_instruments/transport/usbip_server.hpp"

#include <map>

#include "drivers/link/stream_link.hpp"
#include "drivers/link/tcp.hpp"
#include "mock_instruments/transport/usbip_message.hpp"
#include "mock_instruments/transport/usbtmc_instrument.hpp"
#include "world.hpp"

namespace nightbench::test {
namespace {
using namespace mock::transport;

// The importing side.
class Client {
 public:
  Client(std::unique_ptr<link::Stream> stream, std::uint32_t devid)
      : stream_(std::move(stream)), devid_(devid) {}

  struct Answer {
    usbip::Reply reply;
    std::string data;
  };

  Awaitable<Result<std::string>> take(std::size_t count, TimePoint deadline) {
    while (buffer_.size() < count) {
      const Result<std::string> bytes = co_await stream_->read_some(65'536, deadline);
      if (!bytes) co_return fail(bytes.error());
      buffer_ += *bytes;
    }
    std::string out = buffer_.substr(0, count);
    buffer_.erase(0, count);
    co_return out;
  }

  Awaitable<Result<std::uint32_t>> submit(usbip::Command command, std::string out,
                                          TimePoint deadline) {
    command.seqnum = ++seqnum_;
    command.devid = devid_;
    if (command.in) wants_[command.seqnum] = true;
    const std::string bytes = encode(command) + out;
    const Result<void> sent = co_await stream_->write_all(bytes, deadline);
    if (!sent) co_return fail(sent.error());
    co_return command.seqnum;
  }

  Awaitable<Result<Answer>> next(TimePoint deadline) {
    const Result<std::string> head = co_await take(usbip::urb_size, deadline);
    if (!head) co_return fail(head.error());
    const Result<usbip::Reply> reply = usbip::decode_reply(*head);
    if (!reply) co_return fail(reply.error());
    Answer answer;
    answer.reply = *reply;
    if (wants_[reply->seqnum] && reply->kind == usbip::Kind::submitted) {
      const Result<std::string> data = co_await take(reply->actual, deadline);
      if (!data) co_return fail(data.error());
      answer.data = *data;
    }
    co_return answer;
  }

  void close() { stream_->close(); }
  link::Stream& stream() { return *stream_; }

 private:
  std::unique_ptr<link::Stream> stream_;
  std::uint32_t devid_;
  std::string buffer_;
  std::uint32_t seqnum_ = 0;
  std::map<std::uint32_t, bool> wants_;
};

class Usbip : public TransportTest {
 protected:
  Usbip() {
    instrument_ = UsbtmcInstrument::start(device_, clock_);
    server_ =
        *UsbipServer::start(instrument_, instrument_->function(), instrument_->identity(), clock_);
    auto [here, there] = link::memory_streams(clock_);
    EXPECT_TRUE(server_->attach(std::move(there)));
    client_ = std::make_unique<Client>(std::move(here), server_->record().devid());
  }
  ~Usbip() override {
    server_.reset();
    instrument_->stop();
    context_.poll();
  }

  std::uint32_t submit(usbip::Command command, const std::string& out = "") {
    const Result<std::uint32_t> number = run(client_->submit(command, out, later()));
    EXPECT_TRUE(number);
    return number.value_or(0);
  }
  Client::Answer next() {
    const Result<Client::Answer> answer = run(client_->next(later()));
    EXPECT_TRUE(answer) << describe(answer.error());
    return answer.value_or(Client::Answer());
  }
  Client::Answer control(std::uint8_t type, std::uint8_t request, std::uint16_t value,
                         std::uint16_t index, std::uint16_t length) {
    link::usbtmc::Setup setup;
    setup.type = type;
    setup.request = request;
    setup.value = value;
    setup.index = index;
    setup.length = length;
    usbip::Command command;
    command.in = (type & 0x80) != 0;
    command.length = length;
    command.setup = link::usbtmc::encode(setup);
    submit(command);
    return next();
  }
  usbip::Command bulk(bool in, std::uint32_t length) {
    usbip::Command command;
    command.in = in;
    command.endpoint = in ? 2 : 1;
    command.length = length;
    return command;
  }
  void send(std::uint8_t tag, const std::string& text) {
    link::usbtmc::Header header;
    header.tag = tag;
    header.attributes = link::usbtmc::eom;
    const std::string bytes = link::usbtmc::encode(header, text);
    submit(bulk(false, static_cast<std::uint32_t>(bytes.size())), bytes);
    EXPECT_EQ(next().reply.status, 0);
  }
  void request(std::uint8_t tag, std::uint32_t most) {
    link::usbtmc::Header header;
    header.id = link::usbtmc::MsgId::request_dev_dep_msg_in;
    header.tag = tag;
    header.size = most;
    const std::string bytes = link::usbtmc::encode(header);
    submit(bulk(false, static_cast<std::uint32_t>(bytes.size())), bytes);
    EXPECT_EQ(next().reply.status, 0);
  }

  std::shared_ptr<UsbtmcInstrument> instrument_;
  std::unique_ptr<UsbipServer> server_;
  std::unique_ptr<Client> client_;
};

// As a host reads them: the first bytes, then all (USB 2.0, 9.4.3).
TEST_F(Usbip, Descriptors) {
  const Client::Answer eight = control(0x80, 6, 0x0100, 0, 8);
  EXPECT_EQ(eight.data.size(), 8u);
  EXPECT_EQ(eight.data[0], 18);
  const std::string device = control(0x80, 6, 0x0100, 0, 64).data;
  ASSERT_EQ(device.size(), 18u);
  EXPECT_EQ(device.substr(8, 4), std::string("\x09\x12\x01\x00", 4)) << "little-endian ids";
  const std::string head = control(0x80, 6, 0x0200, 0, 9).data;
  ASSERT_EQ(head.size(), 9u);
  const auto total = static_cast<std::uint16_t>(static_cast<unsigned char>(head[2]));
  EXPECT_EQ(total, 39) << "configuration 9, interface 9, three endpoints of 7";
  const std::string whole = control(0x80, 6, 0x0200, 0, total).data;
  ASSERT_EQ(whole.size(), 39u);
  EXPECT_EQ(whole.substr(14, 3), "\xFE\x03\x01");
  EXPECT_EQ(control(0x80, 6, 0x0300, 0, 255).data, std::string("\x04\x03\x09\x04"));
  const std::string serial = control(0x80, 6, 0x0303, 0x0409, 255).data;
  EXPECT_EQ(serial, std::string("\x0A\x03"
                                "0\0"
                                "0\0"
                                "4\0"
                                "2\0",
                                10));
  EXPECT_EQ(control(0x80, 6, 0x0305, 0x0409, 255).reply.status, -32) << "no such string: stall";
  EXPECT_EQ(control(0x80, 6, 0x0F00, 0, 5).reply.status, -32) << "no BOS";
  EXPECT_EQ(control(0x00, 9, 1, 0, 0).reply.status, 0) << "SET_CONFIGURATION";
  EXPECT_EQ(control(0x80, 8, 0, 0, 1).data, "\1");
}

TEST_F(Usbip, AsksAndAnswers) {
  send(1, "*IDN?\n");
  request(2, 100);
  submit(bulk(true, 512));
  const Client::Answer answer = next();
  EXPECT_EQ(answer.reply.status, 0);
  const Result<link::usbtmc::Header> header = link::usbtmc::decode_header(answer.data);
  ASSERT_TRUE(header);
  EXPECT_EQ(header->tag, 2);
  EXPECT_EQ(header->attributes, link::usbtmc::eom);
  EXPECT_EQ(answer.data.substr(12, header->size), "Heronworks,E1,0042,1.0\n");
  EXPECT_EQ(answer.data.size() % 4, 0u);
}

// An IN transfer without data is not answered: no empty packet, no error. Called off it ends once.
TEST_F(Usbip, AnInTransferWithoutDataStaysPendingUntilItIsUnlinked) {
  const std::uint32_t pending = submit(bulk(true, 512));
  usbip::Command unlink;
  unlink.kind = usbip::Kind::unlink;
  unlink.unlink = pending;
  const std::uint32_t number = submit(unlink);
  const Client::Answer answer = next();
  EXPECT_EQ(answer.reply.kind, usbip::Kind::unlinked);
  EXPECT_EQ(answer.reply.seqnum, number);
  EXPECT_EQ(answer.reply.status, -104);
  // The answer goes to the next transfer, not to the one that was called off.
  send(1, "*IDN?\n");
  request(2, 100);
  const std::uint32_t fresh = submit(bulk(true, 512));
  EXPECT_EQ(next().reply.seqnum, fresh);
}

TEST_F(Usbip, UnlinkingWhatHasEndedSaysSo) {
  send(1, "*IDN?\n");
  request(2, 100);
  const std::uint32_t ended = submit(bulk(true, 512));
  EXPECT_EQ(next().reply.seqnum, ended);
  usbip::Command unlink;
  unlink.kind = usbip::Kind::unlink;
  unlink.unlink = ended;
  submit(unlink);
  const Client::Answer answer = next();
  EXPECT_EQ(answer.reply.kind, usbip::Kind::unlinked);
  EXPECT_EQ(answer.reply.status, 0);
}

TEST_F(Usbip, AHaltedPipeStallsUntilItIsCleared) {
  instrument_->function().halt(usbtmc_in);
  for (int i = 0; i < 3; ++i) {
    submit(bulk(true, 512));
    EXPECT_EQ(next().reply.status, -32);
  }
  const std::string halted = control(0x82, 0, 0, usbtmc_in, 2).data;
  EXPECT_EQ(halted, std::string("\1\0", 2));
  EXPECT_EQ(control(0x02, 1, 0, usbtmc_in, 0).reply.status, 0);
  EXPECT_EQ(control(0x82, 0, 0, usbtmc_in, 2).data, std::string("\0\0", 2));
}

// The rules that a strict device holds hosts to (USBTMC 1.0, table 7).
TEST_F(Usbip, BadHeadersHaltTheOutPipe) {
  const std::string good = [] {
    link::usbtmc::Header header;
    header.tag = 5;
    header.attributes = link::usbtmc::eom;
    return link::usbtmc::encode(header, "*RST\n");
  }();
  std::string wrong_complement = good;
  wrong_complement[2] = 0;
  std::string unknown = good;
  unknown[0] = 99;
  const std::vector<std::string> wrong = {good.substr(0, 8), wrong_complement, unknown,
                                          good.substr(0, good.size() - 8), good + "more"};
  for (const std::string& bytes : wrong) {
    submit(bulk(false, static_cast<std::uint32_t>(bytes.size())), bytes);
    EXPECT_EQ(next().reply.status, -32);
    EXPECT_EQ(control(0x02, 1, 0, usbtmc_out, 0).reply.status, 0);
    // A fresh tag each time.
    EXPECT_EQ(control(0x00, 9, 1, 0, 0).reply.status, 0);
  }
  EXPECT_TRUE(device_->taken.empty());
}

TEST_F(Usbip, AShortReadIsAnErrorWhereTheHostSaysSo) {
  send(1, "*IDN?\n");
  request(2, 100);
  usbip::Command command = bulk(true, 512);
  command.flags = usbip::short_not_ok;
  submit(command);
  const Client::Answer answer = next();
  EXPECT_EQ(answer.reply.status, -121);
  EXPECT_GT(answer.reply.actual, 0u);
}

TEST_F(Usbip, ALostConnectionLeavesTheDeviceForTheNextHost) {
  submit(bulk(true, 512));
  client_->close();
  wait_for([&] { return !server_->is_attached(); });
  auto [here, there] = link::memory_streams(clock_);
  ASSERT_TRUE(server_->attach(std::move(there)));
  client_ = std::make_unique<Client>(std::move(here), server_->record().devid());
  send(1, "*IDN?\n");
  request(2, 100);
  submit(bulk(true, 512));
  EXPECT_EQ(next().reply.status, 0);
}

TEST_F(Usbip, AnotherDeviceNumberEndsTheConnection) {
  auto [here, there] = link::memory_streams(clock_);
  EXPECT_FALSE(server_->attach(std::move(there))) << "one host at a time";
  server_->detach();
  wait_for([&] { return !server_->is_attached(); });
  auto [mine, its] = link::memory_streams(clock_);
  ASSERT_TRUE(server_->attach(std::move(its)));
  Client wrong(std::move(mine), 0x00090009);
  ASSERT_TRUE(run(wrong.submit(bulk(true, 512), "", later())));
  EXPECT_EQ(run(wrong.next(later())).error().kind, ErrorKind::refused);
}

// The port: list and import (operations before the transfers).
TEST_F(Usbip, ListAndImport) {
  server_->detach();
  wait_for([&] { return !server_->is_attached(); });
  const auto dial = [&] {
    const auto connector = link::tcp_connector("127.0.0.1", server_->port(), clock_);
    return *run(connector->connect(later()));
  };
  Client list(dial(), 0);
  usbip::OperationHeader header;
  ASSERT_TRUE(run(list.stream().write_all(encode(header), later())));
  const Result<std::string> reply = run(list.take(12 + 312 + 4, later()));
  ASSERT_TRUE(reply) << describe(reply.error());
  EXPECT_EQ(usbip::decode_operation(*reply)->code, usbip::Operation::reply_list);
  const Result<usbip::DeviceRecord> record = usbip::decode_record(reply->substr(12));
  ASSERT_TRUE(record);
  EXPECT_EQ(*record, server_->record());
  EXPECT_EQ(reply->substr(12 + 312), std::string("\xFE\x03\x01\x00", 4));

  const auto import = [&](Client& client, const std::string& busid) -> std::uint32_t {
    usbip::OperationHeader request;
    request.code = usbip::Operation::request_import;
    const std::string bytes = encode(request) + usbip::encode_busid(busid);
    EXPECT_TRUE(run(client.stream().write_all(bytes, later())));
    const Result<std::string> answer = run(client.take(8, later()));
    return answer ? usbip::decode_operation(*answer)->status : 99;
  };
  Client nowhere(dial(), 0);
  EXPECT_EQ(import(nowhere, "3-4"), usbip::op_no_device);
  client_ = std::make_unique<Client>(dial(), record->devid());
  EXPECT_EQ(import(*client_, "1-1"), usbip::op_ok);
  ASSERT_TRUE(run(client_->take(312, later())));
  wait_for([&] { return server_->is_attached(); });
  Client second(dial(), 0);
  EXPECT_EQ(import(second, "1-1"), usbip::op_busy);
  EXPECT_EQ(control(0x80, 6, 0x0100, 0, 18).data.size(), 18u);
}

TEST(UsbipMessage, GoThereAndBack) {
  usbip::Command command;
  command.seqnum = 0x01020304;
  command.devid = 0x00010002;
  command.in = true;
  command.endpoint = 2;
  command.flags = 1;
  command.length = 4096;
  command.setup = {1, 2, 3, 4, 5, 6, 7, 8};
  const std::string bytes = encode(command);
  ASSERT_EQ(bytes.size(), usbip::urb_size);
  EXPECT_EQ(bytes.substr(0, 8), std::string("\0\0\0\1\1\2\3\4", 8)) << "big-endian";
  EXPECT_EQ(*usbip::decode_command(bytes), command);
  usbip::Reply reply;
  reply.seqnum = 7;
  reply.status = -32;
  reply.actual = 9;
  EXPECT_EQ(*usbip::decode_reply(encode(reply)), reply);
  std::string wrong = bytes;
  wrong[3] = 9;
  EXPECT_FALSE(usbip::decode_command(wrong));
  EXPECT_FALSE(usbip::decode_command(bytes.substr(0, 47)));
  EXPECT_FALSE(usbip::decode_operation(std::string("\0\1\x80\5\0\0\0\0", 8))) << "other version";
}

}  // namespace
}  // namespace nightbench::test
