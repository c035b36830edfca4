// soak_nights: random nights of the whole service on virtual time, each from its own seed; a table
// of what was injected and what came of it. Exit code 1 when anything is not as it must be.
#include <spdlog/spdlog.h>
#include <sys/wait.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <fstream>
#include <stdexcept>

#include "tests/soak/nights/night.hpp"
#include "tests/support/process.hpp"

namespace {

using namespace nightbench::testing;

struct Options {
  std::uint64_t nights = 200;
  std::uint64_t seed = 1;
  unsigned jobs = 2;
  std::string broken = "none";
  std::string theme;  // "": as drawn
  bool twice = false;
  bool story = false;
};

NightOutcome one(std::uint64_t seed, const std::string& theme, Sabotage sabotage) {
  const ScratchFolder folder;
  return run_night(draw_night(seed, theme), sabotage, folder.path());
}

// Nights first, first + step, ...; a line "THEME TALLY" each and what was found goes into `out`.
bool work(const Options& options, Sabotage sabotage, unsigned first, std::ostream& out) {
  bool good = true;
  for (std::uint64_t n = first; n < options.nights; n += options.jobs) {
    const std::uint64_t seed = options.seed + n;
    NightOutcome seen = one(seed, options.theme, sabotage);
    if (options.twice && one(seed, options.theme, sabotage).fingerprint != seen.fingerprint) {
      seen.findings.emplace_back("the same seed gave another night");
      ++seen.tally.findings;
    }
    out << draw_night(seed, options.theme).theme << ' ' << seen.tally.text() << std::endl;
    for (const std::string& each : seen.findings) {
      good = false;
      std::printf("FOUND in night %llu (soak_nights --nights 1 --story --seed %llu): %s\n",
                  static_cast<unsigned long long>(seed), static_cast<unsigned long long>(seed),
                  each.c_str());
    }
    if (options.story) std::printf("%s", seen.story.c_str());
    std::fflush(stdout);
  }
  return good;
}

int soak(const Options& options) {
  const auto sabotage = sabotage_of(options.broken);
  if (!sabotage) throw std::runtime_error("there is no sabotage \"" + options.broken + "\"");
  const ScratchFolder folder;
  std::vector<pid_t> children;
  for (unsigned job = 0; job < options.jobs; ++job) {
    const pid_t child = fork();
    if (child < 0) throw std::runtime_error("fork");
    if (child == 0) {
      std::ofstream out(folder / std::to_string(job));
      bool good = false;
      try {
        good = work(options, *sabotage, job, out);
      } catch (const std::exception& bug) {
        std::printf("FOUND: %s\n", bug.what());
      }
      std::fflush(stdout);
      out.close();
      _exit(good ? 0 : 1);
    }
    children.push_back(child);
  }
  bool good = true;
  for (const pid_t child : children) {
    int status = 0;
    waitpid(child, &status, 0);
    good = good && WIFEXITED(status) && WEXITSTATUS(status) == 0;
  }
  std::map<std::string, Tally> by_theme;
  std::uint64_t nights = 0;
  for (unsigned job = 0; job < options.jobs; ++job) {
    std::ifstream in(folder / std::to_string(job));
    std::string theme;
    std::string rest;
    while (in >> theme && std::getline(in, rest)) {
      by_theme[theme].add(Tally::read(rest));
      ++nights;
    }
  }
  std::printf("%s", table(by_theme).c_str());
  if (nights != options.nights) {
    std::printf("FOUND: only %llu nights were run to their end\n",
                static_cast<unsigned long long>(nights));
    good = false;
  }
  return good ? 0 : 1;
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app{"Random nights of the whole service on virtual time"};
  app.add_option("--nights", options.nights, "How many")->capture_default_str();
  app.add_option("--seed", options.seed, "Of the first night; the next has the next number")
      ->capture_default_str();
  app.add_option("--jobs", options.jobs, "Processes side by side")
      ->check(CLI::Range(1U, 64U))
      ->capture_default_str();
  app.add_option("--broken", options.broken,
                 "A daemon broken on purpose: late-journal, no-settings, no-guardian")
      ->capture_default_str();
  app.add_option("--theme", options.theme, "The kind of trouble that every night is full of")
      ->check(CLI::IsMember(themes()));
  app.add_flag("--twice", options.twice, "Each night twice, which must be the same");
  app.add_flag("--story", options.story, "Tell everything that happens");
  CLI11_PARSE(app, argc, argv);
  spdlog::set_level(spdlog::level::off);  // the story is told at the end
  try {
    return soak(options);
  } catch (const std::exception& failed) {
    std::fprintf(stderr, "soak_nights: %s\n", failed.what());
    return 2;
  }
}
