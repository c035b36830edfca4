// Who may come in: Host and Origin checked against what this service is called, a token where it
// listens beyond this machine, and so many requests a second from one address.
//
// Host: a page of another site whose name was pointed at this machine (DNS rebinding) says its own
// name. Origin: a page of another site says its own. Both follow common practice; RFC 6454 for the
// form of an origin. On the I/O thread only.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "daemon/http/message.hpp"
#include "drivers/base/clock.hpp"

namespace nightbench::http {

// What one listener asks for.
struct Door {
  bool needs_token = false;              // it can be reached from other machines
  std::vector<std::string> authorities;  // values of Host that mean us, in lower case
};

struct Access {
  std::string token;            // "" : none is set
  double requests_per_s = 100;  // from one address, in the long run
  double burst = 400;           // at once
};

class Gate {
 public:
  Gate(Clock& clock, Access access) : clock_(clock), access_(std::move(access)) {}
  void set(Access access) { access_ = std::move(access); }

  // Nothing when the request may pass. `open_to_all`: what holds no data and takes no token (the
  // page's own files, opening a session). A wrong token costs as much as 50 requests.
  std::optional<Refusal> check(const Request& request, const Door& door, const std::string& peer,
                               bool open_to_all);
  // A session for a browser, which cannot send a token with a link: the value of its cookie, good
  // for twelve hours. Nothing when the token is wrong.
  std::optional<std::string> open_session(const std::string& token);

 private:
  struct Bucket {
    double tokens = 0;
    TimePoint filled{};
  };
  bool spend(const std::string& peer, double cost);
  bool knows(const Request& request);

  Clock& clock_;
  Access access_;
  std::map<std::string, Bucket> buckets_;
  std::map<std::string, TimePoint> sessions_;  // until when
};

// The values of Host that mean a listener on `address` (an IP address without brackets, or "" for a
// Unix socket) and `port`, and on the names `hosts`.
std::vector<std::string> authorities(const std::string& address, unsigned port, bool loopback,
                                     const std::vector<std::string>& hosts);

inline const std::string kSessionCookie = "nightbench_session";

}  // namespace nightbench::http
