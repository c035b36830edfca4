// The seeds of every fuzz target, as they are, cut short, and with bytes changed. A target stops
// the program when something does not hold; the name of the input is in the trace above it.
#include <gtest/gtest.h>

#include <cstdio>
#include <filesystem>
#include <fstream>
#include <random>
#include <set>

#include "target.hpp"
#include "tests/support/places.hpp"

namespace nightbench::fuzz {
namespace {

const std::filesystem::path seeds =
    std::filesystem::path(NIGHTBENCH_SOURCE_DIR) / "tests/fuzz/seeds";

std::string slurp(const std::filesystem::path& path) {
  std::ifstream stream(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}

class Replay : public testing::TestWithParam<Target> {};

TEST_P(Replay, SeedsAndTheirNeighbours) {
  constexpr unsigned random_seed = 20261125;
  constexpr int changes = 200;
  constexpr std::size_t cuts = 100;
  const Target& target = GetParam();
  std::size_t files = 0;
  std::mt19937 random(random_seed);
  for (const auto& each : std::filesystem::directory_iterator(seeds / target.name)) {
    const std::string bytes = slurp(each.path());
    std::fprintf(stderr, "%s, random seed %u\n", each.path().c_str(), random_seed);
    target.run(bytes);
    const std::size_t step = std::max<std::size_t>(1, bytes.size() / cuts);
    for (std::size_t size = 0; size < bytes.size(); size += step) {
      target.run(std::string(bytes, 0, size));  // a copy, so that reading past its end shows
    }
    for (int change = 0; change < changes && !bytes.empty(); ++change) {
      std::string changed = bytes;
      changed[random() % changed.size()] = static_cast<char>(random());
      target.run(changed);
    }
    ++files;
  }
  EXPECT_GT(files, 0U) << "a target without seeds starts blind";
}

INSTANTIATE_TEST_SUITE_P(All, Replay, testing::ValuesIn(targets()),
                         [](const auto& each) { return each.param.name; });

TEST(Seeds, EveryFolderBelongsToATarget) {
  std::set<std::string> names;
  for (const Target& each : targets()) names.insert(each.name);
  for (const auto& each : std::filesystem::directory_iterator(seeds)) {
    EXPECT_TRUE(names.contains(each.path().filename().string())) << each.path();
  }
}

}  // namespace
}  // namespace nightbench::fuzz
