// The service as a whole, over loopback: queue, events, questions, signals, what is left behind.
#include <gmock/gmock.h>
#include <signal.h>

#include <algorithm>
#include <filesystem>
#include <set>

#include "drivers/base/clock.hpp"
#include "service.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
using ::testing::HasSubstr;

// One question and nothing else: a script that needs a person.
const Json kLook{{"script", "look"},
                 {"board_type", "heron-30"},
                 {"steps",
                  {{{"step", "drive"}, {"rf_output", "off"}, {"lo_output", "off"}},
                   {{"step", "power"}, {"output", "off"}},
                   {{"step", "ask"},
                    {"id", "seen"},
                    {"title", "Look"},
                    {"text", "Is it green?"},
                    {"part", "U1"}}}}};

struct WholeService : ::testing::Test {
  ScratchFolder folder;
  static bool over(Service& service, long long id) {
    return service.until([&] {
      const std::string state = service.entry(id)["state"];
      return state != "waiting" && state != "running";
    });
  }
};

TEST_F(WholeService, WorksTheQueueOffAndLeavesReports) {
  Service service(folder);
  ASSERT_GT(service.port(), 0);
  const long long good = service.add("H30-001", {{"operator", "A. Heron"}});
  const long long bad = service.add("H30-004");
  const long long unknown = service.add("H30-999");
  ASSERT_GT(good, 0);
  ASSERT_TRUE(over(service, unknown));
  const Json first = service.entry(good);
  EXPECT_EQ(first["state"], "done");
  EXPECT_EQ(first["verdict"], "pass");
  EXPECT_EQ(service.entry(bad)["verdict"], "fail");
  EXPECT_EQ(service.entry(unknown)["state"], "failed");
  EXPECT_THAT(service.entry(unknown)["detail"].get<std::string>(), HasSubstr("H30-999"));

  const std::string run = first["run"];
  const Json header = service.get("/v1/runs/" + run).json();
  EXPECT_EQ(header["outcome"], "complete");
  EXPECT_EQ(header["points"], header["planned_points"]);
  EXPECT_EQ(service.get("/v1/runs/" + run + "/points").json()["points"].size(), header["points"]);
  const Json page = service.get("/v1/runs/" + run + "/points?from=2&most=3").json();
  ASSERT_EQ(page["points"].size(), 3U);
  EXPECT_EQ(page["points"][0]["ordinal"], 2);
  EXPECT_EQ(page["next"], 5);
  EXPECT_EQ(service.get("/v1/runs/" + run + "/board-type").json()["outline_mm"],
            (Json{80.0, 50.0}));
  const Answer report = service.get("/v1/runs/" + run + "/report");
  EXPECT_THAT(report.body, HasSubstr("H30-001"));
  EXPECT_THAT(report.head, HasSubstr("Content-Security-Policy: sandbox"));
  EXPECT_EQ(service.get("/v1/runs/" + run + "/results").json()["header"]["board"], "H30-001");
  EXPECT_THAT(service.get("/v1/runs/" + run + "/readings").body, HasSubstr("image_rejection"));
  EXPECT_THAT(service.get("/v1/runs/" + run + "/junit").body, HasSubstr("<testsuite"));
  EXPECT_THAT(service.get("/v1/runs/" + run + "/correction").body, HasSubstr("rejection_after_db"));
  EXPECT_EQ(service.get("/v1/runs/none").status, 404);

  const Json boards = service.get("/v1/boards").json()["boards"];
  ASSERT_EQ(boards.size(), 2U);
  EXPECT_EQ(boards[0]["board"], "H30-004");
  const Json batch = service.get("/v1/batch").json();
  EXPECT_EQ(batch["script"], "response");
  std::set<std::string> quantities;
  for (const Json& each : batch["boards"][1]["figures"]) quantities.insert(each["quantity"]);
  EXPECT_TRUE(quantities.contains("image_rejection"));
  EXPECT_EQ(service.get("/v1/runs/" + run + "/figures").json()["figures"],
            batch["boards"][1]["figures"]);
  EXPECT_EQ(service.get("/v1/runs/none/figures").status, 404);
  const Json other = service.get("/v1/batch?script=other").json();
  EXPECT_EQ(other["boards"].size(), 0U);
  EXPECT_EQ(other["scripts"], Json::array({"response"}));

  EXPECT_EQ(service.metric("nightbench_runs_total{outcome=\"complete\"}"), 2);
  EXPECT_EQ(service.metric("nightbench_queue_entries{state=\"done\"}"), 2);
  EXPECT_EQ(service.stop(), 0);
  int reports = 0;
  for (const auto& each : std::filesystem::directory_iterator(folder / "state")) {
    reports += each.path().string().ends_with(".report.html") ? 1 : 0;
  }
  EXPECT_EQ(reports, 2);
}

