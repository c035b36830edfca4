#include "tests/soak/nights/tally.hpp"

#include <algorithm>
#include <cstdio>
#include <sstream>

namespace nightbench::testing {

void Tally::add(const Tally& other) {
  nights += other.nights;
  lives += other.lives;
  kills += other.kills;
  hangs += other.hangs;
  kills_in_a_run += other.kills_in_a_run;
  strikes += other.strikes;
  runs += other.runs;
  carried_on += other.carried_on;
  begun_anew += other.begun_anew;
  done += other.done;
  failed += other.failed;
  points += other.points;
  again += other.again;
  unread += other.unread;
  compared += other.compared;
  findings += other.findings;
  worst_u = std::max(worst_u, other.worst_u);
  slowest_off_s = std::max(slowest_off_s, other.slowest_off_s);
  hours += other.hours;
}

std::string Tally::text() const {
  std::ostringstream out;
  out.precision(17);
  out << nights << ' ' << lives << ' ' << kills << ' ' << hangs << ' ' << kills_in_a_run << ' '
      << strikes << ' ' << runs << ' ' << carried_on << ' ' << begun_anew << ' ' << done << ' '
      << failed << ' ' << points << ' ' << again << ' ' << unread << ' ' << compared << ' '
      << findings << ' ' << worst_u << ' ' << slowest_off_s << ' ' << hours;
  return out.str();
}

Tally Tally::read(const std::string& text) {
  Tally out;
  std::istringstream in(text);
  in >> out.nights >> out.lives >> out.kills >> out.hangs >> out.kills_in_a_run >> out.strikes >>
      out.runs >> out.carried_on >> out.begun_anew >> out.done >> out.failed >> out.points >>
      out.again >> out.unread >> out.compared >> out.findings >> out.worst_u >>
      out.slowest_off_s >> out.hours;
  return out;
}

std::string table(const std::map<std::string, Tally>& by_theme) {
  std::string out =
      "| trouble | nights | struck | kills | hangs | carried on | anew | boards done | stopped | "
      "points | again | no reading | compared | worst / U | off after | findings |\n"
      "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | "
      "---: | ---: | ---: |\n";
  const auto row = [&out](const std::string& name, const Tally& t) {
    const auto n = [](std::uint64_t value) { return static_cast<unsigned long long>(value); };
    char line[400];
    std::snprintf(line, sizeof line,
                  "| %s | %llu | %llu | %llu | %llu | %llu | %llu | %llu | %llu | %llu | %llu | "
                  "%llu | %llu | %.2f | %.2f s | %llu |\n",
                  name.c_str(), n(t.nights), n(t.strikes), n(t.kills), n(t.hangs), n(t.carried_on),
                  n(t.begun_anew), n(t.done), n(t.failed), n(t.points), n(t.again), n(t.unread),
                  n(t.compared), t.worst_u, t.slowest_off_s, n(t.findings));
    out += line;
  };
  Tally all;
  for (const auto& [name, tally] : by_theme) {
    row(name, tally);
    all.add(tally);
  }
  row("all", all);
  char line[200];
  std::snprintf(line, sizeof line, "%.1f hours on the benches' clocks, %llu lives of the daemon\n",
                all.hours, static_cast<unsigned long long>(all.lives));
  return out + line;
}

}  // namespace nightbench::testing
