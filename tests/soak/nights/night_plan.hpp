// What one night holds, all of it drawn from one seed: the bench with its troubles, the boards, the
// kills, the jumps of the calendar clock.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

namespace nightbench::testing {

enum class KillKind : std::uint8_t {
  kill,  // dead between two handlers; the system closes its connections
  hang,  // stands still with its connections open, until its guardian ends it
};

struct PlannedKill {
  KillKind kind = KillKind::kill;
  double after_s = 0;          // from the daemon's start
  std::size_t handlers = 0;    // more of its handlers at that instant, to fall between any two
  double pause_s = 0;          // until it is started again
};

struct NightPlan {
  std::uint64_t seed = 0;
  std::string theme;       // the kind of trouble that most of this night's are of; "none"
  std::string simulation;  // text of the simulated bench file
  std::string bench;       // text of the bench file
  std::vector<std::string> boards;  // one entry of the queue each
  int points = 0;                   // of the band, on each side of the LO
  std::vector<PlannedKill> kills;
  std::vector<std::pair<double, double>> wall_jumps;  // at so many seconds, by so many
  std::map<std::string, int> scheduled;               // troubles by kind
};

// Every kind of trouble a night may have for its theme.
const std::vector<std::string>& themes();

// `theme`: one of themes() instead of the one that is drawn.
NightPlan draw_night(std::uint64_t seed, const std::string& theme = "");

}  // namespace nightbench::testing
