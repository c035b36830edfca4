// Files that say something untrue: each is refused with the message that expected.txt holds.
#include <gtest/gtest.h>

#include <map>
#include <set>

#include "support.hpp"
#include "tests/support/places.hpp"

namespace nightbench::capture {
namespace {

const std::filesystem::path folder =
    std::filesystem::path(NIGHTBENCH_SOURCE_DIR) / "tests/sequences/capture/bad";

// "name: message", one a line; the message as describe() gives it, less the folder.
std::map<std::string, std::string> expected() {
  std::map<std::string, std::string> out;
  std::ifstream stream(folder / "expected.txt");
  for (std::string line; std::getline(stream, line);) {
    const std::size_t colon = line.find(" => ");
    if (colon != std::string::npos) out[line.substr(0, colon)] = line.substr(colon + 4);
  }
  return out;
}

TEST(BadCaptureFiles, EachIsRefusedWithItsMessage) {
  const auto all = expected();
  ASSERT_GT(all.size(), 50U);
  for (const auto& [name, message] : all) {
    const auto got = read_capture(folder / name);
    ASSERT_FALSE(got.has_value()) << name << " was read";
    EXPECT_EQ(got.error().kind, ErrorKind::bad_input) << name;
    std::string text = describe(got.error());
    for (std::size_t at = 0; (at = text.find(folder.string() + "/")) != std::string::npos;) {
      text.erase(at, folder.string().size() + 1);
    }
    EXPECT_EQ(text, message) << name;
  }
}

TEST(BadCaptureFiles, NoneIsLeftOut) {
  std::set<std::string> listed;
  for (const auto& [name, message] : expected()) {
    listed.insert(std::filesystem::path(name).stem().string() +
                  std::filesystem::path(name).extension().string());
  }
  for (const auto& each : std::filesystem::directory_iterator(folder)) {
    const std::string name = each.path().filename().string();
    if (name == "expected.txt") continue;
    const bool data = each.path().extension() == ".sigmf-data";
    const std::string meta = each.path().stem().string() + ".sigmf-meta";
    EXPECT_TRUE(listed.contains(name) || (data && listed.contains(meta))) << name;
  }
}

TEST(BadCaptureFiles, LargerThanTheBoundIsRefusedUnread) {
  const test::Folder own;
  test::spit(own / "big.csv", "1");
  std::filesystem::resize_file(own / "big.csv", most_csv_bytes + 1);  // sparse
  const auto csv = read_capture(own / "big.csv");
  ASSERT_FALSE(csv.has_value());
  EXPECT_EQ(csv.error().message, "the file has 268435457 bytes, at most 268435456 are read");
  test::spit(own / "big.wav", "1");
  std::filesystem::resize_file(own / "big.wav", most_sample_bytes + 1);
  const auto wav = read_capture(own / "big.wav");
  ASSERT_FALSE(wav.has_value());
  EXPECT_EQ(wav.error().message, "the file has 1073741825 bytes, at most 1073741824 are read");
}

TEST(BadCaptureFiles, WhatIsNoFileIsRefused) {
  const test::Folder own;
  const auto missing = read_capture(own / "nothing.csv");
  ASSERT_FALSE(missing.has_value());
  EXPECT_EQ(missing.error().message, "there is no such file");
  EXPECT_EQ(missing.error().file, (own / "nothing.csv").string());
  std::filesystem::create_directory(own / "folder.wav");
  const auto directory = read_capture(own / "folder.wav");
  ASSERT_FALSE(directory.has_value());
  EXPECT_EQ(directory.error().message, "expected a regular file");
}

TEST(BadCaptureFiles, TheRateThatWasGivenMustBeOne) {
  const test::Folder own;
  test::spit(own / "plain.csv", "1,2\n2,3\n");
  for (const double rate_hz : {0.0, -5.0, 2e12, std::nan("")}) {
    const auto got = read_capture(own / "plain.csv", {.rate_hz = rate_hz, .full_scale_v = {}});
    ASSERT_FALSE(got.has_value()) << rate_hz;
    EXPECT_TRUE(got.error().message.starts_with("expected a sample rate above 0")) << rate_hz;
  }
}

}  // namespace
}  // namespace nightbench::capture
