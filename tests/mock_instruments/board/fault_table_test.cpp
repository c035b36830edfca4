// docs/reference/faults.md says what the model says. NIGHTBENCH_WRITE_DOCUMENTS=1 rewrites it.
#include "fault_table.hpp"
#include "tests/support/places.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <fstream>
#include <sstream>

namespace nightbench::mock::board::test {
namespace {

// Equal words, or numbers that differ in their last digit at most.
bool same(const std::string& a, const std::string& b) {
  if (a == b) return true;
  char* end_a = nullptr;
  char* end_b = nullptr;
  const double x = std::strtod(a.c_str(), &end_a);
  const double y = std::strtod(b.c_str(), &end_b);
  if (*end_a != 0 || *end_b != 0 || end_a == a.c_str()) return false;
  const auto dot = a.find('.');
  const double step =
      dot == std::string::npos ? 1.0 : std::pow(10.0, 1.0 + double(dot) - double(a.size()));
  return std::abs(x - y) <= 1.01 * step || std::abs(std::abs(x - y) - 360.0) <= 1.01;
}

TEST(FaultDocument, SaysWhatTheModelSays) {
  const std::string path = NIGHTBENCH_SOURCE_DIR "/docs/reference/faults.md";
  const std::string expected = fault_document();
  if (std::getenv("NIGHTBENCH_WRITE_DOCUMENTS") != nullptr) std::ofstream(path) << expected;
  std::ifstream file(path);
  ASSERT_TRUE(file) << path;
  std::istringstream model(expected);
  std::string ours;
  std::string theirs;
  int words = 0;
  while (model >> ours) {
    ASSERT_TRUE(file >> theirs) << "the document ends before " << ours;
    ASSERT_TRUE(same(ours, theirs))
        << "word " << words << ": the model says " << ours << ", the document " << theirs;
    ++words;
  }
  EXPECT_FALSE(file >> theirs) << "the document goes on with " << theirs;
  EXPECT_GT(words, 2000);
}

}  // namespace
}  // namespace nightbench::mock::board::test