TEST_F(WholeService, EventsComeInOrderAndFromWhereTheReaderWas) {
  Service service(folder);
  Wire watcher(service.port());
  watcher.send("GET /v1/events?after=0 HTTP/1.1\r\nHost: " + service.host() + "\r\n\r\n");
  const long long id = service.add("H30-003");
  const std::string text = watcher.read(
      [](const std::string& seen) { return seen.find("\"state\":\"done\"") != std::string::npos; });
  std::size_t at = 0;
  for (const char* each : {"Content-Type: text/event-stream", "event: queue\n", "event: phase\n",
                           "event: run-started\n", "event: point\n", "event: reading\n",
                           "event: finished\n", "\"state\":\"done\""}) {
    const std::size_t found = text.find(each, at);
    ASSERT_NE(found, std::string::npos) << each << " after " << at;
    at = found;
  }
  EXPECT_NE(text.find("event: trace\n"), std::string::npos);
  EXPECT_TRUE(over(service, id));
  // A reader who has seen some gets the rest.
  Wire late(service.port());
  late.send("GET /v1/events HTTP/1.1\r\nHost: " + service.host() + "\r\nLast-Event-ID: 4\r\n\r\n");
  const std::string rest = late.read(
      [](const std::string& seen) { return seen.find("event: finished") != std::string::npos; });
  EXPECT_NE(rest.find("id: 5\n"), std::string::npos);
  EXPECT_EQ(rest.find("id: 4\n"), std::string::npos);
}

TEST_F(WholeService, AQuestionIsAskedAndAnswered) {
  Service service(folder);
  const long long id = service.add(
      "H30-001",
      {{"script", "look"}, {"script_text", kLook.dump()}, {"parameters", Json::object()}});
  ASSERT_GT(id, 0);
  Json question;
  ASSERT_TRUE(service.until([&] {
    question = service.get("/v1/question").json()["question"];
    return question.is_object();
  }));
  EXPECT_EQ(question["title"], "Look");
  EXPECT_EQ(question["part"], "U1");
  EXPECT_EQ(service.now()["question"]["id"], question["id"]);
  const std::string where = "/v1/questions/" + question["id"].dump() + "/answer";
  EXPECT_EQ(service.ask("POST", where, R"({"answer":"done"})").status, 400);
  EXPECT_EQ(service.ask("POST", where, R"({"answer":"perhaps"})").status, 400);
  EXPECT_EQ(service.ask("POST", where, R"({"reply":"no"})").status, 400);
  EXPECT_EQ(service.ask("POST", where, R"({"answer":"yes","remark":"very green"})").status, 204);
  EXPECT_EQ(service.ask("POST", where, R"({"answer":"yes"})").status, 409);
  ASSERT_TRUE(over(service, id));
  const std::string run = service.entry(id)["run"];
  EXPECT_THAT(service.get("/v1/runs/" + run + "/results").body, HasSubstr("very green"));
  EXPECT_TRUE(service.get("/v1/question").json()["question"].is_null());
}

TEST_F(WholeService, TheEntryUnderWayCanBeCancelled) {
  Service service(folder);
  const long long id = service.add(
      "H30-001",
      {{"script", "look"}, {"script_text", kLook.dump()}, {"parameters", Json::object()}});
  ASSERT_TRUE(
      service.until([&] { return service.get("/v1/question").json()["question"].is_object(); }));
  EXPECT_EQ(service.ask("POST", "/v1/queue/" + std::to_string(id) + "/cancel").status, 202);
  ASSERT_TRUE(over(service, id));
  EXPECT_EQ(service.entry(id)["state"], "cancelled");
  // The next one is not hindered by the questions that were withdrawn.
  const long long next = service.add("H30-001");
  ASSERT_TRUE(over(service, next));
  EXPECT_EQ(service.entry(next)["state"], "done");
}

