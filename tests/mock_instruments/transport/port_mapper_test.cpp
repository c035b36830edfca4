// The port mapper (RFC 1833, clause 3), and links that find their port through it.
#include "mock_instruments/transport/port_mapper.hpp"

#include "drivers/link/tcp.hpp"
#include "drivers/link/vxi11/rpc_channel.hpp"
#include "drivers/link/vxi11/vxi11_link.hpp"
#include "drivers/link/vxi11/xdr.hpp"
#include "mock_instruments/transport/vxi11_server.hpp"
#include "world.hpp"

namespace nightbench::test {
namespace {
using namespace link::vxi11;
using mock::transport::core_mapping;
using mock::transport::PortMapper;
using mock::transport::Vxi11Server;

class PortMapperTest : public TransportTest {
 protected:
  void start(std::vector<Mapping> mappings) {
    auto mapper = PortMapper::start(clock_, "127.0.0.1", 0, std::move(mappings));
    ASSERT_TRUE(mapper) << describe(mapper.error());
    mapper_ = *std::move(mapper);
  }
  std::unique_ptr<link::Vxi11Link> make() {
    link::Vxi11Resource resource;
    resource.host = "127.0.0.1";
    link::Vxi11Options options;
    options.mapper_port = mapper_->port();
    return std::make_unique<link::Vxi11Link>(resource, clock_, options);
  }
  Result<std::string> call(std::uint32_t program, std::uint32_t version, std::uint32_t procedure,
                           std::string arguments) {
    const auto connector = link::tcp_connector("127.0.0.1", mapper_->port(), clock_);
    auto stream = run(connector->connect(later()));
    if (!stream) return fail(stream.error());
    RpcChannel channel(*std::move(stream), program, version);
    const auto answer = run(channel.call(procedure, arguments, 1024, later()));
    if (!answer) return fail(answer.error());
    return std::string(answer->results());
  }
  std::unique_ptr<PortMapper> mapper_;
};

TEST_F(PortMapperTest, ALinkFindsItsPortAnewAtEveryConnect) {
  auto server = *Vxi11Server::start(device_, clock_);
  start({core_mapping(server->core_port())});
  const auto link = make();
  connect(*link);
  EXPECT_EQ(ask(*link, "*IDN?"), "Heronworks,E1,0042,1.0\n");
  connect(*link);
  EXPECT_EQ(mapper_->queries(), 2U);
}

TEST_F(PortMapperTest, AProgramThatIsNotThereIsRefused) {
  start({});
  const auto link = make();
  const auto refused = run(link->connect(later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::refused);
  EXPECT_NE(refused.error().message.find("not registered"), std::string::npos);
}

TEST_F(PortMapperTest, NoPortMapperSaysWhatHelps) {
  start({});
  const auto link = make();
  mapper_.reset();
  const auto refused = run(link->connect(later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::refused);
  EXPECT_NE(refused.error().message.find("host,port"), std::string::npos);
}

TEST_F(PortMapperTest, ListsWhatItKnowsAndRegistersNothing) {
  const Mapping one = core_mapping(1234);
  start({one});
  const auto dump = call(port_mapper_program, 2, 4, "");
  ASSERT_TRUE(dump) << describe(dump.error());
  XdrWriter wanted;
  wanted.word(1).raw(encode(one));
  for (const std::uint32_t protocol : {protocol_tcp, protocol_udp}) {
    wanted.word(1).raw(encode(Mapping{port_mapper_program, 2, protocol, mapper_->port()}));
  }
  EXPECT_EQ(*dump, wanted.word(0).take());
  EXPECT_EQ(*call(port_mapper_program, 2, 0, ""), "");
  EXPECT_EQ(*call(port_mapper_program, 2, 1, encode(one)), XdrWriter().word(0).take());
}

TEST_F(PortMapperTest, RefusesAsRpcWantsIt) {  // RFC 5531, clause 9
  start({});
  const auto message = [](const Result<std::string>& result) {
    return result ? std::string("answered") : result.error().message;
  };
  EXPECT_EQ(message(call(4711, 2, 0, "")), "RPC: the program is not served there");
  EXPECT_EQ(message(call(port_mapper_program, 4, 0, "")),
            "RPC: the program's version is not served there");
  EXPECT_EQ(message(call(port_mapper_program, 2, 5, "")), "RPC: the procedure is not served there");
  EXPECT_EQ(message(call(port_mapper_program, 2, 3, "abcd")),
            "RPC: the server could not read the arguments");
}

}  // namespace
}  // namespace nightbench::test
