#include "daemon/cli/places.hpp"

#include <cstdlib>
#include <vector>

#include "drivers/base/json.hpp"

namespace nightbench::cli {
namespace fs = std::filesystem;

namespace {

bool complete(const fs::path& folder) {
  std::error_code ignored;
  return fs::is_directory(folder / "drivers" / "dialects", ignored) &&
         fs::is_directory(folder / "sequences" / "library", ignored);
}

Result<fs::path> find(const std::string& text, const char* folder, const char* what) {
  std::error_code ignored;
  if (fs::is_regular_file(text, ignored)) return fs::path(text);
  TRY_ASSIGN(const fs::path top, home());
  const fs::path library = top / "sequences" / "library" / folder;
  const fs::path named = library / (text + ".json");
  if (fs::is_regular_file(named, ignored)) return named;
  std::vector<std::string> known;
  for (const fs::directory_entry& entry : fs::directory_iterator(library, ignored)) {
    if (entry.path().extension() == ".json") known.push_back(entry.path().stem().string());
  }
  std::string message = std::string("there is no ") + what + " \"" + text +
                        "\", neither as a file nor in the library";
  if (const auto close = json::nearest(text, known))
    message += "; did you mean \"" + *close + "\"?";
  return fail(ErrorKind::bad_input, message);
}

}  // namespace

Result<fs::path> home() {
  if (const char* set = std::getenv("NIGHTBENCH_HOME"); set != nullptr && *set != '\0') {
    if (complete(set)) return fs::path(set);
    return fail(ErrorKind::bad_input,
                std::string("NIGHTBENCH_HOME is \"") + set +
                    "\", which has no drivers/dialects and sequences/library");
  }
  std::error_code failed;
  fs::path folder = fs::read_symlink("/proc/self/exe", failed).parent_path();
  for (; !failed && folder.has_relative_path(); folder = folder.parent_path()) {
    if (complete(folder)) return folder;
    if (complete(folder / "share" / "nightbench")) return folder / "share" / "nightbench";
  }
  if (complete(NIGHTBENCH_BUILT_FROM)) return fs::path(NIGHTBENCH_BUILT_FROM);
  return fail(
      ErrorKind::bad_input,
      "the folders drivers/dialects and sequences/library are not found beside the program; "
      "set NIGHTBENCH_HOME to the folder that has them");
}

fs::path dialect_folder(const fs::path& top) {
  return top / "drivers" / "dialects";
}

Result<fs::path> find_script(const std::string& text) {
  return find(text, "scripts", "script");
}
Result<fs::path> find_board_type(const std::string& text) {
  return find(text, "board_types", "board type");
}
Result<fs::path> find_fault_book(const std::string& text) {
  return find(text, "fault_books", "fault book");
}

fs::path default_out() {
  if (const char* state = std::getenv("XDG_STATE_HOME"); state != nullptr && *state == '/') {
    return fs::path(state) / "nightbench";
  }
  const char* user = std::getenv("HOME");
  return fs::path(user != nullptr ? user : ".") / ".local" / "state" / "nightbench";
}

}  // namespace nightbench::cli
