// The shipped dialects are data of the driver's side; what they say must mean something to the
// simulated instruments. Only the files are read here, none of the driver's code.
#include <gtest/gtest.h>

#include <filesystem>
#include <nlohmann/json.hpp>

#include "bench_harness.hpp"
#include "drivers/base/json.hpp"
#include "tests/support/places.hpp"

namespace nightbench::mock::server {
namespace {

// A plausible value for every placeholder that dialects know.
std::string filled(std::string text) {
  const std::vector<std::pair<std::string, std::string>> values{{"{channel}", "1"},
                                                                {"{frequency_hz}", "10120000"},
                                                                {"{level_dbm}", "-40"},
                                                                {"{phase_deg}", "90"},
                                                                {"{amplitude_v}", "5"},
                                                                {"{voltage_v}", "10"},
                                                                {"{current_a}", "0.15"},
                                                                {"{range_v}", "10"},
                                                                {"{range_ohm}", "1000"},
                                                                {"{full_scale_v}", "4"},
                                                                {"{scale_v}", "0.5"},
                                                                {"{offset_v}", "2.5"},
                                                                {"{sample_rate_hz}", "200000"},
                                                                {"{interval_s}", "5e-6"},
                                                                {"{points}", "1000"},
                                                                {"{averages}", "4"},
                                                                {"{level_v}", "0"},
                                                                {"{nplc}", "1"}};
  for (const auto& [placeholder, value] : values) {
    for (std::size_t at = text.find(placeholder); at != std::string::npos;
         at = text.find(placeholder)) {
      text.replace(at, placeholder.size(), value);
    }
  }
  return text;
}

std::string model_of(const std::string& dialect, const std::string& role) {
  if (role != "scope") return role;
  for (const char* family : {"waveform", "curve", "trace"}) {
    if (dialect == std::string("scope-") + family) return std::string("scope_") + family;
  }
  return "";
}

std::vector<std::string> commands_of(const nlohmann::json& dialect) {
  std::vector<std::string> out;
  for (const auto& [operation, said] : dialect["commands"].items()) {
    if (said.is_string())
      out.push_back(said);
    else
      for (const auto& each : said) out.push_back(each);
  }
  return out;
}

TEST(Dialects, EverythingTheySayIsUnderstood) {
  int understood = 0;
  const std::string folder = std::string(NIGHTBENCH_SOURCE_DIR) + "/drivers/dialects";
  for (const auto& file : std::filesystem::directory_iterator(folder)) {
    if (file.path().extension() != ".json") continue;
    const auto root = json::read_file(file.path());
    ASSERT_TRUE(root) << describe(root.error());
    const nlohmann::json& dialect = root->raw();
    const std::string model = model_of(dialect["dialect"], dialect["role"]);
    if (model.empty()) continue;  // a command family that no simulated instrument speaks
    Harness h;
    h.start_text(R"({"simulated_bench": "one", "instruments": {"it": {"model": ")" + model +
                 "\"}}}");
    ASSERT_TRUE(h.started());
    for (const std::string& said : commands_of(dialect)) {
      std::string message = filled(said);
      const std::size_t list = message.find("(@1)");  // relay channels are 101 to 110
      if (list != std::string::npos) message.replace(list, 4, "(@101)");
      EXPECT_EQ(message.find('{'), std::string::npos) << message;
      if (message.find('?') != std::string::npos) {
        const std::string answer = h.ask("it", message);
        EXPECT_FALSE(answer.empty() || answer.front() == '(') << message << ": " << answer;
      } else {
        h.tell("it", message);
      }
      // The curve family's replies may carry their header.
      const std::string error = h.error("it");
      EXPECT_TRUE(error.ends_with("0,\"No error\""))
          << file.path().filename() << ": " << message << ": " << error;
      ++understood;
    }
  }
  EXPECT_GT(understood, 80);
}

}  // namespace
}  // namespace nightbench::mock::server
