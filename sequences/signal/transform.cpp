#include "sequences/signal/transform.hpp"

#include <fftw3.h>

#include <map>
#include <memory>
#include <mutex>

namespace nightbench::signal {
namespace {

using Plan = std::shared_ptr<std::remove_pointer_t<fftw_plan>>;

std::mutex& planner() {
  static std::mutex mutex;
  return mutex;
}

// Destroying a plan touches the planner's tables too.
void destroy(fftw_plan plan) {
  const std::lock_guard lock(planner());
  fftw_destroy_plan(plan);
}

Plan plan_for(std::size_t size) {
  static std::map<std::size_t, Plan> plans;
  constexpr std::size_t most_plans = 64;
  const std::lock_guard lock(planner());
  if (const auto found = plans.find(size); found != plans.end()) return found->second;
  std::vector<double> in(size);
  std::vector<std::complex<double>> out(size / 2 + 1);
  const fftw_plan made = fftw_plan_dft_r2c_1d(static_cast<int>(size), in.data(),
                                              reinterpret_cast<fftw_complex*>(out.data()),
                                              FFTW_ESTIMATE | FFTW_UNALIGNED | FFTW_PRESERVE_INPUT);
  Plan plan(made, destroy);
  if (plans.size() < most_plans) plans.emplace(size, plan);
  return plan;
}

}  // namespace

std::vector<std::complex<double>> transform(std::span<double> values) {
  if (values.empty()) return {};
  std::vector<std::complex<double>> out(values.size() / 2 + 1);
  const Plan plan = plan_for(values.size());
  fftw_execute_dft_r2c(plan.get(), values.data(), reinterpret_cast<fftw_complex*>(out.data()));
  return out;
}

}  // namespace nightbench::signal
