// Runs one awaitable to its end, on virtual or real time, and gives its result.
#pragma once

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <chrono>
#include <exception>
#include <memory>
#include <optional>
#include <stdexcept>

#include "drivers/base/clock.hpp"

namespace nightbench::test {

template <typename T>
struct Outcome {
  std::optional<T> value;
  std::exception_ptr thrown;
  bool done = false;
};

template <typename T>
std::shared_ptr<Outcome<T>> start(boost::asio::io_context& context, Awaitable<T> task) {
  auto outcome = std::make_shared<Outcome<T>>();
  boost::asio::co_spawn(context, std::move(task), [outcome](std::exception_ptr thrown, T value) {
    outcome->thrown = thrown;
    outcome->value.emplace(std::move(value));
    outcome->done = true;
  });
  return outcome;
}

template <typename T>
T result_of(Outcome<T>& outcome) {
  if (outcome.thrown) std::rethrow_exception(outcome.thrown);
  if (!outcome.done) throw std::runtime_error("still waiting when nothing was left to happen");
  return std::move(*outcome.value);
}

template <typename T>
T run(VirtualClock& clock, Awaitable<T> task) {
  const auto outcome = start(clock.context(), std::move(task));
  clock.run([&] { return outcome->done; });
  return result_of(*outcome);
}

// On real time the test's own timeout in CTest is the bound.
template <typename T>
T run(RealClock& clock, Awaitable<T> task) {
  boost::asio::io_context& context = clock.context();
  const auto outcome = start(context, std::move(task));
  context.restart();
  while (!outcome->done && context.run_one() != 0) {
  }
  return result_of(*outcome);
}

}  // namespace nightbench::test
