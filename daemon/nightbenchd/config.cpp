#include "daemon/nightbenchd/config.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <cstdlib>
#include <fstream>

namespace nightbench::daemon {
namespace fs = std::filesystem;

namespace {

Result<std::vector<std::string>> texts(const json::Node& node, std::size_t least) {
  TRY_ASSIGN(const auto elements, node.elements(least));
  std::vector<std::string> out;
  for (const json::Node& each : elements) {
    TRY_ASSIGN(std::string text, each.text());
    if (text.empty()) return each.wrong("a text that is not empty");
    out.push_back(std::move(text));
  }
  return out;
}

Result<LogConfig> decode_log(const json::Node& node) {
  static const std::vector<std::string> kLevels{"trace", "debug", "info", "warning", "error"};
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "the log"));
  LogConfig log;
  TRY_ASSIGN(const std::string file, fields.text("file", ""));
  log.file = file;
  if (const auto level = fields.find("level")) {
    TRY_ASSIGN(const std::size_t index, level->word(kLevels));
    log.level = kLevels[index];
  }
  TRY_ASSIGN(log.json, fields.boolean("json", false));
  TRY_ASSIGN(const long long most, fields.integer("most_mb", 1, 10'000, 10));
  log.most_mb = static_cast<double>(most);
  TRY_ASSIGN(const long long files, fields.integer("files", 0, 100, 5));
  log.files = static_cast<int>(files);
  TRY(fields.finish());
  return log;
}

Result<void> decode_time(json::Fields& fields, const char* key, double* out_s) {
  const auto node = fields.find(key);
  if (!node) return {};
  TRY_ASSIGN(*out_s, node->quantity(Unit::second));
  if (*out_s < 0.1 || *out_s > 3600) return node->wrong("a time from 0.1 s to 1 hour");
  return {};
}

Result<void> decode_limits(const json::Node& node, Config& config) {
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "the limits"));
  http::Limits& limits = config.limits;
  const auto count = [&](const char* key, long long least, long long most,
                         std::size_t* out) -> Result<void> {
    TRY_ASSIGN(const long long value,
               fields.integer(key, least, most, static_cast<long long>(*out)));
    *out = static_cast<std::size_t>(value);
    return {};
  };
  TRY(count("connections", 4, 100'000, &limits.connections));
  TRY(count("streams", 1, 100'000, &limits.streams));
  TRY(count("head_bytes", 1024, 1 << 20, &limits.head_bytes));
  TRY(count("body_bytes", 1024, 64 << 20, &limits.body_bytes));
  TRY(decode_time(fields, "head_time", &limits.head_s));
  TRY(decode_time(fields, "body_time", &limits.body_s));
  TRY(decode_time(fields, "idle_time", &limits.idle_s));
  TRY(decode_time(fields, "write_time", &limits.write_s));
  TRY_ASSIGN(const long long rate, fields.integer("requests_per_second", 1, 1'000'000, 100));
  config.requests_per_s = static_cast<double>(rate);
  TRY_ASSIGN(const long long burst, fields.integer("burst", 1, 10'000'000, 400));
  config.burst = static_cast<double>(burst);
  return fields.finish();
}

}  // namespace

Result<Config> decode_config(const json::Node& node) {
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "the service's file"));
  Config config;
  TRY_ASSIGN(config.name, fields.text("service"));
  TRY_ASSIGN(const std::string bench, fields.text("bench"));
  config.bench = bench;
  if (const auto listen = fields.find("listen")) {
    TRY_ASSIGN(config.listen, texts(*listen, 1));
  }
  if (const auto hosts = fields.find("hosts")) {
    TRY_ASSIGN(config.hosts, texts(*hosts, 0));
  }
  TRY_ASSIGN(const std::string token, fields.text("token_file", ""));
  config.token_file = token;
  TRY_ASSIGN(config.token_everywhere, fields.boolean("token_everywhere", false));
  TRY_ASSIGN(const std::string state, fields.text("state", ""));
  config.state = state;
  if (const auto answers = fields.find("answers")) {
    TRY_ASSIGN(const std::size_t index, answers->word({"person", "simulated"}));
    config.answers = index == 0 ? Answers::person : Answers::simulated;
  }
  if (const auto log = fields.find("log")) {
    TRY_ASSIGN(config.log, decode_log(*log));
  }
  if (const auto limits = fields.find("limits")) TRY(decode_limits(*limits, config));
  TRY(fields.finish());
  return config;
}

Result<Config> read_config(const fs::path& file) {
  TRY_ASSIGN(const json::Node node, json::read_file(file));
  TRY_ASSIGN(Config config, decode_config(node));
  const fs::path folder = fs::absolute(file).parent_path();
  for (fs::path* path : {&config.bench, &config.token_file, &config.state}) {
    if (!path->empty()) *path = folder / *path;
  }
  if (!config.log.file.empty() && config.log.file != "-")
    config.log.file = folder / config.log.file;
  return config;
}

std::optional<fs::path> usual_config() {
  std::vector<fs::path> places;
  const char* set = std::getenv("XDG_CONFIG_HOME");
  const char* user = std::getenv("HOME");
  if (set != nullptr && *set == '/')
    places.emplace_back(set);
  else if (user != nullptr)
    places.push_back(fs::path(user) / ".config");
  places.emplace_back("/etc");
  for (const fs::path& place : places) {
    const fs::path file = place / "nightbench" / "nightbenchd.json";
    std::error_code ignored;
    if (fs::is_regular_file(file, ignored)) return file;
  }
  return std::nullopt;
}

Result<std::string> read_token(const fs::path& file) {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = file.string();
  struct stat facts{};
  if (::stat(file.c_str(), &facts) != 0 || !S_ISREG(facts.st_mode)) {
    error.message = "the file of the token cannot be read";
    return fail(error);
  }
  if ((facts.st_mode & 077U) != 0) {
    error.message = "others may read the token; make the file its owner's only (chmod 600)";
    return fail(error);
  }
  std::ifstream stream(file);
  std::string token;
  std::getline(stream, token);
  const bool plain =
      std::all_of(token.begin(), token.end(), [](char c) { return c > ' ' && c <= '~'; });
  if (token.size() < 16 || !plain) {
    error.message = "the token must be one line of 16 or more visible ASCII characters";
    return fail(error);
  }
  return token;
}

}  // namespace nightbench::daemon
