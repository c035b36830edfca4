// The link contract over HiSLIP, synchronised and overlap mode.
#include "../contract.hpp"

#include "../peer_fixture.hpp"
#include "drivers/link/hislip/hislip_link.hpp"
#include "hislip_peer.hpp"

namespace nightbench::test {
namespace {
using link::hislip::Channel;
using link::hislip::Header;
using link::hislip::Message;
using link::hislip::Type;

template <bool overlap>
class HislipFixture : public PeerFixture {
 public:
  HislipFixture() {
    listen([this](std::unique_ptr<link::Stream> stream) {
      boost::asio::co_spawn(clock().context(),
                            greet(this, std::make_shared<Channel>(std::move(stream))),
                            boost::asio::detached);
    });
  }
  std::unique_ptr<link::Link> link() {
    link::HislipResource resource;
    resource.host = "127.0.0.1";
    resource.port = port();
    return std::make_unique<link::HislipLink>(resource, clock());
  }

 private:
  static Awaitable<void> greet(HislipFixture* self, std::shared_ptr<Channel> channel) {
    const Result<Message> hello = co_await channel->read_message(1024, TimePoint::max());
    if (!hello) co_return;
    Header answer;
    if (hello->header.type == Type::initialize) {
      self->sync_ = channel;
      answer.type = Type::initialize_response;
      answer.control = overlap ? 1 : 0;
      answer.parameter = 0x01000001;
      co_await channel->send(answer, "", TimePoint::max());
    } else {
      answer.type = Type::async_initialize_response;
      co_await channel->send(answer, "", TimePoint::max());
      self->arrived(std::make_shared<HislipPeer>(std::exchange(self->sync_, nullptr), channel,
                                                 self->clock()));
    }
  }
  std::shared_ptr<Channel> sync_;
};

using Synchronised = HislipFixture<false>;
using Overlap = HislipFixture<true>;
INSTANTIATE_TYPED_TEST_SUITE_P(HislipSynchronised, LinkContract, Synchronised);
INSTANTIATE_TYPED_TEST_SUITE_P(HislipOverlap, LinkContract, Overlap);

}  // namespace
}  // namespace nightbench::test