TEST_F(WholeService, WhatCannotWorkIsRefusedAtOnce) {
  Service service(folder);
  const auto refused = [&](const Json& body) {
    const Answer answer = service.ask("POST", "/v1/queue", body.dump());
    EXPECT_EQ(answer.status, 400) << body;
    return answer.json()["error"]["message"].get<std::string>();
  };
  EXPECT_THAT(refused({{"board", "a"}, {"script", "respons"}}),
              HasSubstr("did you mean \"response\""));
  EXPECT_THAT(refused({{"board", "a"}, {"script", "response"}, {"parameters", {{"levle", "1"}}}}),
              HasSubstr("level"));
  EXPECT_THAT(refused({{"board", "a"}, {"script", "x"}, {"script_text", "{"}}),
              HasSubstr("syntax"));
  EXPECT_THAT(refused({{"board", ""}, {"script", "response"}}), HasSubstr("empty"));
  EXPECT_THAT(refused({{"board", "a\nb"}, {"script", "response"}}), HasSubstr("one line"));
  EXPECT_THAT(refused({{"board", "a"}, {"script", "response"}, {"until", "soon"}}),
              HasSubstr("a time"));
  refused({{"script", "response"}});
  refused(Json::array());
  EXPECT_TRUE(service.get("/v1/queue").json()["entries"].empty());
  EXPECT_EQ(service.ask("POST", "/v1/queue/99/hold").status, 404);
  EXPECT_EQ(service.ask("POST", "/v1/queue/x/hold").status, 404);
  EXPECT_EQ(service.ask("PUT", "/v1/queue").status, 405);
  EXPECT_EQ(service.ask("POST", "/v1/now").status, 405);
}

TEST_F(WholeService, TheCommandLineIsAClient) {
  Service service(folder);
  const std::string where = "http://" + service.host();
  const auto queue = [&](std::vector<std::string> words) {
    words.insert(words.begin(), "queue");
    words.insert(words.end(), {"--service", where});
    Process program(kProgram, words);
    EXPECT_EQ(program.wait(std::chrono::seconds(60)), 0) << program.err();
    return program.out();
  };
  EXPECT_THAT(queue({"add", "response", "--board", "H30-001", "--board", "H30-003", "--held",
                     "--set", "points=3"}),
              HasSubstr("held"));
  queue({"move", "2", "--before", "1"});
  EXPECT_LT(queue({"list"}).find("H30-003"), queue({"list"}).find("H30-001"));
  queue({"release", "1", "2"});
  const std::string seen = queue({"watch", "--until-idle"});
  const Json entries = Json::parse(queue({"list", "--json"}));
  ASSERT_EQ(entries.size(), 2U);
  for (const Json& entry : entries) EXPECT_EQ(entry["state"], "done");
  // A script file of one's own goes as text.
  write_text(folder / "look.json", kLook.dump());
  EXPECT_THAT(queue({"add", folder / "look.json", "--board", "H30-001", "--held"}),
              HasSubstr("look"));
  queue({"cancel", "3"});
  EXPECT_THAT(queue({"list"}), HasSubstr("cancelled"));
  Process wrong(kProgram, {"queue", "add", "respons", "--board", "x", "--service", where});
  EXPECT_EQ(wrong.wait(std::chrono::seconds(20)), 2);
  EXPECT_THAT(wrong.err(), HasSubstr("did you mean"));
  EXPECT_EQ(service.stop(), 0);
  Process nobody(kProgram, {"queue", "list", "--service", where});
  EXPECT_EQ(nobody.wait(std::chrono::seconds(20)), 3);
  EXPECT_THAT(nobody.err(), HasSubstr("is nightbenchd running?"));
}

