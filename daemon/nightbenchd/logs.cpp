#include "daemon/nightbenchd/logs.hpp"

#include <spdlog/formatter.h>
#include <spdlog/sinks/rotating_file_sink.h>
#include <spdlog/sinks/stdout_sinks.h>
#include <spdlog/spdlog.h>

#include <nlohmann/json.hpp>

#include "sequences/record/text.hpp"

namespace nightbench::daemon {
namespace {

class JsonLines final : public spdlog::formatter {
 public:
  void format(const spdlog::details::log_msg& message, spdlog::memory_buf_t& out) override {
    const std::string text =
        record::valid_utf8(std::string_view(message.payload.data(), message.payload.size()));
    const auto level = spdlog::level::to_string_view(message.level);
    const nlohmann::ordered_json line{
        {"time", iso8601(std::chrono::time_point_cast<Duration>(message.time))},
        {"level", std::string(level.data(), level.size())},
        {"text", text}};
    const std::string whole = line.dump() + "\n";
    out.append(whole.data(), whole.data() + whole.size());
  }
  std::unique_ptr<spdlog::formatter> clone() const override {
    return std::make_unique<JsonLines>();
  }
};

}  // namespace

void tune_log(const LogConfig& config) {
  const auto logger = spdlog::default_logger();
  if (config.json)
    logger->set_formatter(std::make_unique<JsonLines>());
  else
    logger->set_pattern("%Y-%m-%dT%H:%M:%S.%eZ %l %v", spdlog::pattern_time_type::utc);
  logger->set_level(spdlog::level::from_str(config.level));
  logger->flush_on(spdlog::level::info);
}

Result<void> open_log(const LogConfig& config, const std::filesystem::path& state) {
  const std::filesystem::path file = config.file.empty() ? state / "nightbenchd.log" : config.file;
  try {
    spdlog::sink_ptr sink;
    if (file == "-") {
      sink = std::make_shared<spdlog::sinks::stderr_sink_mt>();
    } else {
      sink = std::make_shared<spdlog::sinks::rotating_file_sink_mt>(
          file.string(), static_cast<std::size_t>(config.most_mb * 1e6),
          static_cast<std::size_t>(config.files));
    }
    spdlog::set_default_logger(std::make_shared<spdlog::logger>("nightbenchd", std::move(sink)));
  } catch (const spdlog::spdlog_ex& failed) {
    Error error;
    error.kind = ErrorKind::storage;
    error.file = file.string();
    error.message = std::string("the log cannot be opened: ") + failed.what();
    return fail(std::move(error));
  }
  tune_log(config);
  return {};
}

}  // namespace nightbench::daemon
