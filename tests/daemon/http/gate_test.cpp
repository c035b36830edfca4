#include "daemon/http/gate.hpp"

#include <gtest/gtest.h>

#include <boost/asio/io_context.hpp>

namespace nightbench::http {
namespace {

struct AtTheGate : ::testing::Test {
  boost::asio::io_context io;
  VirtualClock clock{io};
  Gate gate{clock, {.token = "0123456789abcdef", .requests_per_s = 10, .burst = 60}};
  Door here{.needs_token = false,
            .authorities = authorities("127.0.0.1", 7411, true, {"Bench.local"})};
  Door remote{.needs_token = true, .authorities = authorities("192.0.2.7", 7411, false, {})};

  static Request request(const std::string& host) {
    Request out;
    out.method = "GET";
    out.fields["host"] = host;
    return out;
  }
  std::string reason(const Request& request, const Door& door, bool open_to_all = false,
                     const std::string& peer = "a") {
    const auto refusal = gate.check(request, door, peer, open_to_all);
    return refusal ? refusal->reason : "";
  }
  void pass(Duration span) {
    const auto alarm = clock.arm(clock.now() + span, [] {});
    clock.run([] { return false; });
  }
};

TEST_F(AtTheGate, OnlyOurNamesAreTakenForUs) {
  for (const char* host :
       {"127.0.0.1:7411", "localhost:7411", "LOCALHOST:7411", "[::1]:7411", "bench.local:7411"}) {
    EXPECT_EQ(reason(request(host), here), "") << host;
  }
  for (const char* host : {"127.0.0.1", "localhost", "127.0.0.1:7412", "evil.example:7411", "",
                           "127.0.0.1:7411.evil.example", "localhost:7411@evil.example"}) {
    EXPECT_EQ(reason(request(host), here), "wrong-host") << host;
  }
  EXPECT_EQ(reason(request("localhost:7411"), remote), "wrong-host");
}

TEST_F(AtTheGate, PagesOfOtherSitesMayNotAsk) {
  Request own = request("localhost:7411");
  own.fields["origin"] = "http://localhost:7411";
  EXPECT_EQ(reason(own, here), "");
  for (const char* origin :
       {"http://evil.example", "http://localhost:7412", "null", "http://127.0.0.1:7411"}) {
    Request other = request("localhost:7411");
    other.fields["origin"] = origin;
    EXPECT_EQ(reason(other, here), "foreign-origin") << origin;
  }
  Request without = request("localhost:7411");
  without.fields["sec-fetch-site"] = "cross-site";
  EXPECT_EQ(reason(without, here), "foreign-origin");
  EXPECT_EQ(reason(without, here, true), "");  // a link to the page itself
}

TEST_F(AtTheGate, ATokenIsNeededBeyondThisMachine) {
  Request good = request("192.0.2.7:7411");
  EXPECT_EQ(reason(good, remote, false, "b"), "no-token");
  EXPECT_EQ(reason(good, remote, true, "c"), "");
  for (const char* wrong :
       {"Bearer 0123456789abcdeX", "Bearer 0123456789abcde", "Bearer 0123456789abcdef0",
        "0123456789abcdef", "Basic abc", "Bearer "}) {
    pass(std::chrono::seconds(60));
    good.fields["authorization"] = wrong;
    EXPECT_EQ(reason(good, remote, false, "d"), "no-token") << wrong;
  }
  pass(std::chrono::seconds(60));
  good.fields["authorization"] = "bearer 0123456789abcdef";  // RFC 9110, 11.1: case does not count
  EXPECT_EQ(reason(good, remote, false, "d"), "");
}

TEST_F(AtTheGate, WithoutATokenNobodyHasTheRightOne) {
  gate.set({.token = ""});
  Request guess = request("192.0.2.7:7411");
  guess.fields["authorization"] = "Bearer ";
  EXPECT_EQ(reason(guess, remote), "no-token");
  EXPECT_FALSE(gate.open_session(""));
}

TEST_F(AtTheGate, ASessionStandsForTheTokenForTwelveHours) {
  EXPECT_FALSE(gate.open_session("wrong"));
  const auto session = gate.open_session("0123456789abcdef");
  ASSERT_TRUE(session);
  EXPECT_NE(*session, *gate.open_session("0123456789abcdef"));
  Request with = request("192.0.2.7:7411");
  with.fields["cookie"] = "x=1; " + kSessionCookie + "=" + *session;
  EXPECT_EQ(reason(with, remote), "");
  with.fields["cookie"] = kSessionCookie + "=";
  EXPECT_EQ(reason(with, remote, false, "e"), "no-token");
  with.fields["cookie"] = kSessionCookie + "=" + *session;
  pass(std::chrono::hours(12) + std::chrono::seconds(1));
  EXPECT_EQ(reason(with, remote), "no-token");
}

TEST_F(AtTheGate, OneAddressGetsSoManyRequests) {
  const Request good = request("localhost:7411");
  int served = 0;
  while (reason(good, here).empty()) ++served;
  EXPECT_EQ(served, 60);
  EXPECT_EQ(reason(good, here), "too-many");
  EXPECT_EQ(reason(good, here, false, "another"), "");
  pass(std::chrono::seconds(1));
  served = 0;
  while (reason(good, here).empty()) ++served;
  EXPECT_EQ(served, 10);
}

TEST_F(AtTheGate, GuessingATokenIsSlow) {
  Request guess = request("192.0.2.7:7411");
  guess.fields["authorization"] = "Bearer 0000000000000000";
  int guesses = 0;
  while (reason(guess, remote) == "no-token") ++guesses;
  EXPECT_LE(guesses, 2);
}

TEST_F(AtTheGate, ManyAddressesTakeNoMoreRoomThanAllowed) {
  const Request good = request("localhost:7411");
  int served = 0;
  for (int n = 0; n < 10'000; ++n) {
    served += reason(good, here, false, std::to_string(n)).empty() ? 1 : 0;
  }
  EXPECT_EQ(served, 4096);
  pass(std::chrono::seconds(10));  // those who asked once are forgotten
  EXPECT_EQ(reason(good, here, false, "late"), "");
}

}  // namespace
}  // namespace nightbench::http
