// Discovery against simulated responders on loopback: both searches, *IDN?, and one entry a device.
#include "drivers/discovery/discovery.hpp"

#include "../../mock_instruments/transport/world.hpp"
#include "mock_instruments/transport/hislip_server.hpp"
#include "mock_instruments/transport/mdns_responder.hpp"
#include "mock_instruments/transport/port_mapper.hpp"
#include "mock_instruments/transport/vxi11_server.hpp"

namespace nightbench::test {
namespace {
using namespace mock::transport;
using discovery::Found;

class Discovery : public TransportTest {
 protected:
  void announce(std::vector<Announcement> list, MdnsResponderOptions options = {}) {
    options.address = "127.0.0.1";
    options.port = 0;
    auto responder = MdnsResponder::start(clock_, std::move(list), std::move(options));
    ASSERT_TRUE(responder) << describe(responder.error());
    responder_ = *std::move(responder);
  }
  discovery::MdnsOptions mdns() const {
    discovery::MdnsOptions options;
    options.address = "127.0.0.1";
    options.port = responder_->port();
    options.interfaces = {"127.0.0.1"};
    options.listen = std::chrono::milliseconds(150);
    options.repeat = std::chrono::milliseconds(50);
    return options;
  }
  static Announcement hislip(std::uint16_t port, std::string name = "Echo (lab. 2)") {
    Announcement out;
    out.type = "_hislip._tcp";
    out.instance = std::move(name);
    out.port = port;
    out.text = {{"txtvers", "1"},
                {"Manufacturer", "Heronworks"},
                {"Model", "E1"},
                {"SerialNumber", "0042"},
                {"FirmwareVersion", "1.0"}};
    return out;
  }
  std::unique_ptr<MdnsResponder> responder_;
};

TEST_F(Discovery, FindsAnAnnouncedService) {
  announce({hislip(4881)});
  const auto services = run(discovery::find_services(mdns(), clock_));
  ASSERT_TRUE(services) << describe(services.error());
  ASSERT_EQ(services->size(), 1U);
  const discovery::Service& one = services->front();
  EXPECT_EQ(one.type, "_hislip._tcp");
  EXPECT_EQ(one.instance, "Echo (lab. 2)");
  EXPECT_EQ(one.address, "127.0.0.1");
  EXPECT_EQ(one.port, 4881);
  EXPECT_EQ(one.maker, "Heronworks");
  EXPECT_EQ(one.serial, "0042");
}

TEST_F(Discovery, AsksForWhatTheFirstAnswerLeavesOut) {
  MdnsResponderOptions options;
  options.additional_records = false;
  options.compress = false;
  announce({hislip(4881)}, options);
  const auto services = run(discovery::find_services(mdns(), clock_));
  ASSERT_TRUE(services);
  ASSERT_EQ(services->size(), 1U);
  EXPECT_EQ(services->front().port, 4881);
  EXPECT_EQ(services->front().model, "E1");
}

TEST_F(Discovery, NobodyThereIsAnEmptyList) {
  announce({});
  const auto services = run(discovery::find_services(mdns(), clock_));
  ASSERT_TRUE(services);
  EXPECT_TRUE(services->empty());
}

TEST_F(Discovery, BroadcastCollectsEveryHostOnceAndDropsPortZero) {
  auto with = PortMapper::start(clock_, "127.0.0.1", 0, {core_mapping(1234)});
  ASSERT_TRUE(with) << describe(with.error());
  const std::uint16_t port = (*with)->port();
  auto without = PortMapper::start(clock_, "127.0.0.2", port, {});
  ASSERT_TRUE(without) << describe(without.error());
  discovery::BroadcastOptions options;
  options.targets = {"127.0.0.1", "127.0.0.1", "127.0.0.2"};
  options.interfaces = {"127.0.0.1"};
  options.port = port;
  options.listen = std::chrono::milliseconds(100);
  const auto hosts = run(discovery::find_vxi11(options, clock_));
  ASSERT_TRUE(hosts) << describe(hosts.error());
  EXPECT_EQ(*hosts, (std::vector<discovery::Vxi11Host>{{"127.0.0.1", 1234}}));
  EXPECT_EQ((*with)->queries(), 2U);
  EXPECT_EQ((*without)->queries(), 1U);
}

TEST_F(Discovery, OneDeviceInTwoWaysIsOneEntryByItsAnswer) {
  const auto server = HislipServer::start(device_, clock_);
  ASSERT_TRUE(server);
  const auto vxi11 = Vxi11Server::start(device_, clock_);
  ASSERT_TRUE(vxi11);
  announce({hislip((*server)->port()), hislip(1, "nobody behind it")});
  discovery::FindOptions options;
  options.mdns = mdns();
  options.use_broadcast = false;
  const std::string core = std::to_string((*vxi11)->core_port());
  options.others = [core] {
    discovery::Candidate other;
    other.resource = "TCPIP0::127.0.0.1," + core + "::inst0::INSTR";
    other.source = "usb";
    return std::vector<discovery::Candidate>{other};
  };
  const discovery::FindResult result = run(discovery::find(options, clock_));
  ASSERT_EQ(result.found.size(), 1U);
  const Found& found = result.found.front();
  EXPECT_EQ(found.identity.model, "E1");
  EXPECT_EQ(found.resource,
            "TCPIP0::127.0.0.1::hislip0," + std::to_string((*server)->port()) + "::INSTR");
  EXPECT_EQ(found.also, std::vector<std::string>{"TCPIP0::127.0.0.1," + core + "::inst0::INSTR"});
  EXPECT_EQ(found.sources, (std::vector<std::string>{"mdns", "usb"}));
  EXPECT_EQ(found.name, "Echo (lab. 2)");
  ASSERT_EQ(result.notes.size(), 1U) << "the one that nobody is behind";
  EXPECT_NE(result.notes[0].find("hislip0,1::INSTR"), std::string::npos) << result.notes[0];
}

TEST_F(Discovery, LeavesDevicesInUseAlone) {
  const auto server = HislipServer::start(device_, clock_);
  ASSERT_TRUE(server);
  announce({hislip((*server)->port())});
  discovery::FindOptions options;
  options.mdns = mdns();
  options.use_broadcast = false;
  options.leave_alone = {"127.0.0.1"};
  const discovery::FindResult result = run(discovery::find(options, clock_));
  EXPECT_TRUE(result.found.empty());
  EXPECT_TRUE(device_->taken.empty()) << "not a word was said to it";
}

discovery::Identified identified(std::string resource, std::string address, std::string answer) {
  discovery::Identified out;
  out.candidate.resource = std::move(resource);
  out.candidate.address = std::move(address);
  out.candidate.source = "mdns";
  out.identity = scpi::parse_identity(answer);
  return out;
}

TEST(Merge, EqualSerialNumbersAreOneDeviceMissingOnesAreNot) {
  const auto found = discovery::merge({
      identified("TCPIP0::a::5025::SOCKET", "a", "M,X,1,0"),
      identified("TCPIP0::a::inst0::INSTR", "a", "M,X,1,0"),
      identified("TCPIP0::b::inst0::INSTR", "b", "M,X,2,0"),
      identified("TCPIP0::c::inst0::INSTR", "c", "M,X,0,0"),
      identified("TCPIP0::d::inst0::INSTR", "d", "M,X,0,0"),
  });
  ASSERT_EQ(found.size(), 4U);
  EXPECT_EQ(found[0].resource, "TCPIP0::a::inst0::INSTR") << "the better way, whatever came first";
  EXPECT_EQ(found[0].also, std::vector<std::string>{"TCPIP0::a::5025::SOCKET"});
}

TEST(Candidates, FollowTheAnnouncedPortsAndTryTheRawPortOfOthers) {
  discovery::Service lxi;
  lxi.type = "_lxi._tcp";
  lxi.address = "10.0.0.9";
  lxi.port = 80;
  discovery::Service raw = lxi;
  raw.type = "_scpi-raw._tcp";
  raw.address = "10.0.0.8";
  raw.port = 5555;
  discovery::Service also = lxi;
  also.address = "10.0.0.8";
  discovery::Service vxi = lxi;
  vxi.type = "_vxi-11._tcp";
  vxi.address = "fe80::1";
  const auto all = discovery::candidates({lxi, raw, also, vxi});
  std::vector<std::string> names;
  for (const auto& each : all) names.push_back(each.resource);
  EXPECT_EQ(names, (std::vector<std::string>{"TCPIP0::10.0.0.8::5555::SOCKET",
                                             "TCPIP0::[fe80::1]::inst0::INSTR",
                                             "TCPIP0::10.0.0.9::5025::SOCKET"}));
}

TEST(ServiceCollector, TakesNothingFromQueriesGoodbyesAndOtherPeoplesServices) {
  discovery::DnsMessage message;
  message.response = true;
  discovery::DnsRecord record;
  record.name = discovery::dns_name("_printer._tcp.local");
  record.ttl_s = 10;
  record.data = discovery::Ptr{discovery::dns_name("p._printer._tcp.local")};
  message.records.push_back(record);
  discovery::ServiceCollector collector;
  collector.take(message, "10.0.0.1");
  EXPECT_TRUE(collector.open_questions().empty());

  record.name = discovery::dns_name("_hislip._tcp.local");
  record.data = discovery::Ptr{discovery::dns_name("x._hislip._tcp.local")};
  message.records = {record};
  collector.take(message, "10.0.0.1");
  EXPECT_EQ(collector.open_questions().size(), 2U);
  message.records[0].ttl_s = 0;
  collector.take(message, "10.0.0.1");
  EXPECT_TRUE(collector.open_questions().empty());
}

}  // namespace
}  // namespace nightbench::test
