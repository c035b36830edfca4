// One HTTP exchange as the rooms above the connection see it, and what is refused. Plain values.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace nightbench::http {

// Why a request is not served: answered with `status`, counted and logged by `reason`.
struct Refusal {
  int status = 400;
  std::string reason;  // stable: "both-lengths", "wrong-host", ...
  std::string text;    // one sentence
};

// The path in segments, percent-decoded, and the query (RFC 3986, 3.3 and 3.4).
struct Target {
  std::vector<std::string> path;  // "/v1/queue/7/hold": {"v1", "queue", "7", "hold"}; "/": {}
  std::map<std::string, std::string> query;
};

struct Request {
  std::string method;
  Target target;
  std::map<std::string, std::string> fields;  // names in lower case
  std::string body;

  // "" when it is not there.
  std::string field(const std::string& name) const {
    const auto found = fields.find(name);
    return found == fields.end() ? std::string() : found->second;
  }
};

struct Response {
  int status = 200;
  std::string type = "application/json";
  std::string body;
  std::vector<std::pair<std::string, std::string>> fields;
  // Set: no body, but a stream of the events later than this id.
  std::optional<std::uint64_t> events_after;
};

}  // namespace nightbench::http
