// The service against input that means it no good: refused, counted, logged, service unharmed.
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include <random>

#include "service.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;

struct Hostile : ::testing::Test {
  ScratchFolder folder;

  // What has to be true of the service after every attack.
  static void expect_unharmed(Service& service) {
    EXPECT_EQ(service.get("/healthz").body, "ok\n");
    EXPECT_EQ(kill(service.process().pid(), 0), 0);
    const double bytes = service.metric("process_resident_memory_bytes");
    EXPECT_GT(bytes, 1e6);
    EXPECT_LT(bytes, 150e6);
  }
  static double refused(Service& service, const std::string& reason) {
    return service.metric("nightbench_http_refused_total{reason=\"" + reason + "\"}");
  }
};

TEST_F(Hostile, SmuggledAndBrokenHeadsAreRefusedOnceAndTheConnectionEnds) {
  Service service(folder);
  const std::string line = "POST /v1/queue HTTP/1.1\r\nHost: " + service.host() + "\r\n";
  const std::string second = "GET /v1/now HTTP/1.1\r\nHost: " + service.host() + "\r\n\r\n";
  struct Case {
    std::string bytes;
    int status;
    const char* reason;
  };
  const std::vector<Case> cases{
      {line + "Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n", 400,
       "both-lengths"},
      {line + "Transfer-Encoding: chunked\r\nContent-Length: 4\r\n\r\n0\r\n\r\n", 400,
       "both-lengths"},
      {line + "Transfer-Encoding: chunked\r\n\r\n0\r\n\r\n", 411, "transfer-encoding"},
      {line + "Content-Length: 0\r\nContent-Length: 60\r\n\r\n", 400, "twice"},
      {line + "X: a\r\n b\r\n\r\n", 400, "folded-field"},
      {line + "Content-Length : 3\r\n\r\nabc", 400, "bad-field"},
      {line + "X: a\nContent-Length: 99\r\n\r\n", 400, "line-end"},
      {"GET / HTTP/1.1\r\n\r\n", 400, "no-host"},
      {line + "Host: other\r\n\r\n", 400, "twice"},
      {line + "Expect: 100-continue\r\nContent-Length: 3\r\n\r\n", 417, "expect"},
      {"GET /../../etc/passwd HTTP/1.1\r\nHost: " + service.host() + "\r\n\r\n", 400, "bad-target"},
      {"GET / HTTP/1.0\r\nHost: " + service.host() + "\r\n\r\n", 505, "version"},
      {line + "X: " + std::string(9000, 'x') + "\r\n\r\n", 431, "large-head"},
      {"GET /" + std::string(3000, 'x') + " HTTP/1.1\r\nHost: " + service.host() + "\r\n\r\n", 414,
       "long-target"},
      {line + "Content-Length: 99999999\r\n\r\n", 413, "large-body"},
  };
  for (const Case& each : cases) {
    const std::string answer = service.raw(each.bytes + second);
    EXPECT_EQ(parsed(answer).status, each.status) << each.reason;
    EXPECT_EQ(parsed(answer).json()["error"]["reason"], each.reason);
    // One answer and no more: what came after it was not taken for a request.
    EXPECT_EQ(answer.find("\nHTTP/1.1 "), std::string::npos) << each.reason;
    EXPECT_GE(refused(service, each.reason), 1) << each.reason;
    EXPECT_NE(service.log().find(std::string("refused (") + each.reason + ")"), std::string::npos);
  }
  EXPECT_TRUE(service.get("/v1/queue").json()["entries"].empty());
  expect_unharmed(service);
  EXPECT_EQ(service.stop(), 0);
}

TEST_F(Hostile, RequestsInOnePieceAreAnsweredInOrder) {
  Service service(folder);
  const std::string host = "Host: " + service.host() + "\r\n";
  const std::string answers =
      service.raw("GET /healthz HTTP/1.1\r\n" + host + "\r\nGET /v1/now HTTP/1.1\r\n" + host +
                  "\r\nGET /nothing HTTP/1.1\r\n" + host + "Connection: close\r\n\r\n");
  const std::size_t first = answers.find("ok\n");
  const std::size_t second = answers.find("\"phase\"");
  const std::size_t third = answers.find("HTTP/1.1 404");
  EXPECT_LT(first, second);
  EXPECT_LT(second, third);
  EXPECT_NE(third, std::string::npos);
}

