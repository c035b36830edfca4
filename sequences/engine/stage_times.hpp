// Where the time of a run goes, on the I/O thread's clock: what is waited for, stage by stage. What
// overlaps something that is waited for anyway costs nothing and is not counted.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <string>

#include "drivers/base/clock.hpp"

namespace nightbench::engine {

enum class Stage : std::uint8_t {
  settling,     // of sources and supply
  acquisition,  // the scope armed until its record is complete
  transfer,     // of samples
  analysis,     // that was not ready when it was wanted
  journal,      // until a point is durable
};
constexpr std::size_t kStages = 5;
const char* word(Stage stage);  // "settling"

class StageTimes {
 public:
  // Adds the time from its making to its end to a stage.
  class Lap {
   public:
    Lap(StageTimes& times, const Clock& clock, Stage stage)
        : times_(times), clock_(clock), stage_(stage), began_(clock.now()) {}
    ~Lap() { times_.of(stage_) += clock_.now() - began_; }
    Lap(const Lap&) = delete;
    Lap& operator=(const Lap&) = delete;

   private:
    StageTimes& times_;
    const Clock& clock_;
    Stage stage_;
    TimePoint began_;
  };

  Duration& of(Stage stage) { return spent_[static_cast<std::size_t>(stage)]; }
  Duration of(Stage stage) const { return spent_[static_cast<std::size_t>(stage)]; }
  // "settling 12.1 %, acquisition 60 %, ..., settings and questions 5.2 %" of `total`; the last is
  // what no stage has. "" for no time.
  std::string text(Duration total) const;

 private:
  std::array<Duration, kStages> spent_{};
};

}  // namespace nightbench::engine
