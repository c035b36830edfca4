// A hostile host: the bytes are transfers. Each begins with its endpoint (OUT, IN, interrupt,
// control) and its length.
#include <algorithm>

#include "mock_instruments/transport/usbtmc_function.hpp"
#include "target.hpp"

namespace nightbench::fuzz {
namespace {
using namespace mock::transport;

struct Owner final : UsbtmcOwner {
  bool wants_more() override { return taken < 100'000; }
  void take(std::string_view bytes, bool end) override {
    taken += bytes.size();
    if (end) function->say("an answer\n", true);
  }
  std::uint8_t status_byte(bool available) override { return available ? 0x10 : 0; }
  std::size_t taken = 0;
  UsbtmcFunction* function = nullptr;
};

}  // namespace

void usbtmc_device(std::string_view bytes) {
  Owner owner;
  UsbtmcFunction function(owner, UsbIdentity());
  owner.function = &function;
  std::size_t submitted = 0;
  std::size_t ended = 0;
  while (bytes.size() >= 2) {
    const auto kind = static_cast<std::uint8_t>(bytes[0]);
    const std::size_t count =
        std::min<std::size_t>(static_cast<std::uint8_t>(bytes[1]), bytes.size() - 2);
    const std::string_view data = bytes.substr(2, count);
    bytes.remove_prefix(2 + count);
    UsbTransfer transfer;
    constexpr std::uint8_t endpoints[] = {usbtmc_out, usbtmc_in, usbtmc_interrupt, 0x80};
    transfer.endpoint = endpoints[kind % 4];
    if (transfer.endpoint == usbtmc_out) {
      transfer.out = data;
    } else {
      transfer.room = 512;
      link::usbtmc::SetupBytes setup{};
      std::copy_n(data.begin(), std::min(data.size(), setup.size()), setup.begin());
      transfer.setup = link::usbtmc::decode_setup(setup);
    }
    const std::size_t room = std::max<std::size_t>(transfer.room, transfer.setup.length);
    ++submitted;
    const std::uint64_t number =
        function.submit(std::move(transfer), [&ended, room](UsbOutcome end) {
          ++ended;
          require(end.in.size() <= room, "no more than there is room for");
        });
    if (kind >= 0xC0 && function.cancel(number)) ++ended;
  }
  function.unplug();
  require(submitted == ended, "every transfer ends once");
}

}  // namespace nightbench::fuzz
