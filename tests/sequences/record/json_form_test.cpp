#include "sequences/record/json_form.hpp"

#include <clocale>
#include <fstream>
#include <locale>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>

#include "full_run.hpp"
#include "tests/support/places.hpp"

namespace nightbench::record::test {
namespace {

using Json = nlohmann::json;

record::Run read_back(const Run& run) {
  auto back = run_from_text(json_text(run), "results.json");
  EXPECT_TRUE(back) << describe(back.error());
  return back ? *std::move(back) : record::Run();
}

std::string refused(const std::string& text) {
  const auto back = run_from_text(text, "results.json");
  if (back) return "accepted";
  EXPECT_EQ(back.error().kind, ErrorKind::bad_input);
  return describe(back.error());
}

TEST(JsonForm, GivesBackTheRunToTheLastBit) {
  expect_same(run(), read_back(run()));
}

TEST(JsonForm, GivesBackAnEmptyRun) {
  expect_same(record::Run(), read_back(record::Run()));
}

TEST(JsonForm, GivesBackAnyFiniteNumber) {
  const std::uint64_t seed = std::random_device()();
  SCOPED_TRACE("seed " + std::to_string(seed));
  std::mt19937_64 random(seed);
  record::Run one;
  Point& point = one.points.emplace_back();
  point.excerpt.emplace();
  for (int i = 0; i < 2000; ++i) {
    point.readings.emplace_back().value = any_double(random);
    point.excerpt->i_v.push_back(any_float(random));
    point.excerpt->q_v.push_back(any_float(random));
  }
  expect_same(one, read_back(one));
}

TEST(JsonForm, TheSameRunGivesTheSameBytes) {
  EXPECT_EQ(json_text(run()), json_text(run()));
  EXPECT_EQ(json_text(read_back(run())), json_text(run()));
}

TEST(JsonForm, KeepsOnePointALine) {
  const std::string text = json_text(run());
  EXPECT_EQ(text.back(), '\n');
  std::size_t lines = 0;
  std::istringstream stream(text);
  for (std::string line; std::getline(stream, line);) lines += line.starts_with("    {\"ordinal\"");
  EXPECT_EQ(lines, run().points.size());
}

TEST(JsonForm, NeverWritesWhatIsNoNumber) {
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  record::Run one;
  Reading& reading = one.points.emplace_back().readings.emplace_back();
  reading.value = std::nan("");
  reading.low = -kInfinity;
  reading.limit.upper = kInfinity;
  reading.decision = Decision::pass;
  one.points[0].at["rf_hz"] = std::nan("");
  const record::Run back = read_back(one);
  EXPECT_FALSE(back.points[0].readings[0].value);
  EXPECT_EQ(back.points[0].readings[0].reason, "not-finite");
  EXPECT_EQ(back.points[0].readings[0].decision, Decision::no_reading);
  EXPECT_FALSE(back.points[0].readings[0].low);
  EXPECT_FALSE(back.points[0].readings[0].limit.upper);
  EXPECT_TRUE(std::isnan(back.points[0].at.at("rf_hz")));
  EXPECT_TRUE(Json::accept(json_text(one)));
}

TEST(JsonForm, KeepsTextThatIsNoUtf8Visible) {
  record::Run one;
  one.header.person =
      "a\xff\xfe"
      "b";
  one.points.emplace_back().notes = {"\x80"};
  const record::Run back = read_back(one);
  EXPECT_EQ(back.header.person,
            "a\\xff\\xfe"
            "b");
  EXPECT_EQ(back.points[0].notes[0], "\\x80");
}

TEST(JsonForm, DoesNotDependOnTheLocale) {
  struct Comma : std::numpunct<char> {
    char do_decimal_point() const override { return ','; }
    char do_thousands_sep() const override { return '.'; }
    std::string do_grouping() const override { return "\3"; }
  };
  const std::string text = json_text(run());
  const std::locale before = std::locale::global(std::locale(std::locale(), new Comma));
  std::setlocale(LC_ALL, "de_DE.UTF-8");  // the C library too, where that locale is installed
  const std::string abroad = json_text(run());
  const record::Run back = read_back(run());
  std::setlocale(LC_ALL, "C");
  std::locale::global(before);
  EXPECT_EQ(abroad, text);
  expect_same(run(), back);
}

TEST(JsonForm, RefusesWithThePlaceAndWhatWasExpected) {
  Json good = Json::parse(json_text(run()));
  const auto with = [&](const char* pointer, const Json& value) {
    Json bad = good;
    bad[Json::json_pointer(pointer)] = value;
    return refused(bad.dump());
  };
  EXPECT_EQ(with("/points/1/readings/0/decision", "maybe"),
            "results.json: at /points/1/readings/0/decision: expected one of \"not judged\", "
            "\"pass\", \"conditional pass\", \"conditional fail\", \"fail\", \"no reading\", found "
            "\"maybe\"");
  EXPECT_EQ(with("/points/0/attempts", 1.5),
            "results.json: at /points/0/attempts: expected a whole number from 0 to 2147483647");
  EXPECT_EQ(with("/points/0/readings/0/valu", 1),
            "results.json: at /points/0/readings/0/valu: a reading has no member \"valu\"");
  EXPECT_EQ(with("/points/0/at/x~1y~0z", "1"),
            "results.json: at /points/0/at/x~1y~0z: expected a number, found a string");
  EXPECT_EQ(
      with("/points/0/excerpt/i_v/2", 1e300),
      "results.json: at /points/0/excerpt/i_v/2: expected a number that fits single precision");
  EXPECT_EQ(with("/results", 2), "results.json: at /results: expected a whole number from 1 to 1");
  EXPECT_NE(with("/finished", "2026-13-01T00:00:00Z").find("at /finished: expected a time"),
            std::string::npos);
  EXPECT_NE(with("/points/1/ordinal", 0).find("by ascending ordinal"), std::string::npos);
  good["header"].erase("run_id");
  EXPECT_EQ(refused(good.dump()),
            "results.json: at /header: a header needs \"run_id\", which is missing");
  EXPECT_NE(refused("[1, 2"), "accepted");
  EXPECT_NE(refused("[]"), "accepted");
}

TEST(JsonForm, NoPrefixOfAFileIsARun) {
  const std::string text = json_text(run());
  for (std::size_t size = 0; size + 1 < text.size(); size += 97) {
    EXPECT_FALSE(run_from_text(text.substr(0, size), "cut")) << size;
  }
}

// ISO 8601 extended form in UTC, nanoseconds.
// --- the schema says what is written -------------------------------------------------------------

// As much of JSON Schema (draft 2020-12) as the schema of results uses.
class Schema {
 public:
  explicit Schema(Json root) : root_(std::move(root)) {}
  std::string fault(const Json& value) const { return fault(value, root_, ""); }
  std::set<std::string> seen;  // keywords met, so that an unknown one cannot pass unnoticed

