// A scripted instrument behind an in-memory link, for tests of everything above links.
//
// By default it behaves: it keeps what commands set and answers queries from it (":SOUR:FREQ 1E6"
// makes
// ":SOUR:FREQ?" answer 1E6; ON and OFF become 1 and 0), knows *IDN?, *OPC? and :SYST:ERR?, chains
// at ';', and for a query that it does not know queues -113 and says nothing. Tables make it
// misbehave.
#pragma once

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <set>
#include <string>
#include <vector>

#include "drivers/link/stream_link.hpp"

namespace nightbench::test {

class FakeInstrument {
 public:
  explicit FakeInstrument(Clock& clock) : clock_(clock) {}

  // A closed link to it. Every connection is a fresh conversation with the same state.
  std::unique_ptr<link::Link> link() {
    return std::make_unique<link::StreamLink>("memory",
                                              link::connector([this] { return connect(); }));
  }

  std::string identity = "Heronworks,F1,0001,1.0";
  std::map<std::string, std::string> answers;           // query -> answer, before anything else
  std::map<std::string, std::string> raw;               // query -> bytes sent as they are
  std::map<std::string, std::deque<std::string>> once;  // query -> raw bytes, used up one by one
  std::map<std::string, int> rejects;                   // command -> error number put in the queue
  std::set<std::string> silent;                         // never answered
  std::set<std::string> hang_up;             // the connection is closed instead of an answer
  std::map<std::string, std::string> state;  // "SOUR:FREQ" -> "1E6"
  std::function<void(const std::string& command)> on_command;
  std::deque<std::string> errors;  // the error queue: -222,"Data out of range"
  bool broken_queue = false;       // never says that the queue is empty
  bool away = false;               // nobody answers at the address
  Duration latency{};              // before each answer
  int connections = 0;
  std::vector<std::string> received;  // every command and query, in order

  // What was received since the last call.
  std::vector<std::string> heard() { return std::exchange(received, {}); }
  void drop_connection() {
    if (stream_) stream_->close();
  }
  // Bytes nobody asked for.
  std::shared_ptr<link::Stream> stream() { return stream_; }

  // A connection, as link() makes it.
  Result<std::unique_ptr<link::Stream>> connect() {
    if (away) return fail(ErrorKind::refused, "cannot connect: nobody is there");
    ++connections;
    auto [here, there] = link::memory_streams(clock_);
    stream_ = std::move(there);
    boost::asio::co_spawn(clock_.context(), serve(stream_), boost::asio::detached);
    return std::move(here);
  }

 private:
  Awaitable<void> serve(std::shared_ptr<link::Stream> stream) {
    std::string buffer;
    for (;;) {
      const Result<std::string> bytes = co_await stream->read_some(65536, TimePoint::max());
      if (!bytes) co_return;
      buffer += *bytes;
      for (std::size_t end = buffer.find('\n'); end != std::string::npos; end = buffer.find('\n')) {
        std::string line = buffer.substr(0, end);
        buffer.erase(0, end + 1);
        if (!line.empty() && line.back() == '\r') line.pop_back();
        std::string answer;
        bool plain = true;  // answers of one message are joined with ';' and ended once
        std::size_t at = 0;
        while (at <= line.size()) {
          const std::size_t semicolon = std::min(line.find(';', at), line.size());
          const std::string unit = line.substr(at, semicolon - at);
          at = semicolon + 1;
          received.push_back(unit);
          if (hang_up.contains(unit)) {
            stream->close();
            co_return;
          }
          if (unit.find('?') == std::string::npos) {
            obey(unit);
            continue;
          }
          const std::optional<std::string> one = respond(unit, plain);
          if (!one) continue;
          if (plain && !answer.empty()) answer += ';';
          answer += *one;
        }
        if (answer.empty()) continue;
        if (plain) answer += '\n';
        if (latency > Duration{}) co_await sleep_for(clock_, latency);
        co_await stream->write_all(answer, TimePoint::max());
      }
    }
  }

  static std::string key_of(const std::string& header) {
    return !header.empty() && header.front() == ':' ? header.substr(1) : header;
  }

  void obey(const std::string& command) {
    if (on_command) on_command(command);
    if (const auto rejected = rejects.find(command); rejected != rejects.end()) {
      errors.push_back(std::to_string(rejected->second) + ",\"\"");
      return;
    }
    const std::size_t space = command.find(' ');
    if (space == std::string::npos) return;
    std::string value = command.substr(space + 1);
    if (value == "ON") value = "1";
    if (value == "OFF") value = "0";
    state[key_of(command.substr(0, space))] = value;
  }

  std::optional<std::string> respond(const std::string& query, bool& plain) {
    if (silent.contains(query)) return std::nullopt;
    if (const auto next = once.find(query); next != once.end() && !next->second.empty()) {
      plain = false;
      std::string bytes = next->second.front();
      next->second.pop_front();
      return bytes;
    }
    if (const auto found = raw.find(query); found != raw.end()) {
      plain = false;
      return found->second;
    }
    if (const auto found = answers.find(query); found != answers.end()) return found->second;
    if (query == "*IDN?") return identity;
    if (query == "*OPC?") return "1";
    if (query == ":SYST:ERR?" || query == "SYST:ERR?") {
      if (broken_queue) return "-310,\"System error\"";
      if (errors.empty()) return "0,\"No error\"";
      std::string entry = errors.front();
      errors.pop_front();
      return entry;
    }
    const auto found = state.find(key_of(query.substr(0, query.find('?'))));
    if (found != state.end()) return found->second;
    errors.push_back("-113,\"Undefined header;" + query + "\"");
    return std::nullopt;
  }

  Clock& clock_;
  std::shared_ptr<link::Stream> stream_;
};

}  // namespace nightbench::test
