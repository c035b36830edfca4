#include "drivers/instrument/identity_pattern.hpp"

#include <regex>

namespace nightbench::instrument {
namespace {
constexpr std::size_t kMostIdentity = 256;  // std::regex recurses once a character
}

bool identity_matches(std::string_view identity, const std::string& pattern) {
  try {
    const std::string text(identity.substr(0, kMostIdentity));
    return std::regex_search(text, std::regex(pattern));
  } catch (const std::regex_error&) {
    return false;  // check_identity_pattern has refused such a pattern when the file was read
  }
}

Result<void> check_identity_pattern(const std::string& pattern) {
  try {
    const std::regex compiled(pattern);
    return {};
  } catch (const std::regex_error& wrong) {
    return fail(
        ErrorKind::bad_input,
        std::string("expected a regular expression, found one that is wrong: ") + wrong.what());
  }
}

}  // namespace nightbench::instrument
