#include "daemon/nightbenchd/plans.hpp"

#include <algorithm>

#include "daemon/cli/places.hpp"
#include "sequences/engine/engine.hpp"

namespace nightbench::daemon {
namespace fs = std::filesystem;

namespace {

Result<fs::path> folder(const char* kind) {
  TRY_ASSIGN(const fs::path top, cli::home());
  return top / "sequences" / "library" / kind;
}

std::vector<std::string> names_in(const fs::path& place) {
  std::vector<std::string> out;
  std::error_code ignored;
  for (const fs::directory_entry& each : fs::directory_iterator(place, ignored)) {
    if (each.path().extension() == ".json") out.push_back(each.path().stem().string());
  }
  std::sort(out.begin(), out.end());
  return out;
}

// Only what a listing of the library shows is ever opened.
Result<fs::path> find(const std::string& name, const char* kind, const char* what) {
  TRY_ASSIGN(const fs::path place, folder(kind));
  const std::vector<std::string> known = names_in(place);
  if (std::find(known.begin(), known.end(), name) != known.end()) return place / (name + ".json");
  std::string message = std::string("the library has no ") + what + " \"" + excerpt(name) + "\"";
  if (const auto close = json::nearest(name, known)) {
    message += "; did you mean \"" + *close + "\"?";
  }
  return fail(ErrorKind::bad_input, message);
}

Result<script::Script> script_of(const store::Entry& entry) {
  if (entry.script_text.empty()) {
    TRY_ASSIGN(const fs::path file, find(entry.script, "scripts", "script"));
    return script::read_script(file, entry.parameters);
  }
  TRY_ASSIGN(const json::Node root, json::parse(entry.script_text, entry.script));
  return script::decode_script(root, entry.script_text, entry.parameters);
}

Result<script::BoardType> type_of(const store::Entry& entry, const script::Script& script) {
  if (!entry.board_type_text.empty()) {
    TRY_ASSIGN(const json::Node root, json::parse(entry.board_type_text, entry.board_type));
    return script::decode_board_type(root, entry.board_type_text);
  }
  const std::string& name = entry.board_type.empty() ? script.board_type : entry.board_type;
  if (name.empty()) {
    return fail(ErrorKind::bad_input, "the script names no board type, and the entry neither");
  }
  TRY_ASSIGN(const fs::path file, find(name, "board_types", "board type"));
  return script::read_board_type(file);
}

}  // namespace

Result<script::Plan> make_plan(const store::Entry& entry, const bench::BenchFile& bench) {
  TRY_ASSIGN(script::Script script, script_of(entry));
  TRY_ASSIGN(script::BoardType type, type_of(entry, script));
  script::Plan plan(std::move(script), std::move(type));
  TRY(engine::check_wiring(plan, bench));
  return plan;
}

Result<http::Library> library() {
  http::Library out;
  TRY_ASSIGN(const fs::path scripts, folder("scripts"));
  for (const std::string& name : names_in(scripts)) {
    const auto script = script::read_script(scripts / (name + ".json"), {});
    if (script) out.scripts.push_back({name, script->title, script->parameters});
  }
  TRY_ASSIGN(const fs::path types, folder("board_types"));
  for (const std::string& name : names_in(types)) {
    const auto type = script::read_board_type(types / (name + ".json"));
    if (type) out.board_types.push_back({name, type->title, {}});
  }
  return out;
}

}  // namespace nightbench::daemon