TEST_F(Hostile, PathsNeverReachTheDisk) {
  Service service(folder);
  for (const char* path : {"/../../../../etc/passwd",
                           "/page/../../../../etc/passwd",
                           "/page/%2e%2e/%2e%2e/etc/passwd",
                           "/page/..%2f..%2fetc%2fpasswd",
                           "/page/....//etc/passwd",
                           "//etc/passwd",
                           "/page/%00index.html",
                           "/page//etc/passwd",
                           "/page/index.html%00",
                           "/page/\\..\\x",
                           "/v1/runs/..%2f..%2fetc%2fpasswd",
                           "/v1/runs/%2e%2e/report",
                           "/v1/runs/nightbench.db/report",
                           "/page/nightbench.db",
                           "/nightbench.db",
                           "/v1/runs/../../nightbench.db",
                           "/page/%c0%ae%c0%ae/etc/passwd",
                           "/v1/runs/x/../../../etc/passwd",
                           "file:///etc/passwd",
                           "http://127.0.0.1/etc/passwd"}) {
    const Answer answer = service.get(path);
    EXPECT_TRUE(answer.status == 400 || answer.status == 404) << path << ": " << answer.status;
    EXPECT_EQ(answer.body.find("root:"), std::string::npos) << path;
  }
  // Names of scripts and board types are names, not paths.
  for (const char* name : {"../../../../etc/passwd", "/etc/passwd", "scripts/response",
                           "response.json", "./response", "..", ".", "resp\xc3\xb6nse"}) {
    const Json body{{"board", "H30-001"}, {"script", name}};
    const Answer answer = service.ask("POST", "/v1/queue", body.dump());
    EXPECT_EQ(answer.status, 400) << name << answer.body;
    const Json type{{"board", "H30-001"}, {"script", "response"}, {"board_type", name}};
    EXPECT_EQ(service.ask("POST", "/v1/queue", type.dump()).status, 400) << name;
  }
  expect_unharmed(service);
}

TEST_F(Hostile, OtherNamesAndOtherSitesAreRefused) {
  Service service(folder);
  const auto with = [&](const std::string& host, const std::string& more) {
    return parsed(service.raw("GET /v1/now HTTP/1.1\r\nHost: " + host + "\r\n" + more +
                              "Connection: close\r\n\r\n"));
  };
  EXPECT_EQ(with(service.host(), "").status, 200);
  EXPECT_EQ(with("evil.example", "").json()["error"]["reason"], "wrong-host");
  EXPECT_EQ(with("evil.example:" + std::to_string(service.port()), "").status, 421);
  EXPECT_EQ(with(service.host(), "Origin: http://" + service.host() + "\r\n").status, 200);
  EXPECT_EQ(with(service.host(), "Origin: http://evil.example\r\n").json()["error"]["reason"],
            "foreign-origin");
  EXPECT_EQ(with(service.host(), "Origin: null\r\n").status, 403);
  EXPECT_EQ(with(service.host(), "Sec-Fetch-Site: cross-site\r\n").status, 403);
  // A form of another site can send text, but not JSON, without asking first.
  EXPECT_EQ(parsed(service.raw("POST /v1/queue HTTP/1.1\r\nHost: " + service.host() +
                               "\r\nContent-Type: text/plain\r\nContent-Length: 2\r\n\r\n{}"))
                .status,
            400);
  EXPECT_GE(refused(service, "wrong-host"), 2);
  EXPECT_GE(refused(service, "foreign-origin"), 3);
  expect_unharmed(service);
}

TEST_F(Hostile, WithoutTheTokenNothingIsTold) {
  const std::string token = "a-token-for-this-test-only";
  write_text(folder / "token", token + "\n");
  ASSERT_EQ(chmod((folder / "token").c_str(), 0600), 0);
  Service service(
      folder,
      {{"token_file", "token"}, {"token_everywhere", true}, {"limits", {{"burst", 100000}}}});
  for (const char* target : {"/healthz", "/metrics", "/v1/now", "/v1/queue", "/v1/events",
                             "/v1/boards", "/v1/nothing"}) {
    EXPECT_EQ(service.get(target).status, 401) << target;
    EXPECT_EQ(service.ask("GET", target, "", "Authorization: Bearer " + token + "x\r\n").status,
              401);
  }
  const std::string right = "Authorization: Bearer " + token + "\r\n";
  EXPECT_EQ(service.ask("GET", "/v1/now", "", right).status, 200);
  // The page's own files hold no data; a browser opens a session with the token.
  EXPECT_EQ(service.get("/").status, 200);
  EXPECT_EQ(service.ask("POST", "/v1/session", R"({"token":"wrong"})").status, 401);
  const Answer opened = service.ask("POST", "/v1/session", Json{{"token", token}}.dump());
  EXPECT_EQ(opened.status, 204);
  const std::size_t at = opened.head.find("nightbench_session=");
  ASSERT_NE(at, std::string::npos);
  EXPECT_NE(opened.head.find("HttpOnly; SameSite=Strict"), std::string::npos);
  const std::string cookie = opened.head.substr(at, opened.head.find(';', at) - at);
  EXPECT_EQ(service.ask("GET", "/v1/now", "", "Cookie: " + cookie + "\r\n").status, 200);
  EXPECT_EQ(service.log().find(token), std::string::npos);
  const std::string list = service.ask("GET", "/metrics", "", right).body;
  EXPECT_NE(list.find("nightbench_http_refused_total{reason=\"no-token\"}"), std::string::npos);
}

