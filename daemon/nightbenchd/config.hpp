// The service's own file: which bench, where to listen, who may come in, how much is logged.
// Decoded strictly; schema docs/reference/schema/service.schema.json.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "daemon/http/server.hpp"
#include "drivers/base/json.hpp"

namespace nightbench::daemon {

// Who answers questions: a person over the interface, or, on a simulated bench, nobody needs to.
enum class Answers : std::uint8_t { person, simulated };

struct LogConfig {
  std::filesystem::path file;  // "" : nightbenchd.log in the state folder; "-": standard error
  std::string level = "info";  // "trace", "debug", "info", "warning", "error"
  bool json = false;           // one JSON object a line
  double most_mb = 10;         // of one file, before the next is begun
  int files = 5;               // kept beside it
};

struct Config {
  std::string name = "nightbench";
  std::filesystem::path bench;
  std::vector<std::string> listen{"127.0.0.1:7411"};
  std::vector<std::string> hosts;  // further names under which it is reached
  std::filesystem::path token_file;
  bool token_everywhere = false;  // on loopback too: other users of this machine are strangers
  std::filesystem::path state;    // store and reports; "" takes the usual place
  Answers answers = Answers::person;
  LogConfig log;
  http::Limits limits;
  double requests_per_s = 100, burst = 400;
};

// Relative paths start at the file's folder. Errors: bad_input.
Result<Config> decode_config(const json::Node& node);
Result<Config> read_config(const std::filesystem::path& file);

// $XDG_CONFIG_HOME/nightbench/nightbenchd.json (or below ~/.config), else
// /etc/nightbench/nightbenchd.json; nothing when neither is there.
std::optional<std::filesystem::path> usual_config();

// The first line of a file that only its owner may read. Errors: bad_input (readable by others,
// shorter than 16 characters, other than visible ASCII).
Result<std::string> read_token(const std::filesystem::path& file);

}  // namespace nightbench::daemon
