#include "drivers/link/usbtmc/message.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void usbtmc_header(std::string_view bytes) {
  using namespace link::usbtmc;
  if (const auto header = decode_header(bytes)) {
    require(decode_header(encode(*header)).value() == *header, "what was read is written");
  }
  if (const auto capabilities = decode_capabilities(bytes)) {
    require(decode_capabilities(encode(*capabilities)).value() == *capabilities,
            "the same for capabilities");
  }
  if (const auto check = decode_check(bytes)) {
    require(!describe(check->status).empty(), "every status has words");
  }
  const Notification note = decode_notification(bytes);
  require(note.kind != Notification::Kind::status || note.tag >= 2, "tags of status bytes");
}

}  // namespace nightbench::fuzz
