#include "drivers/discovery/discovery.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

void mdns_answer(std::string_view bytes) {
  const auto message = discovery::decode_dns(bytes);
  if (message) {
    require(message->records.size() + message->questions.size() <= discovery::most_dns_entries,
            "entries within their bound");
    for (const auto& record : message->records) (void)discovery::shown(record.name);
  }
  const std::vector<std::string> packets(1, std::string(bytes));
  const auto services = discovery::services_in(packets, "192.0.2.1");
  require(discovery::candidates(services).size() <= services.size(), "a way a service at most");
  (void)discovery::port_in_answer(bytes, 1);
}

}  // namespace nightbench::fuzz
