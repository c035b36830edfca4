#include "mock_instruments/transport/usbip_message.hpp"

#include "mock_instruments/transport/vhci.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void usbip_message(std::string_view bytes) {
  using namespace mock::transport::usbip;
  if (const auto command = decode_command(bytes)) {
    require(command->endpoint < 16, "an endpoint there is");
    require(decode_command(encode(*command)).value() == *command, "what was read is written");
  }
  if (const auto reply = decode_reply(bytes)) {
    require(decode_reply(encode(*reply)).value() == *reply, "the same for replies");
  }
  if (const auto record = decode_record(bytes)) {
    require(decode_record(encode(*record)).has_value(), "and for records");
  }
  (void)decode_operation(bytes);
  (void)decode_busid(bytes);
  (void)mock::transport::free_vhci_port(std::string(bytes));
}

}  // namespace nightbench::fuzz
