// Announces simulated instruments by multicast DNS service discovery (RFC 6762, RFC 6763): answers
// one-shot queries by unicast to their sender, as clause 6.7 of RFC 6762 wants for legacy queries.
// It does not probe for conflicts, announce itself or keep caches; names should be unique.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"

namespace nightbench::mock::transport {

struct Announcement {
  std::string type = "_scpi-raw._tcp";  // without ".local"
  std::string instance;                 // one label, any text
  std::uint16_t port = 0;
  std::vector<std::pair<std::string, std::string>> text;  // keys and values of the TXT record
};

struct MdnsResponderOptions {
  // Where to listen: the group itself, or (for tests) a unicast address only.
  std::string address = "224.0.0.251";
  std::uint16_t port = 5353;            // 0: any free one
  std::string interface = "127.0.0.1";  // whose group to join
  std::string host = "nightbench";      // "<host>.local" is in the A record
  std::string host_address = "127.0.0.1";
  bool additional_records = true;  // SRV, TXT and A beside the PTR answer
  bool compress = true;            // names (RFC 1035, 4.1.4)
};

class MdnsResponder {
 public:
  // Errors: refused when the socket cannot be had.
  static Result<std::unique_ptr<MdnsResponder>> start(Clock& clock,
                                                      std::vector<Announcement> announcements,
                                                      MdnsResponderOptions options = {});
  ~MdnsResponder();
  MdnsResponder(const MdnsResponder&) = delete;
  MdnsResponder& operator=(const MdnsResponder&) = delete;
  std::uint16_t port() const;
  std::uint64_t queries() const;

 private:
  class Core;
  explicit MdnsResponder(std::shared_ptr<Core> core);
  std::shared_ptr<Core> core_;
};

}  // namespace nightbench::mock::transport