TEST_F(Hostile, AddressesOfOtherMachinesNeedAToken) {
  Process service(kService,
                  {"--bench", kSimulatedBench, "--state", folder / "s", "--listen", "192.0.2.1:0"});
  EXPECT_EQ(service.wait(std::chrono::seconds(20)), 2);
  EXPECT_NE(service.err().find("a token is needed"), std::string::npos) << service.err();
}

TEST_F(Hostile, ATokenThatOthersCanReadIsRefused) {
  write_text(folder / "token", "a-token-for-this-test-only\n");
  ASSERT_EQ(chmod((folder / "token").c_str(), 0644), 0);
  write_text(folder / "c.json", Json{{"service", "t"},
                                     {"bench", kSimulatedBench},
                                     {"token_file", "token"},
                                     {"listen", {"127.0.0.1:0"}}}
                                    .dump());
  Process service(kService, {"--config", folder / "c.json", "--state", folder / "s"});
  EXPECT_EQ(service.wait(std::chrono::seconds(20)), 2);
  EXPECT_NE(service.err().find("others may read the token"), std::string::npos) << service.err();
}

TEST_F(Hostile, SlowClientsAreSentAway) {
  Service service(
      folder,
      {{"limits", {{"head_time", "200 ms"}, {"body_time", "200 ms"}, {"idle_time", "200 ms"}}}});
  const std::string head = "POST /v1/queue HTTP/1.1\r\nHost: " + service.host() + "\r\n";
  Wire silent(service.port());
  Wire slow_head(service.port());
  slow_head.send(head);
  Wire slow_body(service.port());
  slow_body.send(head + "Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{");
  Wire idle(service.port());
  idle.send("GET /healthz HTTP/1.1\r\nHost: " + service.host() + "\r\n\r\n");
  EXPECT_EQ(silent.read_all(), "");
  EXPECT_EQ(parsed(slow_head.read_all()).json()["error"]["reason"], "slow-head");
  EXPECT_EQ(parsed(slow_body.read_all()).json()["error"]["reason"], "slow-body");
  EXPECT_EQ(parsed(idle.read_all()).body, "ok\n");
  // One byte now and then does not buy more time.
  Wire drip(service.port());
  std::string answer;
  for (const char c : head + std::string(200, 'x')) {
    if (!drip.send(std::string(1, c))) break;
    answer += drip.read([](const std::string&) { return false; }, std::chrono::milliseconds(5));
    if (!answer.empty()) break;
  }
  EXPECT_EQ(parsed(answer + drip.read_all()).status, 408);
  expect_unharmed(service);
}

TEST_F(Hostile, AThousandIdleConnectionsKeepNobodyOut) {
  rlimit files{};
  getrlimit(RLIMIT_NOFILE, &files);
  files.rlim_cur = std::min<rlim_t>(files.rlim_max, 4096);
  setrlimit(RLIMIT_NOFILE, &files);
  Service service(folder, {{"limits", {{"connections", 200}}}});
  std::vector<Wire> crowd;
  for (int n = 0; n < 1000; ++n) {
    crowd.emplace_back(service.port());
    ASSERT_TRUE(crowd.back().open()) << n;
    if (n % 3 == 0) crowd.back().send("GET /v1/now HTT");
  }
  for (int n = 0; n < 20; ++n) EXPECT_EQ(service.get("/v1/now").status, 200);
  EXPECT_LE(service.metric("nightbench_http_connections"), 201);
  EXPECT_GE(service.metric("nightbench_http_evicted_total"), 600);
  // A run goes on meanwhile.
  const long long id = service.add("H30-001");
  EXPECT_TRUE(service.until([&] { return service.entry(id)["state"] == "done"; }));
  expect_unharmed(service);
  EXPECT_EQ(service.stop(), 0);
}

