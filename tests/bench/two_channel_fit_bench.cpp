// Time of the two-channel fit beside the time of merely reading the same samples once.
//
//   bench_two_channel_fit                       all sizes
//   bench_two_channel_fit --benchmark_filter=10000$
//
// compare_with_numpy.py runs the fit of 2 x 10 000 points and a plain Gauss-Newton in numpy on the
// same samples and prints the ratio.
#include <benchmark/benchmark.h>

#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <numbers>
#include <string>
#include <vector>

#include "sequences/reading/iq.hpp"
#include "sequences/signal/tone.hpp"

namespace {

using namespace nightbench;

struct Records {
  std::vector<std::int16_t> i, q;  // 12-bit codes in 16 bits
  double cycles = 0.0;             // per sample
  double start = 0.0;              // a tenth of a bin off
};

// splitmix64 (Steele, Lea and Flood, OOPSLA 2014); four 16-bit parts added are noise enough.
double noise(std::uint64_t& state) {
  std::uint64_t z = (state += 0x9E3779B97F4A7C15u);
  z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
  z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
  z ^= z >> 31;
  return static_cast<double>((z & 0xFFFF) + ((z >> 16) & 0xFFFF) + ((z >> 32) & 0xFFFF) +
                             (z >> 48)) -
         131070.0;
}

Records records(std::size_t points) {
  Records made;
  made.cycles = std::max(0.0127182818, 10.3 / static_cast<double>(points));
  made.start = made.cycles + 0.1 / static_cast<double>(points);
  std::uint64_t state = 1;
  for (std::size_t n = 0; n < points; ++n) {
    const double turns = made.cycles * static_cast<double>(n);
    const double x = 2.0 * std::numbers::pi * (turns - std::floor(turns));
    made.i.push_back(
        static_cast<std::int16_t>(std::lrint(1800.0 * std::cos(x) + 1e-4 * noise(state))));
    made.q.push_back(
        static_cast<std::int16_t>(std::lrint(1760.0 * std::sin(x - 0.02) + 1e-4 * noise(state))));
  }
  return made;
}

signal::Trace trace(const std::vector<std::int16_t>& codes) {
  signal::Trace t = signal::trace_of(std::span<const std::int16_t>(codes), 1e-6);
  t.volts_per_code = 1e-3;
  return t;
}

// The floor: every sample of both channels read once and added.
void pass_over_memory(benchmark::State& state) {
  const Records r = records(static_cast<std::size_t>(state.range(0)));
  for (auto _ : state) {
    std::int64_t sum = 0;
    for (std::int16_t code : r.i) sum += code;
    for (std::int16_t code : r.q) sum += code;
    benchmark::DoNotOptimize(sum);
  }
  state.SetItemsProcessed(state.iterations() * 2 * state.range(0));
}

// The same as volts in double: what any fit in floating point must do at least.
void pass_as_volts(benchmark::State& state) {
  const Records r = records(static_cast<std::size_t>(state.range(0)));
  std::vector<double> volts(256);
  for (auto _ : state) {
    double sum = 0.0;
    for (const auto* codes : {&r.i, &r.q}) {
      const signal::Trace t = trace(*codes);
      for (std::size_t n = 0; n < t.size; n += volts.size()) {
        const std::size_t count = std::min(volts.size(), t.size - n);
        signal::read_volts(t, n, std::span(volts).first(count));
        sum += volts[0];
        benchmark::ClobberMemory();
      }
    }
    benchmark::DoNotOptimize(sum);
  }
  state.SetItemsProcessed(state.iterations() * 2 * state.range(0));
}

void two_channel_fit(benchmark::State& state) {
  const Records r = records(static_cast<std::size_t>(state.range(0)));
  signal::Expected<signal::TwoChannelFit> fit;
  signal::TwoChannelOptions options;
  options.weighting = signal::Weighting::equal;
  for (auto _ : state) {
    fit = signal::two_channel_fit(trace(r.i), trace(r.q), r.start * 1e6, options);
    benchmark::DoNotOptimize(fit);
  }
  if (!fit) return state.SkipWithError(fit.error().detail.c_str());
  state.counters["frequency_hz"] = fit->frequency_hz;
  state.counters["phase_difference_rad"] = fit->phase_difference_rad;
  state.counters["steps"] = fit->steps;
  state.SetItemsProcessed(state.iterations() * 2 * state.range(0));
}

// Without a start frequency.
void find_and_fit(benchmark::State& state) {
  const Records r = records(static_cast<std::size_t>(state.range(0)));
  signal::Expected<signal::TwoChannelFit> fit;
  for (auto _ : state) {
    fit = signal::find_and_fit(trace(r.i), trace(r.q));
    benchmark::DoNotOptimize(fit);
  }
  if (!fit) return state.SkipWithError(fit.error().detail.c_str());
  state.SetItemsProcessed(state.iterations() * 2 * state.range(0));
}

// All quantities with their uncertainties and every refusal looked at.
void measure_iq(benchmark::State& state) {
  const Records r = records(static_cast<std::size_t>(state.range(0)));
  reading::IqContext context;
  context.level_dbm = -40.0;
  reading::IqResult result;
  for (auto _ : state) {
    result = reading::measure_iq(trace(r.i), trace(r.q), context);
    benchmark::DoNotOptimize(result);
  }
  if (result.refused) return state.SkipWithError(result.refused->detail.c_str());
  state.SetItemsProcessed(state.iterations() * 2 * state.range(0));
}

constexpr int first = 100;
constexpr int last = 10'000'000;

BENCHMARK(pass_over_memory)->RangeMultiplier(10)->Range(first, last);
BENCHMARK(pass_as_volts)->RangeMultiplier(10)->Range(first, last);
BENCHMARK(two_channel_fit)->RangeMultiplier(10)->Range(first, last)->Unit(benchmark::kMicrosecond);
BENCHMARK(find_and_fit)->RangeMultiplier(10)->Range(first, last)->Unit(benchmark::kMicrosecond);
BENCHMARK(measure_iq)->Arg(1000)->Arg(10'000)->Arg(100'000)->Unit(benchmark::kMicrosecond);

// --write-records FILE POINTS: the samples of both channels, int16, I first, for other programs.
int write_records(const char* file, std::size_t points) {
  const Records r = records(points);
  std::FILE* out = std::fopen(file, "wb");
  if (!out) {
    std::perror(file);
    return 1;
  }
  const bool good = std::fwrite(r.i.data(), 2, points, out) == points &&
                    std::fwrite(r.q.data(), 2, points, out) == points;
  return std::fclose(out) == 0 && good ? 0 : 1;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc == 4 && std::string(argv[1]) == "--write-records") {
    return write_records(argv[2], std::strtoul(argv[3], nullptr, 10));
  }
  benchmark::Initialize(&argc, argv);
  if (benchmark::ReportUnrecognizedArguments(argc, argv)) return 1;
  benchmark::RunSpecifiedBenchmarks();
  benchmark::Shutdown();
  return 0;
}
