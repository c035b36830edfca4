// Dialect files: those of the repository decode; wrong ones are refused with the place and the
// reason.
#include "drivers/instrument/dialect.hpp"

#include <gtest/gtest.h>

#include <fstream>
#include <set>

#include "drivers/base/json.hpp"
#include "tests/support/places.hpp"

namespace nightbench::instrument {
namespace {

const std::filesystem::path kFolder =
    std::filesystem::path(NIGHTBENCH_SOURCE_DIR) / "drivers" / "dialects";
const std::filesystem::path kSamples =
    std::filesystem::path(NIGHTBENCH_SOURCE_DIR) / "tests" / "drivers" / "instrument" / "dialects";

TEST(Dialects, ThoseOfTheRepositoryDecodeAndCoverEveryRole) {
  const auto all = read_dialects(kFolder);
  ASSERT_TRUE(all) << describe(all.error());
  std::set<Role> roles;
  for (const auto& entry : std::filesystem::directory_iterator(kFolder)) {
    if (entry.path().extension() != ".json") continue;
    const auto one = read_dialect(entry.path());
    ASSERT_TRUE(one) << describe(one.error());
    EXPECT_EQ(one->name(), entry.path().stem().string()) << "found by its file's name";
    EXPECT_FALSE(one->title().empty());
  }
  std::set<ScopeFamily> families;
  for (const Dialect& each : *all) {
    roles.insert(each.role());
    if (each.role() == Role::scope) families.insert(each.scope().family);
    for (const Operation& operation : operations_of(each.role())) {
      Values values;
      for (const std::string& placeholder : operation.placeholders) values[placeholder] = "1";
      for (const std::string& text : each.say(operation.name, values)) {
        EXPECT_TRUE(text.starts_with(":") || text.starts_with("*"))
            << each.name() << ": '" << text << "' must be absolute (SCPI-1999 volume 1, 6.2.4)";
        EXPECT_EQ(text.find('{'), std::string::npos) << text;
      }
    }
  }
  EXPECT_EQ(roles.size(), all_roles().size());
  EXPECT_EQ(families.size(), 3u);
}

TEST(Dialects, FoundByNameByPathAndByIdentity) {
  EXPECT_EQ(find_dialect(kFolder, "meter-scpi")->role(), Role::meter);
  EXPECT_EQ(find_dialect("nowhere", (kFolder / "meter-scpi.json").string())->role(), Role::meter);
  const auto missing = find_dialect(kFolder, "meter-scpl");
  ASSERT_FALSE(missing);
  EXPECT_EQ(missing.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(missing.error().message,
            "there is no dialect 'meter-scpl'; did you mean 'meter-scpi'?");
  EXPECT_FALSE(read_dialects("/nowhere/at/all"));

  const auto full = read_dialect(kSamples / "good" / "full.json");
  ASSERT_TRUE(full) << describe(full.error());
  auto all = *read_dialects(kFolder);
  all.push_back(*full);
  EXPECT_EQ(dialect_for(all, Role::scope, "Heronworks,S9,1,1")->name(), "full")
      << "a pattern that fits goes before dialects without one";
  EXPECT_NE(dialect_for(all, Role::scope, "Other,S9,1,1")->name(), "full");
  EXPECT_EQ(dialect_for(all, Role::meter, "Other,S9,1,1")->name(), "meter-scpi");
}

TEST(Dialects, MinimalHasTheDefaults) {
  const auto minimal = read_dialect(kSamples / "good" / "minimal.json");
  ASSERT_TRUE(minimal) << describe(minimal.error());
  EXPECT_EQ(minimal->confirm(), Confirm::complete);
  EXPECT_EQ(minimal->settle(), Duration{});
  EXPECT_TRUE(minimal->quirks().chaining);
  EXPECT_TRUE(minimal->fits("anything"));
  EXPECT_FALSE(minimal->has("get_frequency"));
  EXPECT_TRUE(minimal->say("get_frequency").empty());
  EXPECT_THROW(minimal->say("set_frequency"), std::logic_error);
}

TEST(Dialects, FullSaysEverything) {
  const auto full = read_dialect(kSamples / "good" / "full.json");
  ASSERT_TRUE(full) << describe(full.error());
  const ScopeTraits& scope = full->scope();
  EXPECT_EQ(scope.family, ScopeFamily::waveform);
  EXPECT_EQ(scope.format, WireFormat::uint8);
  EXPECT_TRUE(scope.big_endian);
  EXPECT_EQ(scope.bits, 10);
  EXPECT_EQ(scope.channels, 4);
  EXPECT_EQ(scope.divisions, 8);
  EXPECT_TRUE(scope.poll);
  EXPECT_EQ(scope.done, "STOP");
  EXPECT_EQ(scope.poll_every, std::chrono::milliseconds(50));
  EXPECT_EQ(scope.points_most, 1000u);
  EXPECT_TRUE(scope.y_origin_in_counts);
  EXPECT_TRUE(scope.trigger_in_x_zero);
  EXPECT_EQ(full->settle(), std::chrono::milliseconds(5));
  const scpi::Options options = full->session_options(std::chrono::seconds(90));
  EXPECT_EQ(options.timeout, std::chrono::seconds(90));
  EXPECT_GE(options.long_timeout, options.timeout);
  EXPECT_EQ(options.gap, std::chrono::milliseconds(5));
  EXPECT_EQ(options.most_message, 64u);
  EXPECT_EQ(options.terminator, "\r\n");
  EXPECT_FALSE(options.may_chain);
  EXPECT_FALSE(options.leading_colon);
  EXPECT_FALSE(options.has_error_queue);
  EXPECT_FALSE(options.has_complete_query);
  EXPECT_EQ(full->quirks().usb.request_most, 64u);
  EXPECT_FALSE(full->quirks().usb.clear_at_open);
  EXPECT_FALSE(full->quirks().usb.check_tags);
  EXPECT_EQ(full->resolution().level_db, 0.5);
}

// Every file of wrong/ begins with a comment that is its expected error, pointer first.
class WrongDialects : public testing::TestWithParam<std::string> {};

TEST_P(WrongDialects, AreRefusedWithPlaceAndReason) {
  const std::filesystem::path file = kSamples / "wrong" / GetParam();
  std::ifstream in(file);
  std::string expected;
  std::getline(in, expected);
  ASSERT_TRUE(expected.starts_with("// ")) << expected;
  const auto dialect = read_dialect(file);
  ASSERT_FALSE(dialect) << "accepted";
  EXPECT_EQ(dialect.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(dialect.error().file, file.string());
  EXPECT_EQ(dialect.error().pointer + ": " + dialect.error().message, expected.substr(3));
}

std::vector<std::string> wrong_files() {
  std::vector<std::string> out;
  for (const auto& entry : std::filesystem::directory_iterator(kSamples / "wrong")) {
    out.push_back(entry.path().filename().string());
  }
  std::sort(out.begin(), out.end());
  return out;
}
INSTANTIATE_TEST_SUITE_P(Samples, WrongDialects, testing::ValuesIn(wrong_files()),
                         [](const auto& tested) {
                           std::string name = tested.param;
                           for (char& c : name) {
                             if (std::isalnum(static_cast<unsigned char>(c)) == 0) c = '_';
                           }
                           return name;
                         });

}  // namespace
}  // namespace nightbench::instrument
