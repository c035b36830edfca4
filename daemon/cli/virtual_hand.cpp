#include "daemon/cli/virtual_hand.hpp"

#include <algorithm>
#include <utility>

#include "mock_instruments/board/test_point.hpp"

namespace nightbench::cli {

using engine::Answer;
using engine::Prompt;
using engine::PromptKind;
using engine::Reply;

namespace {

constexpr std::uint64_t kOneIn = 3;  // so often a clumsy hand slips

// The op-amp's two inputs are held at one voltage: one for the other is no slip that a signal
// shows.
bool same_signal(const std::string& a, const std::string& b) {
  for (const auto& [one, other] :
       {std::pair{"i_plus", "i_minus"}, std::pair{"q_plus", "q_minus"}}) {
    if ((a == one && b == other) || (a == other && b == one)) return true;
  }
  return false;
}

std::string simulated_name(const std::string& test_point) {
  return test_point == "board_supply" ? "supply_in" : test_point;
}

}  // namespace

VirtualHand::VirtualHand(mock::server::SimulatedBench& bench, std::optional<std::uint64_t> clumsy,
                         engine::Operator* person)
    : bench_(bench), clumsy_(clumsy.has_value()), person_(person), random_(clumsy.value_or(0)) {}

std::string VirtualHand::neighbour_of(const std::string& test_point) {
  const auto place = mock::board::find_test_point(simulated_name(test_point));
  if (!place) return "";
  const mock::board::TestPointInfo& here = mock::board::info(*place);
  std::vector<std::string> beside;
  for (const mock::board::TestPointInfo& each : mock::board::test_points()) {
    if (each.part != here.part || here.pin == 0) continue;
    const bool next = each.pin == here.pin + 1 || each.pin == here.pin - 1;
    if (next && !same_signal(std::string(each.name), test_point)) beside.emplace_back(each.name);
  }
  return beside.empty() ? "" : beside[random_() % beside.size()];
}

Result<void> VirtualHand::move(const Prompt& prompt) {
  HandMove made;
  made.measurement = prompt.id;
  made.port = prompt.port;
  made.asked = prompt.test_point;
  made.went = prompt.test_point;
  made.again = !prompt.doubt.empty();
  const bool slipped = std::any_of(moves_.begin(), moves_.end(), [&](const HandMove& each) {
    return each.measurement == made.measurement && each.slip != Slip::none;
  });
  if (clumsy_ && !made.again && !slipped && random_() % kOneIn == 0) {
    made.slip = static_cast<Slip>(1 + random_() % 3);
    if (made.slip == Slip::neighbour) made.went = neighbour_of(prompt.test_point);
    if (made.slip == Slip::in_the_air || made.went.empty()) {
      made.slip = Slip::in_the_air;
      made.went.clear();
    }
  }
  if (made.slip == Slip::exchanged) {
    // With the probe of the same instrument that was placed for this measurement before.
    const std::string instrument = made.port.substr(0, made.port.find('/'));
    const auto other = std::find_if(moves_.rbegin(), moves_.rend(), [&](const HandMove& each) {
      return each.measurement == made.measurement && each.port != made.port &&
             each.port.substr(0, each.port.find('/')) == instrument;
    });
    if (other == moves_.rend() || instrument == "meter" || other->slip != Slip::none) {
      made.slip = Slip::none;
    } else {
      made.went = other->went;
      TRY(bench_.attach(other->port, prompt.test_point));
    }
  }
  TRY(bench_.attach(made.port, made.went));
  moves_.push_back(std::move(made));
  return {};
}

Awaitable<Result<Reply>> VirtualHand::ask(Prompt prompt) {
  Reply reply;
  if (person_ != nullptr) {
    CO_TRY_ASSIGN(reply, co_await person_->ask(prompt));
  } else if (withdrawn_) {
    co_return fail(ErrorKind::cancelled, "the question was withdrawn");
  } else if (prompt.kind == PromptKind::move) {
    reply.answer = Answer::done;
  } else {
    const auto given = answers.find(prompt.id);
    reply.answer = given == answers.end() ? Answer::yes : given->second;
  }
  asked_.push_back(prompt);
  if (told && person_ == nullptr) told(prompt, reply);
  if (prompt.kind == PromptKind::move && reply.answer == Answer::done) CO_TRY(move(prompt));
  co_return reply;
}

void VirtualHand::withdraw() {
  withdrawn_ = true;
  if (person_ != nullptr) person_->withdraw();
}

}  // namespace nightbench::cli
