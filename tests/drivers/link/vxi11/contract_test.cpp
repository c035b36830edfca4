// The link contract over VXI-11.
#include "../contract.hpp"

#include "../peer_fixture.hpp"
#include "drivers/link/vxi11/vxi11_link.hpp"
#include "vxi11_peer.hpp"

namespace nightbench::test {
namespace {

class Vxi11Fixture : public PeerFixture {
 public:
  Vxi11Fixture() {
    listen([this](std::unique_ptr<link::Stream> core) {
      arrived(std::make_shared<Vxi11Peer>(std::move(core), clock()));
    });
  }
  std::unique_ptr<link::Link> link() {
    link::Vxi11Resource resource;
    resource.host = "127.0.0.1";
    resource.port = port();
    return std::make_unique<link::Vxi11Link>(resource, clock());
  }
};

INSTANTIATE_TYPED_TEST_SUITE_P(Vxi11, LinkContract, Vxi11Fixture);

}  // namespace
}  // namespace nightbench::test
