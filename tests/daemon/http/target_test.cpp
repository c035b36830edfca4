// RFC 3986, 2.1, 3.3 and 3.4; RFC 9112, 3.2.1.
#include "daemon/http/target.hpp"

#include <gtest/gtest.h>

namespace nightbench::http {
namespace {

using Path = std::vector<std::string>;

TEST(Target, IsSplitAndDecoded) {
  EXPECT_EQ(parse_target("/")->path, Path{});
  EXPECT_EQ(parse_target("/v1/runs/a%2Db/points")->path, (Path{"v1", "runs", "a-b", "points"}));
  EXPECT_EQ(parse_target("/v1/queue/")->path, (Path{"v1", "queue"}));
  const auto query = parse_target("/x?a=1&b=&c&d=%c3%a4+b")->query;
  EXPECT_EQ(query.at("a"), "1");
  EXPECT_EQ(query.at("b"), "");
  EXPECT_EQ(query.at("c"), "");
  EXPECT_EQ(query.at("d"), "\xc3\xa4 b");
}

TEST(Target, NothingThatClimbsComesThrough) {
  for (const char* text : {"",
                           "x",
                           "*",
                           "http://a/",
                           "//",
                           "//etc/passwd",
                           "/a//b",
                           "/.",
                           "/..",
                           "/../etc/passwd",
                           "/page/../../etc/passwd",
                           "/page/%2e%2e/x",
                           "/page/%2E%2E%2Fetc",
                           "/page/..%2fx",
                           "/a%2fb",
                           "/a%5cb",
                           "/a\\b",
                           "/%00",
                           "/a%0ab",
                           "/a%0db",
                           "/a%",
                           "/a%2",
                           "/a%zz",
                           "/%ff%fe",
                           "/a#b",
                           "/1/2/3/4/5/6/7/8/9",
                           "/x?a=1&a=2",
                           "/x?=1",
                           "/x?a=%",
                           "/%c0%ae%c0%ae/x",
                           "/%e2%80%ae"}) {
    EXPECT_FALSE(parse_target(text)) << text;
  }
  std::string many = "/x?";
  for (int n = 0; n < 20; ++n) many += "k" + std::to_string(n) + "=1&";
  EXPECT_FALSE(parse_target(many));
}

}  // namespace
}  // namespace nightbench::http
