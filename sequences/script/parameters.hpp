// Putting parameters into a script before it is decoded.
#pragma once

#include <map>
#include <nlohmann/json_fwd.hpp>
#include <string>

#include "drivers/base/json.hpp"

namespace nightbench::script {

struct Prepared {
  json::Node root;                                // the script with every "$name" replaced
  std::map<std::string, std::string> parameters;  // values as used, as JSON text
};

// `root` may hold "parameters": {"level": "-40 dBm", "points": 26}; `settings` override them (text
// that reads as a JSON number or boolean becomes one, anything else a string).
Result<Prepared> put_parameters(const json::Node& root,
                                const std::map<std::string, std::string>& settings);

}  // namespace nightbench::script
