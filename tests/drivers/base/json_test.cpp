#include "drivers/base/json.hpp"

#include <gtest/gtest.h>

#include <cstdint>
#include <filesystem>
#include <fstream>
#include <limits>
#include <nlohmann/json.hpp>
#include <string>

namespace nightbench::json {
namespace {

Node good(std::string_view text) {
  auto node = parse(text, "bench.json");
  if (!node) throw std::runtime_error(describe(node.error()));
  return *std::move(node);
}

Node member(const Node& node, const std::string& key) {
  auto fields = Fields::of(node, "the object");
  return fields->need(key).value();
}

template <typename T>
std::string text_of(const Result<T>& result) {
  return result ? std::string("no error") : describe(result.error());
}

// What a syntax error of `text` says, without the library's own words behind line and column.
std::string place_of_error(std::string_view text) {
  const auto node = parse(text, "f");
  if (node) return "no error";
  EXPECT_EQ(node.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(node.error().file, "f");
  const std::string& message = node.error().message;
  return message.substr(0, message.find(": "));
}

TEST(Json, ReadsEveryKindOfValue) {
  const Node root =
      good(R"({"t": "x", "n": 1.5, "i": 7, "b": true, "q": "10.12 MHz", "a": [1, 2]})");
  EXPECT_EQ(member(root, "t").text(), "x");
  EXPECT_EQ(member(root, "n").number(), 1.5);
  EXPECT_EQ(member(root, "i").integer(0, 10), 7);
  EXPECT_EQ(member(root, "b").boolean(), true);
  EXPECT_EQ(member(root, "q").quantity(Unit::hertz), 10.12e6);
  EXPECT_EQ(member(root, "n").quantity(Unit::hertz), 1.5);
  const auto elements = member(root, "a").elements();
  ASSERT_TRUE(elements);
  ASSERT_EQ(elements->size(), 2U);
  EXPECT_EQ((*elements)[1].number(), 2);
  EXPECT_EQ((*elements)[1].pointer(), "/a/1");
  EXPECT_TRUE(root.is_object());
  EXPECT_TRUE(member(root, "a").is_array());
  EXPECT_TRUE(member(root, "t").is_string());
  EXPECT_TRUE(member(root, "n").is_number());
}

TEST(Json, CommentsAndAByteOrderMarkAreAllowed) {
  const Node root = good("\xEF\xBB\xBF{ // one\n /* two ]]] \" */ \"a\": /**/ \"// no comment\" }");
  EXPECT_EQ(member(root, "a").text(), "// no comment");
}

TEST(Json, MembersComeByNameWithTheirPointers) {
  const auto members = good(R"({"b": 1, "a/b~c": 2, "comment": "x", "$schema": "y"})").members();
  ASSERT_TRUE(members);
  ASSERT_EQ(members->size(), 2U);
  EXPECT_EQ((*members)[0].first, "a/b~c");
  EXPECT_EQ((*members)[0].second.pointer(), "/a~1b~0c");  // RFC 6901, section 3
  EXPECT_EQ((*members)[1].first, "b");
}

// Every conversion that can fail: what was expected, what was found, where.
TEST(Json, ConversionErrorsSayWhatWasExpectedAndFound) {
  const Node root = good(R"({"a": {"t": "x", "n": 1.5, "o": {}, "l": [1], "z": null}})");
  const Node a = member(root, "a");
  const Node t = member(a, "t");
  const Node n = member(a, "n");
  EXPECT_EQ(text_of(n.text()), "bench.json: at /a/n: expected a string, found 1.5");
  EXPECT_EQ(text_of(t.number()), "bench.json: at /a/t: expected a number, found \"x\"");
  EXPECT_EQ(text_of(n.integer(1, 9)),
            "bench.json: at /a/n: expected a whole number from 1 to 9, found 1.5");
  EXPECT_EQ(text_of(t.integer(1, 9)),
            "bench.json: at /a/t: expected a whole number from 1 to 9, found \"x\"");
  EXPECT_EQ(text_of(t.boolean()), "bench.json: at /a/t: expected true or false, found \"x\"");
  EXPECT_EQ(text_of(t.quantity(Unit::volt)),
            "bench.json: at /a/t: expected a quantity in V such as \"2.5 V\", found \"x\"");
  EXPECT_EQ(text_of(member(a, "z").quantity(Unit::volt)),
            "bench.json: at /a/z: expected a number or a string with a unit (V), found null");
  EXPECT_EQ(text_of(member(a, "o").quantity(Unit::one)),
            "bench.json: at /a/o: expected a number or a string with a unit, found an object");
  EXPECT_EQ(text_of(n.elements()), "bench.json: at /a/n: expected an array, found 1.5");
  EXPECT_EQ(text_of(member(a, "l").elements(2)),
            "bench.json: at /a/l: expected an array of at least 2 elements, found an array of 1");
  EXPECT_EQ(text_of(n.members()), "bench.json: at /a/n: expected an object, found 1.5");
  EXPECT_EQ(text_of(Fields::of(n, "a step")),
            "bench.json: at /a/n: expected a step (an object), found 1.5");
  EXPECT_EQ(text_of(Fields::of(good("[]"), "a step")),
            "bench.json: at /: expected a step (an object), found an empty array");
}

TEST(Json, AWordOutsideTheChoicesIsRefusedWithTheNearest) {
  const Node root = good(R"({"near": "sweeep", "far": "photograph", "number": 1})");
  const std::vector<std::string> choices{"pair", "sweep", "wait"};
  EXPECT_EQ(member(root, "near").word({"pair", "sweeep"}), 1U);
  EXPECT_EQ(text_of(member(root, "near").word(choices)),
            "bench.json: at /near: expected \"pair\", \"sweep\" or \"wait\", found \"sweeep\"; did "
            "you mean \"sweep\"?");
  EXPECT_EQ(text_of(member(root, "far").word(choices)),
            "bench.json: at /far: expected \"pair\", \"sweep\" or \"wait\", found \"photograph\"");
  EXPECT_EQ(text_of(member(root, "number").word({"on", "off"})),
            "bench.json: at /number: expected \"on\" or \"off\", found 1");
}

TEST(Json, AMissingMemberIsNamed) {
  auto fields = Fields::of(good(R"({"other": 1})"), "a limit");
  EXPECT_EQ(text_of(fields->need("lower")),
            "bench.json: at /: a limit needs \"lower\", which is missing");
  EXPECT_EQ(text_of(fields->text("lower")), text_of(fields->need("lower")));
  EXPECT_EQ(text_of(fields->number("lower")), text_of(fields->need("lower")));
  EXPECT_EQ(text_of(fields->quantity("lower", Unit::db)), text_of(fields->need("lower")));
  EXPECT_EQ(text_of(fields->integer("lower", 0, 1)), text_of(fields->need("lower")));
  EXPECT_EQ(text_of(fields->boolean("lower")), text_of(fields->need("lower")));
}

TEST(Json, AMissingMemberThatIsMisspelledIsRecognised) {
  auto fields = Fields::of(good(R"({"ouptut": "on"})"), "a step");
  EXPECT_EQ(
      text_of(fields->need("output")),
      "bench.json: at /: a step needs \"output\", which is missing; is \"ouptut\" meant to be "
      "it?");
}

TEST(Json, AbsentMembersTakeTheDefault) {
  auto fields = Fields::of(good("{}"), "a step");
  EXPECT_EQ(fields->text("a", "x"), "x");
  EXPECT_EQ(fields->number("a", 1.5), 1.5);
  EXPECT_EQ(fields->quantity("a", Unit::volt, 2.5), 2.5);
  EXPECT_EQ(fields->integer("a", 1, 9, 0), 0) << "a default may lie outside the range";
  EXPECT_EQ(fields->boolean("a", true), true);
  EXPECT_EQ(fields->maybe_quantity("a", Unit::volt).value(), std::nullopt);
  EXPECT_FALSE(fields->find("a"));
}

TEST(Json, MembersNobodyAskedForAreRefusedWithTheNearest) {
  auto fields = Fields::of(
      good(R"({"a": {"label": "x", "lable": "y", "$schema": "s", "comment": 1}})"), "a file");
  auto inner = Fields::of(fields->need("a").value(), "a step");
  ASSERT_TRUE(inner->text("label"));
  EXPECT_EQ(text_of(inner->finish()),
            "bench.json: at /a/lable: a step has no member \"lable\"; did you mean \"label\"?");
  EXPECT_FALSE(inner->find("lable") == std::nullopt);
  EXPECT_TRUE(inner->finish());
  EXPECT_TRUE(fields->finish());
}

TEST(Json, IntegersAreExactToTheLastBit) {
  constexpr long long kMost = std::numeric_limits<long long>::max();
  constexpr long long kLeast = std::numeric_limits<long long>::min();
  const auto integer = [&](const char* text) { return good(text).integer(kLeast, kMost); };
  EXPECT_EQ(integer("9007199254740993"), 9007199254740993);  // 2^53 + 1
  EXPECT_EQ(integer("9223372036854775807"), kMost);
  EXPECT_EQ(integer("-9223372036854775808"), kLeast);
  EXPECT_EQ(integer("1e3"), 1000);
  EXPECT_FALSE(integer("9223372036854775808"));
  EXPECT_FALSE(integer("18446744073709551615"));
  EXPECT_FALSE(integer("1e19"));
  EXPECT_FALSE(integer("0.5"));
  EXPECT_FALSE(good("10").integer(0, 9));
  EXPECT_FALSE(good("-1").integer(0, 9));
}

TEST(Json, SyntaxErrorsNameLineAndColumn) {
  EXPECT_EQ(place_of_error(""), "line 1, column 1");
  EXPECT_EQ(place_of_error("x"), "line 1, column 1");
  EXPECT_EQ(place_of_error("{\n  x"), "line 2, column 3");
  EXPECT_EQ(place_of_error("{\"a\": 1,}"), "line 1, column 9");
  EXPECT_EQ(place_of_error("{\"a\": 1\n\"b\": 2}"), "line 2, column 3");
  EXPECT_EQ(place_of_error("{\"a\": \"no end\n\"}"), "line 1, column 14");
  EXPECT_EQ(place_of_error("{\"a\": 1"), "line 1, column 8");
  EXPECT_EQ(place_of_error("[1] 2"), "line 1, column 5");
  EXPECT_EQ(place_of_error("[\n 1,\n 1e999]"), "line 3, column 2");
}

TEST(Json, SyntaxErrorsSayWhatWasExpected) {
  EXPECT_EQ(text_of(parse("{\n  \"steps\" [\n]}", "s.json")),
            "s.json: line 2, column 11: syntax error while parsing object separator - unexpected "
            "'['; expected ':'");
  EXPECT_EQ(text_of(parse("[1e999]", "s.json")),
            "s.json: line 1, column 2: the number 1e999 is too large");
}

TEST(Json, SyntaxErrorsAreShortAndPrintable) {
  const auto endless = parse("[\"" + std::string(1'000'000, 'x'), "f");
  ASSERT_FALSE(endless);
  EXPECT_LT(endless.error().message.size(), 300U);
  const auto bytes = parse("[\"\xFF\xFE\"]", "f");
  ASSERT_FALSE(bytes);
  for (const char c : bytes.error().message)
    EXPECT_TRUE(c >= 0x20 && c < 0x7F) << bytes.error().message;
  const auto steering = parse("[\"\x1b[31m\"]", "f");
  ASSERT_FALSE(steering);
  EXPECT_EQ(steering.error().message.find('\x1b'), std::string::npos);
}

TEST(Json, AKeyThatStandsTwiceIsRefusedAtItsSecondPlace) {
  EXPECT_EQ(text_of(parse("{\"a\": 1,\n \"b\": 2,\n \"a\": 3}", "f")),
            "f: line 3, column 2: the key \"a\" stands twice");
  // Not at another object's key of that name, not inside a string or a comment.
  EXPECT_EQ(
      text_of(parse("{\"o\": {\"x\": 1}, // \"x\": 1\n \"x\": \"\\\"x\\\":\",\n \"p\": {\"x\": 1,\n"
                    "  \"x\": 2}}",
                    "f")),
      "f: line 4, column 3: the key \"x\" stands twice");
  EXPECT_EQ(text_of(parse("{\"a\": 1, \"\\u0061\": 2}", "f")),
            "f: line 1, column 10: the key \"a\" stands twice");
  EXPECT_TRUE(parse(R"([{"a": 1}, {"a": 2}, {"b": {"a": 3}}])", "f"));
}

TEST(Json, BracketsNestedTooDeepAreRefusedWhereTheyAre) {
  EXPECT_TRUE(parse(std::string(100, '[') + std::string(100, ']'), "f"));
  EXPECT_EQ(text_of(parse(std::string(101, '[') + std::string(101, ']'), "f")),
            "f: line 1, column 101: brackets are nested more than 100 deep");
  EXPECT_TRUE(parse("[\"" + std::string(200, '[') + "\"] // " + std::string(200, '['), "f"));
}

TEST(Json, ABombOfBracketsDoesNotCrash) {
  for (const std::string& open :
       {std::string("["), std::string("{\"a\":"), std::string("[{\"a\":[")}) {
    std::string bomb;
    for (int i = 0; i < 100'000; ++i) bomb += open;
    const auto node = parse(bomb, "bomb");
    ASSERT_FALSE(node);
    EXPECT_EQ(node.error().kind, ErrorKind::bad_input);
  }
  EXPECT_FALSE(parse(std::string(100'000, '[') + std::string(100'000, ']'), "bomb"));
  EXPECT_FALSE(parse(std::string(100'000, ']'), "bomb"));
}

TEST(Json, AnErrorAboutALargeValueIsShort) {
  const Node root =
      good("{\"" + std::string(1'000'000, 'k') + "\": \"" + std::string(1'000'000, 'v') + "\"}");
  auto fields = Fields::of(root, "a step");
  ASSERT_FALSE(fields->finish());
  EXPECT_LT(fields->finish().error().message.size(), 200U);
  EXPECT_LT(fields->need("label").error().message.size(), 200U);
  const auto members = root.members();
  EXPECT_LT(members->front().second.word({"on", "off"}).error().message.size(), 200U);
  EXPECT_LT(members->front().second.number().error().message.size(), 200U);
}

TEST(Json, AValueCutForAMessageStaysUtf8) {
  std::string euros = "\"";
  for (int i = 0; i < 50; ++i) euros += "\xE2\x82\xAC";
  const auto failed = good(euros + "\"").number();
  ASSERT_FALSE(failed);
  EXPECT_TRUE(failed.error().message.ends_with("\xE2\x82\xAC..."));
}

TEST(Json, AValueInMemoryIsANodeToo) {
  nlohmann::json value;
  value["a"]["b"] = 1;
  const Node root = from_value(std::move(value), "after parameters");
  EXPECT_EQ(text_of(member(member(root, "a"), "b").text()),
            "after parameters: at /a/b: expected a string, found 1");
}

TEST(Nearest, FindsTheWordThatWasMeant) {
  const std::vector<std::string> known{"gain_balance", "phase_error", "if_error"};
  EXPECT_EQ(nearest("gain_balence", known), "gain_balance");
  EXPECT_EQ(nearest("phase_eror", known), "phase_error");
  EXPECT_EQ(nearest("lable", {"label"}), "label") << "two letters swapped are one slip";
  EXPECT_EQ(nearest("no", {"on"}), "on");
  EXPECT_EQ(nearest("temperature", known), std::nullopt);
  EXPECT_EQ(nearest("", known), std::nullopt);
  EXPECT_EQ(nearest("x", {}), std::nullopt);
  EXPECT_EQ(nearest("to", {"too", "top"}), "too") << "the first of two equally near";
}

class JsonFile : public testing::Test {
 protected:
  void SetUp() override {
    const auto* test = testing::UnitTest::GetInstance()->current_test_info();
    folder_ = std::filesystem::path(testing::TempDir()) /
              ("nightbench_json_" + std::string(test->name()) + "_" +
               std::to_string(testing::UnitTest::GetInstance()->random_seed()) + "_" +
               std::to_string(reinterpret_cast<std::uintptr_t>(this)));
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  std::filesystem::path write(const std::string& name, const std::string& text) const {
    std::ofstream(folder_ / name, std::ios::binary) << text;
    return folder_ / name;
  }
  std::filesystem::path folder_;
};

TEST_F(JsonFile, IsReadAndNamedInErrors) {
  const auto path = write("a.json", "{\"a\": 1}");
  const auto node = read_file(path);
  ASSERT_TRUE(node) << describe(node.error());
  EXPECT_EQ(node->file(), path.string());
  EXPECT_EQ(text_of(member(*node, "a").text()),
            path.string() + ": at /a: expected a string, found 1");
}

TEST_F(JsonFile, ThatIsMissingOrAFolderIsRefused) {
  const auto missing = read_file(folder_ / "none.json");
  EXPECT_EQ(text_of(missing),
            (folder_ / "none.json").string() + ": cannot be opened: No such file or directory");
  EXPECT_EQ(missing.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(text_of(read_file(folder_)), folder_.string() + ": is a folder, a file was expected");
}

TEST_F(JsonFile, OfSixteenMebibytesIsReadAndALargerOneRefused) {
  const std::size_t most = 16U << 20;
  const auto fits = write("fits.json", "[]" + std::string(most - 2, ' '));
  EXPECT_TRUE(read_file(fits));
  const auto larger = write("larger.json", "[]" + std::string(most - 1, ' '));
  EXPECT_EQ(text_of(read_file(larger)), larger.string() + ": is larger than 16 MiB");
}

}  // namespace
}  // namespace nightbench::json