TEST_F(WholeService, ListensOnAUnixSocketForItsOwnerOnly) {
  const std::string file = folder / "s.sock";
  {
    Service service(folder, {{"listen", {"unix:" + file, "127.0.0.1:0"}}});
    EXPECT_EQ(std::filesystem::status(file).permissions(),
              std::filesystem::perms::owner_read | std::filesystem::perms::owner_write);
    Process list(kProgram, {"queue", "list", "--service", "unix:" + file, "--patience", "5"});
    EXPECT_EQ(list.wait(std::chrono::seconds(20)), 0) << list.err();
    // A second service does not take its place.
    Process second(kService, {"--bench", kSimulatedBench, "--state", folder / "t", "--listen",
                              "unix:" + file});
    EXPECT_EQ(second.wait(std::chrono::seconds(20)), 3);
    service.process().signal(SIGKILL);
    service.process().wait(std::chrono::seconds(20));
    EXPECT_TRUE(std::filesystem::exists(file));  // left behind
  }
  Service again(folder, {{"listen", {"unix:" + file, "127.0.0.1:0"}}});
  EXPECT_EQ(again.get("/healthz").status, 200);
  EXPECT_EQ(again.stop(), 0);
  EXPECT_FALSE(std::filesystem::exists(file));
}

TEST_F(WholeService, StopsWithEverythingOffAndGoesOnLater) {
  SimulatedBenchProcess bench(folder, kSource + "/mock_instruments/benches/heron-30-typical.json");
  const Json settings{{"bench", bench.bench_file()}};
  long long id = 0;
  {
    Service service(folder, settings);
    id = service.add("H30-001", {{"in_place", true}, {"parameters", {{"points", 400}}}});
    ASSERT_TRUE(service.until([&] {
      const Json run = service.now()["run"];
      return run.is_object() && run["progress"]["done"] >= 6;
    }));
    EXPECT_EQ(service.stop(), 0);
    EXPECT_THAT(service.log(), HasSubstr("the service was stopped"));
  }
  EXPECT_EQ(ask_socket(bench.port("generator"), ":OUTP?"), "0");
  EXPECT_EQ(ask_socket(bench.port("supply"), ":OUTP?"), "0");
  EXPECT_EQ(ask_socket(bench.port("clock"), ":OUTP1?"), "0");
  Service service(folder, settings);
  ASSERT_TRUE(service.until([&] { return service.entry(id)["state"] == "running"; }));
  ASSERT_TRUE(service.until([&] {
    const Json run = service.now()["run"];
    return run.is_object() && run["progress"]["done"] >= 12;
  }));
  const std::string service_run = service.entry(id)["run"];
  service.process().signal(SIGKILL);
  service.process().wait(std::chrono::seconds(20));
  const std::string run = service_run;
  Service third(folder, settings);
  EXPECT_THAT(third.log(), HasSubstr("cut short"));
  ASSERT_TRUE(
      third.until([&] { return third.log().find("carrying on with run") != std::string::npos; }));
  ASSERT_TRUE(third.until([&] {
    const Json now = third.now()["run"];
    return now.is_object() && now["progress"]["done"] >= 20;
  }));
  // The same run, or a new one with the reason in the log (a repeated point agrees within U with a
  // probability of 95 % only); in either, every point once and in order.
  const std::string now = third.entry(id)["run"];
  const bool anew = third.log().find("run " + run + " is not carried on with") != std::string::npos;
  EXPECT_EQ(now != run, anew) << third.log();
  const Json points = third.get("/v1/runs/" + now + "/points").json()["points"];
  ASSERT_GE(points.size(), 20U);
  for (std::size_t n = 0; n < points.size(); ++n) EXPECT_EQ(points[n]["ordinal"], n);
  EXPECT_EQ(third.stop(), 0);
}

TEST_F(WholeService, ABoardThatOnlyAPersonCanPlaceIsAskedFor) {
  SimulatedBenchProcess bench(folder);
  Service service(folder, {{"bench", bench.bench_file()}});
  const long long skipped = service.add("H30-001");
  const long long placed = service.add("H30-001");
  const auto answer = [&](const char* word) {
    Json question;
    EXPECT_TRUE(service.until([&] {
      question = service.now()["question"];
      return question.is_object();
    }));
    EXPECT_EQ(question["about"], "place_board");
    EXPECT_THAT(question["title"].get<std::string>(), HasSubstr("H30-001"));
    const std::string where = "/v1/questions/" + question["id"].dump() + "/answer";
    EXPECT_EQ(service.ask("POST", where, Json{{"answer", word}}.dump()).status, 204);
  };
  answer("skip");
  ASSERT_TRUE(over(service, skipped));
  EXPECT_EQ(service.entry(skipped)["state"], "cancelled");
  answer("done");
  ASSERT_TRUE(over(service, placed));
  EXPECT_EQ(service.entry(placed)["state"], "done");
  // It is there now: a second script does not ask again.
  const long long again = service.add("H30-001");
  ASSERT_TRUE(over(service, again));
  EXPECT_EQ(service.entry(again)["state"], "done");
}

