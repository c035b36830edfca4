// The run under way as watchers see it: every observer call becomes an event, and a snapshot tells
// who comes later where things stand. Also counts for /metrics. On the I/O thread only.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>

#include "daemon/service/event_hub.hpp"
#include "sequences/engine/observer.hpp"

namespace nightbench::service {

struct RunCounts {
  std::uint64_t points = 0;
  std::map<std::string, std::uint64_t> runs;      // by outcome
  std::map<std::string, std::uint64_t> readings;  // by decision
  std::map<std::string, std::uint64_t> events;    // by severity
};

class LiveRun final : public engine::Observer {
 public:
  explicit LiveRun(EventHub& events) : events_(events) {}

  // The queue entry whose run begins next.
  void expect(std::int64_t entry) { entry_ = entry; }

  // Publishes "run-started".
  void began(const record::Header& header) override;
  // Publishes "point"; "reading" for each reading that misses its limit or is missing; "trace"
  // when the point keeps a stretch of its capture, thinned to 500 samples.
  void point(const record::Point& point, const engine::Progress& progress) override;
  // Publishes "note".
  void event(const record::Event& event) override;
  // Publishes "finished".
  void ended(record::Outcome outcome, const std::string& text) override;

  // {"run", "entry", "board", ..., "progress", "trace"} of the run under way, or null.
  nlohmann::ordered_json snapshot() const;
  const std::optional<engine::Progress>& progress() const { return progress_; }
  const RunCounts& counts() const { return counts_; }

 private:
  EventHub& events_;
  std::int64_t entry_ = 0;
  std::optional<record::Header> header_;
  std::optional<engine::Progress> progress_;
  std::string label_;
  std::string trace_;  // JSON of the latest, "" before the first
  RunCounts counts_;
};

}  // namespace nightbench::service
