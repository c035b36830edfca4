#include "daemon/cli/find_run.hpp"

#include <filesystem>
#include <fstream>
#include <sstream>

#include "drivers/base/json.hpp"
#include "sequences/record/json_form.hpp"

namespace nightbench::cli {

Result<std::string> find_run(store::SqliteJournal& journal, const std::string& text) {
  TRY_ASSIGN(const auto all, journal.runs());
  std::vector<std::string> known;
  for (const store::RunSummary& each : all) {
    if (text == "latest" || each.run_id == text || each.board == text) return each.run_id;
    known.push_back(each.run_id);
    known.push_back(each.board);
  }
  std::string message = "the store " + journal.file().string() + " has no run \"" + text + "\"";
  if (all.empty())
    message += "; it is empty";
  else if (const auto close = json::nearest(text, known))
    message += "; did you mean \"" + *close + "\"?";
  return fail(ErrorKind::bad_input, message);
}

Result<record::Run> load_run(const std::string& folder, const std::string& text) {
  std::error_code ignored;
  if (std::filesystem::is_regular_file(text, ignored)) {
    std::ifstream stream(text, std::ios::binary);
    std::ostringstream contents;
    contents << stream.rdbuf();
    return record::run_from_text(std::move(contents).str(), text);
  }
  store::Options how;
  how.read_only = true;
  TRY_ASSIGN(const auto journal,
             store::SqliteJournal::open(std::filesystem::path(folder) / "nightbench.db", how));
  TRY_ASSIGN(const std::string id, find_run(*journal, text));
  return journal->load(id);
}

}  // namespace nightbench::cli