TEST_F(WholeService, ABenchThatIsNotThereIsWaitedFor) {
  SimulatedBenchProcess bench(folder);
  const std::string file = folder / "bench.json";
  Json text = Json::parse(read_text(bench.bench_file()));
  const std::string right = text["instruments"]["scope"]["resource"];
  text["instruments"]["scope"]["resource"] = "TCPIP::127.0.0.1::1::SOCKET";
  write_text(file, text.dump());
  Service service(folder, {{"bench", file}});
  const long long id = service.add("H30-001", {{"in_place", true}});
  ASSERT_TRUE(service.until([&] { return service.now().contains("trouble"); }));
  EXPECT_THAT(service.get("/healthz").body, HasSubstr("cannot be opened"));
  EXPECT_EQ(service.metric("nightbench_up"), 0);
  EXPECT_EQ(service.entry(id)["state"], "waiting");
  EXPECT_EQ(ask_socket(bench.port("supply"), ":OUTP?"), "0");
  // Mended and told: no need to wait for the next try.
  text["instruments"]["scope"]["resource"] = right;
  write_text(file, text.dump());
  service.process().signal(SIGHUP);
  ASSERT_TRUE(over(service, id));
  EXPECT_EQ(service.entry(id)["state"], "done");
  EXPECT_EQ(service.get("/healthz").body, "ok\n");
}

TEST_F(WholeService, ReloadsItsFileAndKeepsTheOldOneWhenTheNewIsWrong) {
  Service service(folder);
  Json config = Json::parse(read_text(folder / "nightbenchd.json"));
  config["log"] = {{"level", "info"}, {"json", true}};
  write_text(folder / "nightbenchd.json", config.dump());
  service.process().signal(SIGHUP);
  ASSERT_TRUE(service.until([&] {
    return service.log().find("\"text\":\"the configuration is reloaded\"") != std::string::npos;
  }));
  write_text(folder / "nightbenchd.json", "{ \"service\": ");
  service.process().signal(SIGHUP);
  ASSERT_TRUE(
      service.until([&] { return service.log().find("is not reloaded") != std::string::npos; }));
  EXPECT_EQ(service.get("/healthz").status, 200);
  for (std::istringstream lines(service.log()); !lines.eof();) {
    std::string line;
    std::getline(lines, line);
    if (line.starts_with("{")) {
      EXPECT_TRUE(Json::parse(line)["time"].is_string());
    }
  }
}

TEST_F(WholeService, BeginsNotBeforeAndEndsByItsTime) {
  SimulatedBenchProcess bench(folder, kSource + "/mock_instruments/benches/heron-30-typical.json");
  Service service(folder, {{"bench", bench.bench_file()}});
  const auto in = [](int seconds) {
    const auto when = std::chrono::system_clock::now() + std::chrono::seconds(seconds);
    return iso8601(std::chrono::time_point_cast<Duration>(when));
  };
  const Json later{{"in_place", true}, {"not_before", in(3600)}};
  const long long waits = service.add("H30-001", later);
  const long long ends = service.add(
      "H30-001", {{"in_place", true}, {"until", in(2)}, {"parameters", {{"points", 400}}}});
  ASSERT_TRUE(over(service, ends));
  EXPECT_EQ(service.entry(ends)["state"], "interrupted");
  EXPECT_EQ(service.entry(ends)["detail"], "its end time came");
  EXPECT_EQ(service.entry(waits)["state"], "waiting");
  EXPECT_EQ(service.stop(), 0);
  EXPECT_EQ(ask_socket(bench.port("supply"), ":OUTP?"), "0");
}

}  // namespace
}  // namespace nightbench::testing
