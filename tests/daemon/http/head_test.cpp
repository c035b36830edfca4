// Sources of the rules: RFC 9112 (HTTP/1.1) and RFC 9110 (semantics), clause named at each case.
#include "daemon/http/head.hpp"

#include <gtest/gtest.h>

#include <random>

namespace nightbench::http {
namespace {

const std::string kGood = "GET /v1/queue?over=5 HTTP/1.1\r\nHost: localhost\r\n";

std::string reason(const std::string& text) {
  const auto head = read_head(text);
  return head ? "" : head.error().reason;
}

TEST(Head, IsReadIntoItsParts) {
  const auto head = read_head(
      "POST /v1/queue/7/hold?a=1&b=x%20y HTTP/1.1\r\nHost: bench:7411\r\nContent-Length: 12\r\n"
      "Accept: a\r\nACCEPT: b\r\nConnection: Close\r\n\r\n");
  ASSERT_TRUE(head);
  EXPECT_EQ(head->request.method, "POST");
  EXPECT_EQ(head->request.target.path, (std::vector<std::string>{"v1", "queue", "7", "hold"}));
  EXPECT_EQ(head->request.target.query.at("b"), "x y");
  EXPECT_EQ(head->request.field("host"), "bench:7411");
  EXPECT_EQ(head->request.field("accept"), "a, b");  // RFC 9110, 5.3
  EXPECT_EQ(head->content_length, 12U);
  EXPECT_FALSE(head->keep_alive);
  EXPECT_TRUE(read_head(kGood + "\r\n")->keep_alive);
}

TEST(Head, WhatTwoReadersCouldUnderstandDifferentlyIsRefused) {
  struct Case {
    const char* what;
    std::string text;
    const char* reason;
  };
  const std::vector<Case> cases{
      {"both lengths (RFC 9112, 6.3)",
       kGood + "Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n", "both-lengths"},
      {"the other way round", kGood + "Transfer-Encoding: chunked\r\nContent-Length: 5\r\n\r\n",
       "both-lengths"},
      {"transfer coding alone", kGood + "Transfer-Encoding: chunked\r\n\r\n", "transfer-encoding"},
      {"a coding nobody knows", kGood + "Transfer-Encoding: xchunked\r\n\r\n", "transfer-encoding"},
      {"two lengths (RFC 9112, 6.3)", kGood + "Content-Length: 5\r\nContent-Length: 6\r\n\r\n",
       "twice"},
      {"two equal lengths", kGood + "Content-Length: 5\r\nContent-Length: 5\r\n\r\n", "twice"},
      {"a list of lengths", kGood + "Content-Length: 5, 5\r\n\r\n", "bad-length"},
      {"a signed length", kGood + "Content-Length: +5\r\n\r\n", "bad-length"},
      {"a hexadecimal length", kGood + "Content-Length: 0x5\r\n\r\n", "bad-length"},
      {"an empty length", kGood + "Content-Length:\r\n\r\n", "bad-length"},
      {"a length beyond 64 bits", kGood + "Content-Length: 99999999999999999999\r\n\r\n",
       "bad-length"},
      {"a folded field (RFC 9112, 5.2)", kGood + "Accept: a\r\n b\r\n\r\n", "folded-field"},
      {"a fold by TAB", kGood + "Accept: a\r\n\tb\r\n\r\n", "folded-field"},
      {"a fold right after the first line", "GET / HTTP/1.1\r\n Host: x\r\n\r\n", "folded-field"},
      {"a blank before the colon (RFC 9112, 5.1)", kGood + "Accept : a\r\n\r\n", "bad-field"},
      {"no colon", kGood + "Accept\r\n\r\n", "bad-field"},
      {"an empty name", kGood + ": a\r\n\r\n", "bad-field"},
      {"a bare LF (RFC 9112, 2.2)", kGood + "Accept: a\nX: b\r\n\r\n", "line-end"},
      {"a bare CR", kGood + "Accept: a\rX: b\r\n\r\n", "line-end"},
      {"a NUL", kGood + std::string("Accept: a\0b\r\n\r\n", 15), "bad-byte"},
      {"a byte above ASCII", kGood + "Accept: \xc3\xa4\r\n\r\n", "bad-byte"},
      {"two hosts (RFC 9112, 3.2)", kGood + "Host: other\r\n\r\n", "twice"},
      {"no host (RFC 9112, 3.2)", "GET / HTTP/1.1\r\n\r\n", "no-host"},
      {"two origins", kGood + "Origin: http://a\r\nOrigin: http://b\r\n\r\n", "twice"},
      {"an expectation (RFC 9110, 10.1.1)", kGood + "Expect: 100-continue\r\n\r\n", "expect"},
      {"HTTP/1.0", "GET / HTTP/1.0\r\nHost: localhost\r\n\r\n", "version"},
      {"HTTP/2", "GET / HTTP/2.0\r\nHost: localhost\r\n\r\n", "version"},
      {"no version", "GET /\r\nHost: localhost\r\n\r\n", "request-line"},
      {"two blanks", "GET  / HTTP/1.1\r\nHost: localhost\r\n\r\n", "bad-target"},
      {"absolute form", "GET http://localhost/ HTTP/1.1\r\nHost: localhost\r\n\r\n", "bad-target"},
      {"an address of 3000 bytes",
       "GET /" + std::string(3000, 'a') + " HTTP/1.1\r\nHost: localhost\r\n\r\n", "long-target"},
  };
  for (const Case& each : cases) EXPECT_EQ(reason(each.text), each.reason) << each.what;
  std::string many = kGood;
  for (int n = 0; n < 65; ++n) many += "X-" + std::to_string(n) + ": 1\r\n";
  EXPECT_EQ(reason(many + "\r\n"), "many-fields");
}

TEST(Head, AnyBytesAreReadOrRefused) {
  const auto seed = std::random_device()();
  SCOPED_TRACE(seed);
  std::mt19937 random(seed);
  int refused = 0;
  for (int n = 0; n < 20'000; ++n) {
    std::string text = kGood + "Accept: a\r\nContent-Length: 3\r\n\r\n";
    for (int change = 0; change < 3; ++change) {
      text[random() % text.size()] = static_cast<char>(random());
    }
    if (!text.ends_with("\r\n\r\n")) text += "\r\n\r\n";
    const auto head = read_head(text);
    if (!head) {
      ++refused;
      EXPECT_GE(head.error().status, 400);
      EXPECT_FALSE(head.error().reason.empty());
    } else {
      EXPECT_LE(head->request.fields.size(), 64U);
    }
  }
  EXPECT_GT(refused, 1000);
  EXPECT_LT(refused, 20'000);
}

}  // namespace
}  // namespace nightbench::http
