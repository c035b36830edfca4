#include "daemon/guardian/order.hpp"

#include <gmock/gmock.h>

namespace nightbench::guardian {
namespace {

TEST(Order, ComesBackAsItWent) {
  Order order;
  order.bench_file = "/a folder/b\"ench.json";
  order.dialects = "/dialects";
  order.resources = {{"supply", "TCPIP::127.0.0.1::5025::SOCKET"}};
  order.watchdog = std::chrono::milliseconds(1500);
  order.patience = std::chrono::seconds(30);
  order.log = "/log";
  order.parent = 4711;
  const std::string line = order_line(order);
  ASSERT_TRUE(line.starts_with("order "));
  EXPECT_EQ(line.find('\n'), std::string::npos);
  const auto back = read_order(std::string_view(line).substr(6));
  ASSERT_TRUE(back) << describe(back.error());
  EXPECT_EQ(back->bench_file, order.bench_file);
  EXPECT_EQ(back->dialects, order.dialects);
  EXPECT_EQ(back->resources, order.resources);
  EXPECT_EQ(back->watchdog, order.watchdog);
  EXPECT_EQ(back->patience, order.patience);
  EXPECT_EQ(back->log, order.log);
  EXPECT_EQ(back->parent, order.parent);
}

TEST(Order, NonsenseIsRefused) {
  for (const char* text : {"", "{}", "[]", R"({"bench": 3})", "order {}"}) {
    const auto order = read_order(text);
    ASSERT_FALSE(order) << text;
    EXPECT_EQ(order.error().kind, ErrorKind::bad_input);
  }
}

TEST(Refusal, KeepsKindAndPlace) {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.message = "expected another \x01 instrument";
  error.instrument = "supply";
  error.command = "*IDN?";
  const Error back = read_refusal(std::string_view(refusal_line(error)).substr(8));
  EXPECT_EQ(back.kind, error.kind);
  EXPECT_EQ(describe(back), describe(error));
  EXPECT_EQ(read_refusal("what?").kind, ErrorKind::bad_input);
}

}  // namespace
}  // namespace nightbench::guardian