TEST_F(Hostile, WatchersAreBounded) {
  Service service(folder, {{"limits", {{"streams", 3}}}});
  std::vector<Wire> watchers;
  for (int n = 0; n < 3; ++n) {
    watchers.emplace_back(service.port());
    watchers.back().send("GET /v1/events HTTP/1.1\r\nHost: " + service.host() + "\r\n\r\n");
    watchers.back().read(
        [](const std::string& text) { return text.find("retry:") != std::string::npos; });
  }
  EXPECT_EQ(service.get("/v1/events").status, 503);
  EXPECT_EQ(service.metric("nightbench_http_streams"), 3);
  expect_unharmed(service);
  EXPECT_EQ(service.stop(), 0);
}

TEST_F(Hostile, AFloodOfRequestsIsHeldBack) {
  Service service(folder, {{"limits", {{"requests_per_second", 20}, {"burst", 30}}}});
  int refused_now = 0;
  for (int n = 0; n < 60; ++n) refused_now += service.get("/healthz").status == 429 ? 1 : 0;
  EXPECT_GT(refused_now, 10);
  EXPECT_TRUE(service.until([&] { return service.get("/healthz").status == 200; }));
  EXPECT_NE(service.log().find("refused (too-many)"), std::string::npos);
}

// Requests that were good once, changed at random places. Bounded: 2000 of them.
TEST_F(Hostile, ChangedRequestsAreAnsweredOrRefused) {
  Service service(folder, {{"limits", {{"requests_per_second", 1000000}, {"burst", 1000000}}}});
  const std::string host = "Host: " + service.host() + "\r\n";
  const std::string body =
      R"({"board":"H30-001","script":"response","held":true,"parameters":{"points":3}})";
  const std::vector<std::string> good{
      "GET / HTTP/1.1\r\n" + host + "\r\n",
      "GET /v1/boards?x=1 HTTP/1.1\r\n" + host + "Origin: http://" + service.host() + "\r\n\r\n",
      "GET /v1/runs/20261125T030405Z-H30-007-1a2b/points?from=3&most=9 HTTP/1.1\r\n" + host +
          "\r\n",
      "HEAD /page/page.css HTTP/1.1\r\n" + host + "If-None-Match: \"x\"\r\n\r\n",
      "POST /v1/queue HTTP/1.1\r\n" + host + "Content-Type: application/json\r\nContent-Length: " +
          std::to_string(body.size()) + "\r\n\r\n" + body,
      "POST /v1/queue/1/move HTTP/1.1\r\n" + host +
          "Content-Type: application/json\r\nContent-Length: 15\r\n\r\n{\"before\":null}",
      "POST /v1/questions/1/answer HTTP/1.1\r\n" + host +
          "Content-Type: application/json\r\nContent-Length: 17\r\n\r\n{\"answer\":\"done\"}",
  };
  const auto seed = std::random_device()();
  SCOPED_TRACE("seed " + std::to_string(seed));
  std::mt19937 random(seed);
  int answered = 0;
  for (int n = 0; n < 2000; ++n) {
    std::string text = good[random() % good.size()];
    for (unsigned change = random() % 4; change > 0; --change) {
      const std::size_t at = random() % text.size();
      switch (random() % 5) {
        case 0:
          text[at] = static_cast<char>(random());
          break;
        case 1:
          text.erase(at, 1 + random() % 8);
          break;
        case 2:
          text.insert(at, text.substr(random() % text.size(), random() % 40));
          break;
        case 3:
          text.resize(at + 1);
          break;
        default:
          text.insert(at, std::string(random() % 300, static_cast<char>(random())));
          break;
      }
      if (text.empty()) text = "x";
    }
    const std::string answer = service.raw(text);
    if (answer.empty()) continue;
    ++answered;
    ASSERT_TRUE(answer.starts_with("HTTP/1.1 ")) << answer.substr(0, 80);
    ASSERT_NE(parsed(answer).status, 500) << text << "\n" << answer;
  }
  EXPECT_GT(answered, 1000);
  expect_unharmed(service);
  EXPECT_EQ(service.stop(), 0);
}

}  // namespace
}  // namespace nightbench::testing
