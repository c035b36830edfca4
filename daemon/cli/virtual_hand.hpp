// The hand that moves probes on the simulated bench. On its own it answers every question with yes
// and every move with done; beside a person it carries out what the person has confirmed. It can be
// clumsy: leave a tip in the air, take a neighbouring pin, or exchange two probes, once for a
// measurement (two tips that are both one pin too far may well be on another good pair), and it
// does it right when asked again.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "mock_instruments/server/simulated_bench.hpp"
#include "sequences/engine/operator.hpp"

namespace nightbench::cli {

enum class Slip : std::uint8_t { none, in_the_air, neighbour, exchanged };

struct HandMove {
  std::string measurement;        // the prompt's id
  std::string port, asked, went;  // test points; `went` is "" in the air
  Slip slip = Slip::none;
  bool again = false;  // asked for the second time
};

class VirtualHand final : public engine::Operator {
 public:
  // `bench` must outlive the hand. `clumsy` is a seed; nothing: a steady hand. With `person`, which
  // must outlive the hand too, the person answers.
  VirtualHand(mock::server::SimulatedBench& bench, std::optional<std::uint64_t> clumsy,
              engine::Operator* person = nullptr);

  Awaitable<Result<engine::Reply>> ask(engine::Prompt prompt) override;
  void withdraw() override;
  // Takes questions again after withdraw(): for the next run.
  void renew() { withdrawn_ = false; }
  // Is told every prompt that the hand answers by itself.
  std::function<void(const engine::Prompt&, const engine::Reply&)> told;

  // Answers to questions by id, instead of yes.
  std::map<std::string, engine::Answer> answers;
  const std::vector<HandMove>& moves() const { return moves_; }
  const std::vector<engine::Prompt>& asked() const { return asked_; }

 private:
  Result<void> move(const engine::Prompt& prompt);
  // The pin beside it on the same part, where the simulation knows one that carries something else.
  std::string neighbour_of(const std::string& test_point);

  mock::server::SimulatedBench& bench_;
  bool clumsy_;
  engine::Operator* person_;
  std::mt19937_64 random_;
  std::vector<HandMove> moves_;
  std::vector<engine::Prompt> asked_;
  bool withdrawn_ = false;
};

}  // namespace nightbench::cli
