// Short ways to decode pieces of scripts in tests.
#pragma once

#include <filesystem>
#include <map>
#include <stdexcept>
#include <string>
#include <string_view>

#include "sequences/script/board_type.hpp"
#include "sequences/script/script.hpp"
#include "tests/support/places.hpp"

namespace nightbench::script::testing {

inline const std::filesystem::path kSource = NIGHTBENCH_SOURCE_DIR;
inline const std::filesystem::path kSamples = kSource / "tests/sequences/script/samples";

template <typename T>
T must(Result<T> result) {
  if (!result) throw std::runtime_error(describe(result.error()));
  return *std::move(result);
}

template <typename T>
std::string text_of(const Result<T>& result) {
  return result ? std::string("no error") : describe(result.error());
}

inline json::Node node(std::string_view text) {
  return must(json::parse(text, "test.json"));
}

using Settings = std::map<std::string, std::string>;

inline Result<Script> decode(std::string_view text, const Settings& settings = {}) {
  TRY_ASSIGN(const json::Node root, json::parse(text, "test.json"));
  return decode_script(root, std::string(text), settings);
}

// A script of the given steps, written as a JSON array.
inline Script script_of(const std::string& steps) {
  return must(decode(R"({"script": "test", "steps": )" + steps + "}"));
}

inline BoardType heron() {
  return must(read_board_type(kSource / "sequences/library/board_types/heron-30.json"));
}

}  // namespace nightbench::script::testing