 private:
  std::string fault(const Json& value, const Json& schema, const std::string& at) const {
    static const std::set<std::string> kKnown{
        "$schema", "$id",      "title",      "description", "$defs",
        "$ref",    "type",     "properties", "items",       "enum",
        "const",   "required", "minimum",    "maximum",     "additionalProperties",
        "pattern"};
    for (const auto& [keyword, unused] : schema.items()) {
      if (!kKnown.contains(keyword)) return "unknown keyword " + keyword;
    }
    if (schema.contains("$ref")) {
      return fault(value, root_.at(Json::json_pointer(schema["$ref"].get<std::string>().substr(1))),
                   at);
    }
    if (schema.contains("type") && !has_type(value, schema["type"])) return at + ": wrong type";
    if (schema.contains("const") && value != schema["const"]) return at + ": not the constant";
    if (schema.contains("enum")) {
      const Json& choices = schema["enum"];
      if (std::find(choices.begin(), choices.end(), value) == choices.end())
        return at + ": no choice";
    }
    if (schema.contains("minimum") && value < schema["minimum"]) return at + ": below the minimum";
    if (value.is_array() && schema.contains("items")) {
      for (std::size_t i = 0; i < value.size(); ++i) {
        const auto found = fault(value[i], schema["items"], at + "/" + std::to_string(i));
        if (!found.empty()) return found;
      }
    }
    return value.is_object() ? object_fault(value, schema, at) : "";
  }

  std::string object_fault(const Json& value, const Json& schema, const std::string& at) const {
    for (const Json& key : schema.value("required", Json::array())) {
      if (!value.contains(key.get<std::string>())) return at + ": lacks " + key.dump();
    }
    const Json properties = schema.value("properties", Json::object());
    for (const auto& [key, child] : value.items()) {
      Json rule;
      if (properties.contains(key))
        rule = properties[key];
      else if (schema.contains("additionalProperties"))
        rule = schema["additionalProperties"];
      if (rule.is_boolean() && !rule.get<bool>()) return at + "/" + key + ": not foreseen";
      if (!rule.is_object()) continue;
      const auto found = fault(child, rule, at + "/" + key);
      if (!found.empty()) return found;
    }
    return "";
  }

  static bool has_type(const Json& value, const Json& type) {
    if (type.is_array()) {
      return std::any_of(type.begin(), type.end(),
                         [&](const Json& each) { return has_type(value, each); });
    }
    if (type == "object") return value.is_object();
    if (type == "array") return value.is_array();
    if (type == "string") return value.is_string();
    if (type == "boolean") return value.is_boolean();
    if (type == "null") return value.is_null();
    if (type == "integer") return value.is_number_integer();
    return type == "number" && value.is_number();
  }

  Json root_;
};

Json schema_file() {
  std::ifstream stream(NIGHTBENCH_SOURCE_DIR "/docs/reference/schema/results.schema.json");
  return Json::parse(stream);
}

TEST(ResultsSchema, AcceptsWhatIsWritten) {
  const Schema schema(schema_file());
  EXPECT_EQ(schema.fault(Json::parse(json_text(run()))), "");
  EXPECT_EQ(schema.fault(Json::parse(json_text(record::Run()))), "");
}

TEST(ResultsSchema, RefusesWhatTheReaderRefuses) {
  const Schema schema(schema_file());
  Json bad = Json::parse(json_text(run()));
  bad["points"][0]["readings"][0]["valu"] = 1;
  EXPECT_EQ(schema.fault(bad), "/points/0/readings/0/valu: not foreseen");
  bad = Json::parse(json_text(run()));
  bad["outcome"] = "done";
  EXPECT_EQ(schema.fault(bad), "/outcome: no choice");
  bad = Json::parse(json_text(run()));
  bad["header"].erase("board");
  EXPECT_EQ(schema.fault(bad), "/header: lacks \"board\"");
}

}  // namespace
}  // namespace nightbench::record::test
