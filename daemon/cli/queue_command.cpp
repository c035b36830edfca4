#include <CLI/CLI.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>
#include <sstream>

#include "daemon/cli/commands.hpp"
#include "daemon/cli/progress_line.hpp"
#include "daemon/client/http_client.hpp"
#include "drivers/base/time_text.hpp"
#include "sequences/report/tables.hpp"

namespace nightbench::cli {
namespace {

using Json = nlohmann::ordered_json;

struct QueueOptions {
  std::string service = "127.0.0.1:7411";
  std::string token_file;
  double patience_s = 0;
  bool json = false;
  // add
  std::string script, board_type, person, not_before, until;
  std::vector<std::string> boards, settings;
  bool held = false, in_place = false;
  // hold, release, cancel, move
  std::vector<long long> ids;
  long long before = 0;
  // watch
  bool until_idle = false;
};

// A loop of its own for one command.
class Talk {
 public:
  explicit Talk(const QueueOptions& options) : options_(options), clock_(io_) {}

  Result<void> begin() {
    TRY_ASSIGN(address_, client::parse_address(options_.service));
    if (options_.token_file.empty()) return {};
    std::ifstream file(options_.token_file);
    if (!std::getline(file, address_.token)) {
      return fail(ErrorKind::bad_input, "the token cannot be read from " + options_.token_file);
    }
    return {};
  }

  // The answer as JSON. Errors: those of the way there, and what the service says.
  Result<Json> ask(const std::string& method, const std::string& target, const Json& body = {}) {
    const std::string text = body.is_null() ? "" : body.dump();
    const TimePoint most = clock_.now() + from_seconds(options_.patience_s);
    for (;;) {
      auto reply = run<client::Reply>(client::ask(clock_, address_, method, target, text));
      if (!reply && reply.error().kind == ErrorKind::refused && clock_.now() < most) {
        // The service may be starting.
        run<int>(pause(clock_));
        continue;
      }
      if (!reply) return std::unexpected(std::move(reply).error());
      return read(*reply);
    }
  }

  Result<void> watch(const std::string& after, std::function<bool(const client::Event&)> take) {
    auto ended = run<int>(watched(clock_, address_, after, std::move(take)));
    if (!ended) return std::unexpected(std::move(ended).error());
    return {};
  }

 private:
  static Awaitable<Result<int>> pause(Clock& clock) {
    co_await sleep_for(clock, std::chrono::milliseconds(100));
    co_return 0;
  }
  static Awaitable<Result<int>> watched(Clock& clock, client::Address address, std::string after,
                                        std::function<bool(const client::Event&)> take) {
    CO_TRY(co_await client::watch(clock, std::move(address), std::move(after), std::move(take)));
    co_return 0;
  }

  template <typename T>
  Result<T> run(Awaitable<Result<T>> work) {
    std::optional<Result<T>> outcome;
    boost::asio::co_spawn(io_, std::move(work),
                          [&](const std::exception_ptr& thrown, Result<T> result) {
                            if (thrown) std::rethrow_exception(thrown);
                            outcome = std::move(result);
                            io_.stop();
                          });
    io_.restart();
    io_.run();
    if (!outcome) return fail(ErrorKind::internal, "the I/O loop ended before the work did");
    return *std::move(outcome);
  }

  static Result<Json> read(const client::Reply& reply) {
    const Json body = Json::parse(reply.body, nullptr, false);
    if (reply.status < 400 && reply.body.empty()) return Json();
    if (reply.status < 400 && !body.is_discarded()) return body;
    Error error;
    error.kind = reply.status < 500 ? ErrorKind::bad_input : ErrorKind::refused;
    error.message = "the service answered " + std::to_string(reply.status);
    if (body.is_object() && body.contains("error") && body["error"].is_object()) {
      error.message = body["error"].value("message", error.message);
      error.pointer = body["error"].value("pointer", "");
    }
    return fail(std::move(error));
  }

