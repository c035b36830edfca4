// Where the program finds what it ships with, and where it puts what it makes.
#pragma once

#include <filesystem>
#include <string>

#include "drivers/base/error.hpp"

namespace nightbench::cli {

// The folder with drivers/dialects and sequences/library: $NIGHTBENCH_HOME, else the folder above
// the program that has them, else where it was built from. bad_input when there is none.
Result<std::filesystem::path> home();

std::filesystem::path dialect_folder(const std::filesystem::path& home);

// A script, board type or fault book: the path as given when it exists, else a name looked up in the library
// ("response" is sequences/library/scripts/response.json). bad_input with the nearest name.
Result<std::filesystem::path> find_script(const std::string& text);
Result<std::filesystem::path> find_board_type(const std::string& text);
Result<std::filesystem::path> find_fault_book(const std::string& text);
inline constexpr const char* kUsualFaultBook = "iq-receiver";

// Results without --out: $XDG_STATE_HOME/nightbench, or ~/.local/state/nightbench.
std::filesystem::path default_out();

}  // namespace nightbench::cli
