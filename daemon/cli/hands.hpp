// Who answers a run's questions and moves its probes: a person at this terminal, or on a simulated
// bench the virtual hand.
#pragma once

#include <cstdint>
#include <cstdio>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "daemon/cli/bench_session.hpp"
#include "daemon/cli/terminal_operator.hpp"
#include "daemon/cli/virtual_hand.hpp"

namespace nightbench::cli {

enum class Hand : std::uint8_t {
  steady,  // the virtual hand, which does what it is asked
  clumsy,  // the virtual hand, which slips now and then
  person,  // at the terminal; on a simulated bench the virtual hand carries out what is confirmed
};

struct HandChoice {
  Hand hand = Hand::steady;
  std::uint64_t seed = 1;  // of a clumsy hand
};

// "steady", "clumsy", "clumsy:7", "person"; "" is steady on a simulated bench, a person elsewhere.
// bad_input for other words, and for a virtual hand where the bench is not simulated.
Result<HandChoice> read_hand(const std::string& text, bool simulated);

class Hands {
 public:
  // `bench` must outlive this. What is asked goes to `out`; `before` is called first each time.
  // `quiet`: what the virtual hand does is not told.
  Hands(HandChoice choice, BenchSession& bench, std::FILE* out, std::function<void()> before,
        bool quiet);

  // Ready for the questions of one more run.
  engine::Operator& for_run();
  // "clumsy hand (seed 7): 43 moves, 9 slips"; "" without a clumsy hand.
  std::string summary() const;

 private:
  HandChoice choice_;
  std::unique_ptr<TerminalOperator> person_;
  std::unique_ptr<VirtualHand> hand_;
};

}  // namespace nightbench::cli
