#include "daemon/cli/hands.hpp"

#include <unistd.h>

#include <algorithm>
#include <charconv>

#include "drivers/base/json.hpp"

namespace nightbench::cli {

using engine::Prompt;
using engine::Reply;

Result<HandChoice> read_hand(const std::string& text, bool simulated) {
  HandChoice out;
  const std::size_t colon = text.find(':');
  const std::string word = text.substr(0, colon);
  if (text.empty()) {
    out.hand = simulated ? Hand::steady : Hand::person;
  } else if (word == "clumsy") {
    out.hand = Hand::clumsy;
    if (colon != std::string::npos) {
      const char* end = text.data() + text.size();
      const auto read = std::from_chars(text.data() + colon + 1, end, out.seed);
      if (read.ec != std::errc() || read.ptr != end) {
        return fail(
            ErrorKind::bad_input,
            "--hand: expected a whole number as seed, such as clumsy:7, found \"" + text + "\"");
      }
    }
  } else if (text == "steady") {
    out.hand = Hand::steady;
  } else if (text == "person") {
    out.hand = Hand::person;
  } else {
    std::string message =
        "--hand: expected steady, clumsy, clumsy:SEED or person, found \"" + text + "\"";
    if (const auto close = json::nearest(text, {"steady", "clumsy", "person"})) {
      message += "; did you mean \"" + *close + "\"?";
    }
    return fail(ErrorKind::bad_input, message);
  }
  if (!simulated && out.hand != Hand::person) {
    return fail(ErrorKind::bad_input, "--hand " + text +
                                          " moves probes of a simulated bench; on this one a "
                                          "person does");
  }
  return out;
}

Hands::Hands(HandChoice choice, BenchSession& bench, std::FILE* out, std::function<void()> before,
             bool quiet)
    : choice_(choice) {
  if (choice.hand == Hand::person) {
    person_ = std::make_unique<TerminalOperator>(bench.io(), STDIN_FILENO, out, before);
  }
  if (bench.simulation() == nullptr) return;
  std::optional<std::uint64_t> seed;
  if (choice.hand == Hand::clumsy) seed = choice.seed;
  hand_ = std::make_unique<VirtualHand>(*bench.simulation(), seed, person_.get());
  if (quiet) return;
  hand_->told = [out, before](const Prompt& prompt, const Reply& reply) {
    if (before) before();
    if (!prompt.doubt.empty()) std::fprintf(out, "  again: %s\n", prompt.doubt.c_str());
    std::fprintf(out, "  hand: %s: %s\n", prompt.title.c_str(), engine::word(reply.answer));
    std::fflush(out);
  };
}

engine::Operator& Hands::for_run() {
  if (person_) person_->renew();
  if (!hand_) return *person_;
  hand_->renew();
  return *hand_;
}

std::string Hands::summary() const {
  if (choice_.hand != Hand::clumsy || !hand_) return "";
  const auto slips = std::count_if(hand_->moves().begin(), hand_->moves().end(),
                                   [](const HandMove& each) { return each.slip != Slip::none; });
  return "clumsy hand (seed " + std::to_string(choice_.seed) +
         "): " + std::to_string(hand_->moves().size()) + " moves, " + std::to_string(slips) +
         " slips";
}

}  // namespace nightbench::cli
