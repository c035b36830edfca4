#include "daemon/nightbenchd/config.hpp"

#include <gmock/gmock.h>
#include <sys/stat.h>

#include "tests/support/places.hpp"
#include "tests/support/process.hpp"

namespace nightbench::daemon {
namespace {

using nightbench::testing::ScratchFolder;
using nightbench::testing::write_text;
using ::testing::HasSubstr;

Result<Config> decoded(const std::string& text) {
  const auto node = json::parse(text, "service.json");
  return node ? decode_config(*node) : Result<Config>(std::unexpected(node.error()));
}

TEST(Config, TheLeastThatIsNeeded) {
  const auto config = decoded(R"({"service": "s", "bench": "b.json"})");
  ASSERT_TRUE(config);
  EXPECT_EQ(config->listen, std::vector<std::string>{"127.0.0.1:7411"});
  EXPECT_EQ(config->answers, Answers::person);
  EXPECT_EQ(config->limits.connections, 256U);
}

TEST(Config, EveryMember) {
  const auto config = read_config(NIGHTBENCH_SOURCE_DIR "/tests/docs/samples/service.full.json");
  ASSERT_TRUE(config) << describe(config.error());
  const std::filesystem::path folder = NIGHTBENCH_SOURCE_DIR "/tests/docs/samples";
  EXPECT_EQ(config->bench, folder / "bench.full.json");
  EXPECT_EQ(config->token_file, folder / "token");
  EXPECT_EQ(config->state, "/var/lib/nightbench");
  EXPECT_EQ(config->hosts, std::vector<std::string>{"bench.example"});
  EXPECT_TRUE(config->token_everywhere);
  EXPECT_EQ(config->answers, Answers::simulated);
  EXPECT_EQ(config->log.level, "debug");
  EXPECT_TRUE(config->log.json);
  EXPECT_EQ(config->log.files, 7);
  EXPECT_EQ(config->limits.connections, 100U);
  EXPECT_EQ(config->limits.streams, 20U);
  EXPECT_DOUBLE_EQ(config->limits.head_s, 5);
  EXPECT_DOUBLE_EQ(config->limits.idle_s, 30);
  EXPECT_DOUBLE_EQ(config->requests_per_s, 50);
}

TEST(Config, WhatIsWrongIsNamed) {
  const auto message = [](const std::string& text) {
    const auto config = decoded(text);
    return config ? std::string() : describe(config.error());
  };
  EXPECT_THAT(message(R"({"bench": "b"})"), HasSubstr("service"));
  EXPECT_THAT(message(R"({"service": "s"})"), HasSubstr("bench"));
  EXPECT_THAT(message(R"({"service": "s", "bench": "b", "lisen": []})"), HasSubstr("listen"));
  EXPECT_THAT(message(R"({"service": "s", "bench": "b", "answers": "me"})"), HasSubstr("/answers"));
  EXPECT_THAT(message(R"({"service": "s", "bench": "b", "limits": {"head_time": "0 s"}})"),
              HasSubstr("/limits/head_time"));
}

TEST(Token, MustBeItsOwnersOnlyAndLong) {
  const ScratchFolder folder;
  const std::string file = folder / "token";
  EXPECT_FALSE(read_token(file));
  write_text(file, "0123456789abcdef\nmore\n");
  chmod(file.c_str(), 0600);
  EXPECT_EQ(*read_token(file), "0123456789abcdef");
  chmod(file.c_str(), 0640);
  EXPECT_THAT(read_token(file).error().message, HasSubstr("others may read"));
  chmod(file.c_str(), 0600);
  write_text(file, "short\n");
  EXPECT_FALSE(read_token(file));
  write_text(file, "0123456789 abcdef\n");
  EXPECT_FALSE(read_token(file));
}

}  // namespace
}  // namespace nightbench::daemon
