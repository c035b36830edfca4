#include "daemon/cli/plan_files.hpp"

#include "daemon/cli/places.hpp"
#include "sequences/engine/engine.hpp"

namespace nightbench::cli {
namespace {

Result<std::map<std::string, std::string>> split(const std::vector<std::string>& settings) {
  std::map<std::string, std::string> out;
  for (const std::string& each : settings) {
    const std::size_t equals = each.find('=');
    if (equals == std::string::npos || equals == 0) {
      return fail(ErrorKind::bad_input,
                  "--set: expected NAME=VALUE such as level=-30 dBm, found \"" + each + "\"");
    }
    if (!out.emplace(each.substr(0, equals), each.substr(equals + 1)).second) {
      return fail(ErrorKind::bad_input, "--set: \"" + each.substr(0, equals) + "\" is given twice");
    }
  }
  return out;
}

}  // namespace

Result<script::Plan> read_plan(const PlanFiles& files, const bench::BenchFile& bench) {
  TRY_ASSIGN(const auto settings, split(files.settings));
  TRY_ASSIGN(const std::filesystem::path script_file, find_script(files.script));
  TRY_ASSIGN(script::Script script, script::read_script(script_file, settings));
  std::string type_name = files.board_type.empty() ? script.board_type : files.board_type;
  if (type_name.empty()) {
    return fail(ErrorKind::bad_input,
                "the script names no board type; say which one with --board-type");
  }
  TRY_ASSIGN(const std::filesystem::path type_file, find_board_type(type_name));
  TRY_ASSIGN(script::BoardType type, script::read_board_type(type_file));
  script::Plan plan(std::move(script), std::move(type));
  TRY(engine::check_wiring(plan, bench));
  return plan;
}

}  // namespace nightbench::cli
