// The addresses of the service and what is behind them (docs/reference/service.md). Makes responses
// from the rooms of daemon/service; knows nothing of sockets. On the I/O thread only.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/http/gate.hpp"
#include "daemon/http/message.hpp"
#include "daemon/service/worker.hpp"

namespace nightbench::http {

struct Tally;

// A script or board type of the library, for people to choose from.
struct LibraryItem {
  std::string name, title;
  std::map<std::string, std::string> parameters;  // of a script, with their defaults
};
struct Library {
  std::vector<LibraryItem> scripts, board_types;
};

struct Rooms {  // all must outlive the Api
  Clock& clock;
  Gate& gate;
  service::EventHub& events;
  service::LiveRun& live;
  service::RemoteOperator& person;
  service::QueueDesk& queue;
  service::Worker& worker;
  service::BenchHouse& house;
  service::ReadRoom& room;
  service::PlanMaker plans;
  std::function<Result<Library>()> library;
  std::function<const Tally&()> tally;
  std::string version;
  WallTime started;
};

class Api {
 public:
  explicit Api(Rooms rooms);

  // Never throws; what goes wrong inside is a response of status 500.
  Awaitable<Response> handle(Request request);
  // Whether a request holds no data and takes no token: the page's own files, opening a session.
  static bool open_to_all(const Request& request);

 private:
  struct Call {
    Request request;
    std::vector<std::string> arguments;  // the segments that stand for {...}
  };
  using Act = Awaitable<Response> (Api::*)(Call call);
  struct Route {
    std::string_view method, pattern;
    Act act;
  };
  static const std::vector<Route>& routes();

  // api.cpp
  Awaitable<Response> dispatch(Request request);
  Awaitable<Response> page_file(Request request);
  Awaitable<Response> health(Call call);
  Awaitable<Response> metrics(Call call);
  Awaitable<Response> now(Call call);
  Awaitable<Response> events(Call call);
  Awaitable<Response> bench(Call call);
  Awaitable<Response> library(Call call);
  Awaitable<Response> session(Call call);
  Awaitable<Response> question(Call call);
  Awaitable<Response> answer(Call call);
  // api_queue.cpp
  Awaitable<Response> queue_list(Call call);
  Awaitable<Response> queue_add(Call call);
  Awaitable<Response> queue_one(Call call);
  Awaitable<Response> queue_hold(Call call);
  Awaitable<Response> queue_release(Call call);
  Awaitable<Response> queue_cancel(Call call);
  Awaitable<Response> queue_move(Call call);
  // api_store.cpp
  Awaitable<Response> boards(Call call);
  Awaitable<Response> batch(Call call);
  Awaitable<Response> runs(Call call);
  Awaitable<Response> run(Call call);
  Awaitable<Response> points(Call call);
  Awaitable<Response> board_type(Call call);
  Awaitable<Response> figures(Call call);
  Awaitable<Response> report(Call call);
  Awaitable<Response> results(Call call);
  Awaitable<Response> readings(Call call);
  Awaitable<Response> junit(Call call);
  Awaitable<Response> correction(Call call);
  Awaitable<Response> from_store(service::ReadRoom::Work work, std::string type);

  Rooms rooms_;
};

// Response makers. Inside daemon/http only.
Response json_response(const nlohmann::ordered_json& body, int status = 200);
Response error_response(const Error& error);
std::optional<std::int64_t> id_of(const std::string& text);  // 1, 2, ... up to 2^53
Result<json::Node> json_body(const Request& request);

// Prometheus text exposition format 0.0.4.
std::string metrics_text(const Rooms& rooms);

}  // namespace nightbench::http