  const QueueOptions& options_;
  boost::asio::io_context io_;
  RealClock clock_;
  client::Address address_;
};

// "2026-11-25T22:00:00Z", or "22:00": the first time after `after` that the clock here shows it.
Result<std::string> time_text(const std::string& text, const char* option, std::time_t after) {
  if (text.empty()) return std::string();
  if (time_from(text)) return text;
  int hour = 0;
  int minute = 0;
  char rest = 0;
  if (std::sscanf(text.c_str(), "%d:%d%c", &hour, &minute, &rest) != 2 || hour < 0 || hour > 23 ||
      minute < 0 || minute > 59) {
    return fail(ErrorKind::bad_input, std::string(option) +
                                          ": expected a time such as 22:00 (here) or "
                                          "2026-11-25T22:00:00Z, found \"" +
                                          excerpt(text) + "\"");
  }
  std::tm local{};
  localtime_r(&after, &local);
  local.tm_hour = hour;
  local.tm_min = minute;
  local.tm_sec = 0;
  local.tm_isdst = -1;
  std::time_t when = std::mktime(&local);
  if (when <= after) {
    ++local.tm_mday;
    local.tm_isdst = -1;
    when = std::mktime(&local);
  }
  return exact_time(WallTime(std::chrono::seconds(when)));
}

std::time_t whole_seconds(const std::string& text) {
  const auto time = time_from(text);
  return time ? std::chrono::system_clock::to_time_t(
                    std::chrono::time_point_cast<std::chrono::system_clock::duration>(*time))
              : std::time(nullptr);
}

// A name goes as it is; a file here goes with its text, for the service opens none.
Result<void> put_file(Json& body, const std::string& key, const std::string& text) {
  std::error_code ignored;
  if (text.empty() || !std::filesystem::is_regular_file(text, ignored)) {
    if (!text.empty()) body[key] = text;
    return {};
  }
  std::ifstream file(text, std::ios::binary);
  std::ostringstream whole;
  whole << file.rdbuf();
  if (!file) return fail(ErrorKind::bad_input, text + " cannot be read");
  body[key] = std::filesystem::path(text).stem().string();
  body[key + "_text"] = std::move(whole).str();
  return {};
}

void print_entries(const Json& entries) {
  std::vector<std::vector<std::string>> rows;
  for (const Json& entry : entries) {
    std::string when = entry.value("not_before", "");
    if (!when.empty()) when = "from " + when.substr(0, 16);
    const std::string verdict = entry.value("verdict", "");
    const std::string detail = entry.value("detail", "");
    rows.push_back({std::to_string(entry.value("id", 0LL)), entry.value("board", ""),
                    entry.value("script", ""), entry.value("state", ""), verdict,
                    detail.empty() ? when : detail});
  }
  std::printf(
      "%s",
      report::text_table(
          {{"Entry", true}, {"Board"}, {"Script"}, {"State"}, {"Verdict"}, {"Remark"}}, rows, 120)
          .c_str());
}

Result<ExitCode> add(const QueueOptions& options, Talk& talk) {
  Json body = Json::object();
  TRY(put_file(body, "script", options.script));
  TRY(put_file(body, "board_type", options.board_type));
  TRY_ASSIGN(const std::string not_before,
             time_text(options.not_before, "--not-before", std::time(nullptr)));
  TRY_ASSIGN(const std::string until,
             time_text(options.until, "--until", whole_seconds(not_before)));
  if (!not_before.empty()) body["not_before"] = not_before;
  if (!until.empty()) body["until"] = until;
  if (!options.person.empty()) body["operator"] = options.person;
  if (options.held) body["held"] = true;
  if (options.in_place) body["in_place"] = true;
  for (const std::string& setting : options.settings) {
    const std::size_t equals = setting.find('=');
    if (equals == std::string::npos || equals == 0) {
      return fail(ErrorKind::bad_input,
                  "--set: expected NAME=VALUE such as level=-30 dBm, found \"" + setting + "\"");
    }
    body["parameters"][setting.substr(0, equals)] = setting.substr(equals + 1);
  }
  Json added = Json::array();
  for (const std::string& board : options.boards) {
    body["board"] = board;
    TRY_ASSIGN(Json entry, talk.ask("POST", "/v1/queue", body));
    added.push_back(std::move(entry));
  }
  if (options.json)
    std::printf("%s\n", added.dump(2).c_str());
  else
    print_entries(added);
  return ExitCode::good;
}

Result<ExitCode> list(const QueueOptions& options, Talk& talk) {
  TRY_ASSIGN(const Json answer, talk.ask("GET", "/v1/queue"));
  if (options.json)
    std::printf("%s\n", answer.value("entries", Json::array()).dump(2).c_str());
  else
    print_entries(answer.value("entries", Json::array()));
  return ExitCode::good;
}

Result<ExitCode> change(const QueueOptions& options, Talk& talk, const std::string& what) {
  Json changed = Json::array();
  for (const long long id : options.ids) {
    Json body;
    if (what == "move") {
      body = Json::object();
      body["before"] = nullptr;
      if (options.before > 0) body["before"] = options.before;
    }
    TRY_ASSIGN(Json entry, talk.ask("POST", "/v1/queue/" + std::to_string(id) + "/" + what, body));
    changed.push_back(std::move(entry));
  }
  if (options.json)
    std::printf("%s\n", changed.dump(2).c_str());
  else
    print_entries(changed);
  return ExitCode::good;
}

// What a reading says, the first time that its quantity misses in a run.
std::string told_reading(const Json& reading, std::set<std::string>& told_before) {
  const std::string quantity = reading.value("label", "") + reading.value("quantity", "");
  if (!told_before.insert(quantity).second) return {};
  const std::string detail = reading.value("detail", "");
  return reading.value("title", "") + ": " + reading.value("decision", "") +
         (detail.empty() ? "" : " (" + detail + ")");
}

// One line per event that people want to see; points only as a count now and then.
std::string told(const client::Event& event, std::set<std::string>& told_before) {
  const Json data = Json::parse(event.data, nullptr, false);
  if (!data.is_object()) return {};
  const auto text = [&](const char* key) { return data.value(key, std::string()); };
  if (event.type == "reading") return told_reading(data, told_before);
  if (event.type == "run-started") {
    told_before.clear();
    return text("board") + ": " + text("script") + ", " +
           std::to_string(data.value("planned_points", 0LL)) + " points";
  }
  if (event.type == "point" && data.contains("progress")) {
    const Json& progress = data["progress"];
    const long long done = progress.value("done", 0LL);
    if (done % 10 != 0) return {};
    std::string line =
        std::to_string(done) + " of " + std::to_string(progress.value("planned", 0LL)) + " points";
    if (progress.contains("left_s")) line += ", " + duration_text(progress["left_s"]) + " left";
    return line;
  }
  if (event.type == "note") return text("severity") + ": " + text("text");
  if (event.type == "question")
    return "question " + std::to_string(data.value("id", 0LL)) + ": " + text("title");
  if (event.type == "finished") return text("board") + ": " + text("outcome");
  if (event.type == "queue") {
    return "entry " + std::to_string(data.value("id", 0LL)) + " (" + text("board") +
           "): " + text("state") + (text("verdict").empty() ? "" : ", " + text("verdict"));
  }
  if (event.type == "gap") return "(some events are gone: too many came at once)";
  return {};
}

Result<bool> all_over(Talk& talk) {
  TRY_ASSIGN(const Json answer, talk.ask("GET", "/v1/queue?over=1"));
  for (const Json& entry : answer.value("entries", Json::array())) {
    const std::string state = entry.value("state", "");
    if (state == "waiting" || state == "running") return false;
  }
  return true;
}

Result<ExitCode> watch(const QueueOptions& options, Talk& talk) {
  TRY_ASSIGN(const Json now, talk.ask("GET", "/v1/now"));
  std::string after = std::to_string(now.value("last_event", 0LL));
  std::set<std::string> told_before;
  for (;;) {
    if (options.until_idle) {
      TRY_ASSIGN(const bool over, all_over(talk));
      if (over) return ExitCode::good;
    }
    bool look = false;
    TRY(talk.watch(after, [&](const client::Event& event) {
      if (!event.id.empty()) after = event.id;
      if (options.json)
        std::printf("{\"event\":\"%s\",\"data\":%s}\n", event.type.c_str(), event.data.c_str());
      else if (const std::string line = told(event, told_before); !line.empty())
        std::printf("%s\n", line.c_str());
      std::fflush(stdout);
      look = options.until_idle && (event.type == "queue" || event.type == "phase");
      return !look;
    }));
  }
}

void put_common(CLI::App* command, QueueOptions& options) {
  command->add_option("--service", options.service, "Where nightbenchd listens")
      ->envname("NIGHTBENCH_SERVICE")
      ->capture_default_str();
  command->add_option("--token-file", options.token_file,
                      "File with the token, for a service on another machine");
  command
      ->add_option("--patience", options.patience_s,
                   "Seconds to wait for a service that is just starting")
      ->check(CLI::Range(0.0, 600.0));
  command->add_flag("--json", options.json, "Print JSON");
}

using Act = std::function<Result<ExitCode>(const QueueOptions&, Talk&)>;

CLI::App* add_act(CLI::App* queue, const std::shared_ptr<QueueOptions>& options, Chosen& chosen,
                  const char* name, const char* help, Act act) {
  CLI::App* command = queue->add_subcommand(name, help);
  put_common(command, *options);
  command->callback([options, &chosen, act = std::move(act)] {
    chosen = [options, act] {
      Talk talk(*options);
      const Result<void> begun = talk.begin();
      if (!begun) return complain(begun.error());
      const Result<ExitCode> code = act(*options, talk);
      return code ? *code : complain(code.error());
    };
  });
  return command;
}

}  // namespace

void add_queue(CLI::App& app, Chosen& chosen) {
  auto options = std::make_shared<QueueOptions>();
  if (const char* user = std::getenv("USER"); user != nullptr) options->person = user;
  CLI::App* queue = app.add_subcommand("queue", "Give boards to the service and see how they go");
  queue->require_subcommand(1);

  CLI::App* adding =
      add_act(queue, options, chosen, "add", "Add boards to the end of the queue", add);
  adding->add_option("script", options->script, "Script file, or a name from the library")
      ->required();
  adding->add_option("--board", options->boards, "Serial number of the board (may be repeated)")
      ->required();
  adding->add_option("--board-type", options->board_type,
                     "Board type file or name; default: the one the script names");
  adding->add_option("--set", options->settings, "NAME=VALUE for a parameter of the script");
  adding->add_option("--operator", options->person, "Who runs it, for the record")
      ->capture_default_str();
  adding->add_option("--not-before", options->not_before, "22:00 (here) or 2026-11-25T22:00:00Z");
  adding->add_option("--until", options->until, "When it must end; what was measured is kept");
  adding->add_flag("--held", options->held, "Do not begin before it is released");
  adding->add_flag("--in-place", options->in_place, "The board is on the bench: do not ask for it");
  adding->footer("Example: nightbench queue add response --board H30-001 --not-before 22:00");

  add_act(queue, options, chosen, "list", "Show the queue", list)
      ->footer("Example: nightbench queue list");
  const std::vector<std::pair<const char*, const char*>> changes{
      {"hold", "Keep entries from beginning"},
      {"release", "Let held entries begin"},
      {"cancel", "Cancel entries; the one under way ends after its operation"},
      {"move", "Put entries before another one, or at the end"}};
  for (const auto& [name, help] : changes) {
    CLI::App* command = add_act(queue, options, chosen, name, help,
                                [what = std::string(name)](const QueueOptions& given, Talk& talk) {
                                  return change(given, talk, what);
                                });
    command->add_option("entry", options->ids, "Numbers of entries")->required();
    if (std::string_view(name) == "move") {
      command->add_option("--before", options->before, "Number of the entry that comes after");
    }
    command->footer(std::string("Example: nightbench queue ") + name + " 7");
  }
  add_act(queue, options, chosen, "watch", "Show what happens as it happens", watch)
      ->add_flag("--until-idle", options->until_idle, "End when nothing waits or runs any more");
}

}  // namespace nightbench::cli
