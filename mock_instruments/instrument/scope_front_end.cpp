#include "mock_instruments/instrument/scope_front_end.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace nightbench::mock::instrument {
namespace {

// Noise of so many steps squared makes the mean of rounded values that of the unrounded ones, to
// exp(-2 pi^2 s^2) / pi of a step, here 0.016 (Widrow and Kollar, Quantization Noise, from memory).
constexpr double kDithers = 0.15;
// std::round() is a call for each sample.
std::int16_t nearest_code(double value) {
  return static_cast<std::int16_t>(value + (value < 0 ? -0.5 : 0.5));
}

constexpr double kSlack = 1e-9;  // of a step: 1e6 may arrive as 999999.9999

class BoardWaves final : public WaveSource {
 public:
  BoardWaves(World& world, std::string scope, std::uint64_t seed)
      : world_(world), scope_(std::move(scope)), random_(seed) {}

  std::vector<double> volts(int channel, TimePoint now, double start_s, double dt_s,
                            std::size_t n) override {
    const auto point = touched(channel, now);
    if (!point) return std::vector<double>(n, 0.0);
    const board::Stimulus stimulus = world_.stimulus(now);
    const std::vector<board::TestPoint> points{*point};
    auto waves =
        world_.board()->waveform(stimulus, points, world_.moment(now).plus(start_s), dt_s, n);
    const board::Board::Noise noise = world_.board()->noise(stimulus, *point);
    if (noise.v_per_rthz > 0.0) {
      board::add_noise(waves[0], dt_s, noise.v_per_rthz, noise.corner_hz, random_.next());
    }
    return std::move(waves[0]);
  }
  double mean_volts(int channel, TimePoint now) override {
    const auto point = touched(channel, now);
    if (!point) return 0.0;
    const std::string port = scope_ + '/' + std::to_string(channel);
    return world_.board()->dc_volts(world_.stimulus(now, port), *point, 1e6, world_.moment(now));
  }

 private:
  std::optional<board::TestPoint> touched(int channel, TimePoint now) const {
    if (world_.board() == nullptr) return std::nullopt;
    const auto contacts = world_.contacts(scope_ + '/' + std::to_string(channel), now);
    if (contacts.empty() || contacts.front().bouncing) return std::nullopt;
    return contacts.front().point;
  }

  World& world_;
  std::string scope_;
  board::Random random_;
};

}  // namespace

std::unique_ptr<WaveSource> board_waves(World& world, std::string scope, std::uint64_t seed) {
  return std::make_unique<BoardWaves>(world, std::move(scope), seed);
}

double step_down(double value) {
  const double decade = std::pow(10.0, std::floor(std::log10(value * (1 + kSlack))));
  const double mantissa = value / decade * (1 + kSlack);
  return decade * (mantissa >= 5 ? 5 : mantissa >= 2 ? 2 : 1);
}

double step_up(double value) {
  const double below = step_down(value);
  if (below * (1 + kSlack) >= value) return below;
  return step_down(below * 2.6);  // the next of the series 1, 2, 5
}

ScopeFrontEnd::ScopeFrontEnd(WaveSource& source, const ScopeConfig& config, double divisions,
                             std::uint64_t seed)
    : source_(source), config_(config), divisions_(divisions), random_(seed) {
  const auto within = [this](double most) { return most * (2.0 * random_.uniform() - 1.0); };
  const double common = within(config.gain_error);
  for (int i = 0; i < config.channels; ++i) {
    Errors errors;
    errors.gain = 1.0 + common + within(config.gain_match / 2);
    errors.offset = within(config.offset_error);
    errors.skew_s = within(config.skew_s);
    errors.range_seed = random_.next();
    errors_.push_back(errors);
  }
  reset();
}

void ScopeFrontEnd::reset() {
  channels_.assign(static_cast<std::size_t>(config_.channels), Channel());
  for (Channel& each : channels_) each.full_scale_v = step_up(1.0) * divisions_;
  disturbance_.assign(channels_.size(), Ramp(0.0));
  records_.assign(channels_.size(), ScopeRecord());
  trigger = Trigger();
  averages = 1;
  pre_trigger = 0.0;
  wanted_rate_hz_ = 1e6;
  wanted_points_ = 10'000;
  running_ = false;
  armed_ = false;
}

void ScopeFrontEnd::set_full_scale(int number, double volts, TimePoint now, Duration settle) {
  channel(number).full_scale_v = step_up(volts / divisions_) * divisions_;
  Ramp& moved = disturbance_[static_cast<std::size_t>(number) - 1];
  moved = Ramp(0.05);
  moved.set(0.0, now, settle);
}

void ScopeFrontEnd::set_offset(int number, double volts, TimePoint now, Duration settle) {
  channel(number).offset_v = volts;
  Ramp& moved = disturbance_[static_cast<std::size_t>(number) - 1];
  moved = Ramp(0.05);
  moved.set(0.0, now, settle);
}

int ScopeFrontEnd::channels_on() const {
  return static_cast<int>(std::ranges::count_if(channels_, [](const Channel& c) { return c.on; }));
}

std::size_t ScopeFrontEnd::most_points() const {
  const int on = channels_on();
  return config_.memory / (on > 2 ? 4U : on == 2 ? 2U : 1U);
}

double ScopeFrontEnd::most_rate_hz() const {
  const int on = channels_on();
  return config_.most_rate_hz / (on > 2 ? 4.0 : on == 2 ? 2.0 : 1.0);
}

void ScopeFrontEnd::set_rate(double hz) {
  wanted_rate_hz_ = hz;
}

double ScopeFrontEnd::rate_hz() const {
  if (const auto fixed = source_.fixed_rate_hz()) return *fixed;
  return step_down(std::clamp(wanted_rate_hz_, config_.least_rate_hz, most_rate_hz()));
}

std::size_t ScopeFrontEnd::points() const {
  return std::clamp(wanted_points_, config_.least_points, most_points());
}

double ScopeFrontEnd::gain(int number) const {
  const auto index = static_cast<std::size_t>(number) - 1;
  // A range's own error is drawn from the range itself, so that coming back to it finds it again.
  const double step = std::round(1e6 * channels_[index].full_scale_v);
  board::Random range(errors_[index].range_seed ^ static_cast<std::uint64_t>(step));
  return errors_[index].gain + config_.range_gain * (2.0 * range.uniform() - 1.0);
}

double ScopeFrontEnd::offset_error_v(int number) const {
  const auto index = static_cast<std::size_t>(number) - 1;
  return errors_[index].offset * channels_[index].full_scale_v;
}

std::optional<double> ScopeFrontEnd::find_trigger(TimePoint now) {
  if (trigger.channel == 0) return 0.0;
  constexpr std::size_t kSearched = 4096;
  constexpr std::size_t kAtOnce = 256;
  constexpr std::size_t kRefined = 64;
  const double sign = trigger.falling ? -1.0 : 1.0;
  const double at_gain = gain(trigger.channel);
  const double shift = offset_error_v(trigger.channel) - trigger.level_v;
  // Where `volts` passes the level upwards, in samples from its first one.
  const auto crossing = [&](const std::vector<double>& volts) -> std::optional<double> {
    for (std::size_t i = 0; i + 1 < volts.size(); ++i) {
      const double before = sign * (volts[i] * at_gain + shift);
      const double after = sign * (volts[i + 1] * at_gain + shift);
      if (before < 0 && after >= 0) return static_cast<double>(i) + before / (before - after);
    }
    return std::nullopt;
  };
  const double span = 2.0 * static_cast<double>(points()) / rate_hz();
  const double coarse = span / static_cast<double>(kSearched);
  // An edge mostly comes soon, so the search goes on stretch by stretch, each with its neighbour's
  // first sample.
  for (std::size_t first = 0; first < kSearched; first += kAtOnce) {
    const double begin = static_cast<double>(first) * coarse;
    const auto rough = crossing(source_.volts(trigger.channel, now, begin, coarse, kAtOnce + 1));
    if (!rough) continue;
    const double start = begin + (std::floor(*rough) - 0.5) * coarse;
    const double fine = 2.0 * coarse / static_cast<double>(kRefined);
    const auto exact_at = crossing(source_.volts(trigger.channel, now, start, fine, kRefined));
    return exact_at ? start + *exact_at * fine : begin + *rough * coarse;
  }
  return std::nullopt;
}

TimePoint ScopeFrontEnd::arm(TimePoint now, const Latency& latency) {
  const double span = static_cast<double>(points()) / rate_hz();
  const auto edge = find_trigger(now);
  triggered_ = edge.has_value() && trigger.channel != 0;
  armed_ = true;
  running_ = false;
  if (!edge && trigger.normal) {
    complete_at_ = TimePoint::max();
    return complete_at_;
  }
  // Without an edge the record starts at an instant that has nothing to do with the signal.
  const double at =
      triggered_ ? *edge + config_.trigger_jitter_s * random_.normal() : 1e-3 * random_.uniform();
  take(now, at - pre_trigger * span);
  complete_at_ = now;
  if (latency.acquires) {
    // From the command to the first record and from the last one to its answer; between records of
    // an average (common practice, no source).
    constexpr double kBegin = 60e-3;
    constexpr double kRearm = 1e-3;
    const double each = std::max(at, 0.0) + span + kRearm;
    complete_at_ = now + latency.scaled(from_seconds(kBegin + each * averages));
  }
  return complete_at_;
}

void ScopeFrontEnd::stop() {
  if (armed_ && complete_at_ == TimePoint::max()) armed_ = false;
  running_ = false;
}

void ScopeFrontEnd::take(TimePoint now, double start_s) {
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    if (channels_[i].on)
      records_[i] = convert(static_cast<int>(i) + 1, now, start_s, triggered_);
    else
      records_[i] = ScopeRecord();
  }
  source_.advance();
}

ScopeRecord ScopeFrontEnd::convert(int number, TimePoint now, double start_s, bool triggered) {
  const auto index = static_cast<std::size_t>(number) - 1;
  const Channel& at = channels_[index];
  ScopeRecord out;
  out.full_scale_v = at.full_scale_v;
  out.offset_v = at.offset_v;
  out.dt_s = 1.0 / rate_hz();
  out.averages = averages;
  const double true_dt = out.dt_s * (1.0 + 1e-6 * config_.time_base_error_ppm);
  const double first = start_s + skew_s(number);
  std::vector<double> volts = source_.volts(number, now, first, true_dt, points());
  const std::size_t n = volts.size();
  out.trigger_index = static_cast<std::size_t>(pre_trigger * static_cast<double>(n));

  const double mean = at.ac ? source_.mean_volts(number, now) : 0.0;
  const double levels = std::exp2(config_.bits);
  const double lsb = at.full_scale_v / levels;
  const double at_gain = gain(number);
  const double shift = offset_error_v(number) - at.offset_v +
                       disturbance_[index].at(now) * at.full_scale_v - mean * at_gain;
  const double up = 65536.0 / levels;
  out.raw.resize(n);
  if (triggered && averages > 1 && config_.noise_lsb * config_.noise_lsb >= kDithers) {
    // Many converted records of one waveform, each with its own noise, come to the waveform with
    // the noise and the rounding of all of them (quantisation theory: dithered, the rounding is
    // another noise of a twelfth of a step squared).
    const double noise = std::sqrt((config_.noise_lsb * config_.noise_lsb + 1.0 / 12) / averages);
    for (std::size_t i = 0; i < n; ++i) {
      const double steps = (volts[i] * at_gain + shift) / lsb + noise * random_.normal();
      const double kept = std::clamp(steps, -levels / 2, levels / 2 - 1);
      out.raw[i] = nearest_code(kept * up);
    }
  } else {
    std::vector<double> sum(n, 0.0);
    for (int pass = 0; pass < averages; ++pass) {
      // Records that no edge lines up do not add up coherently.
      if (pass > 0 && !triggered) {
        const double later = first + pass * (static_cast<double>(n) * true_dt + random_.uniform());
        volts = source_.volts(number, now, later, true_dt, n);
      }
      for (std::size_t i = 0; i < n; ++i) {
        const double noisy =
            (volts[i] * at_gain + shift) / lsb + config_.noise_lsb * random_.normal();
        sum[i] += nearest_code(std::clamp(noisy, -levels / 2, levels / 2 - 1));
      }
    }
    for (std::size_t i = 0; i < n; ++i) {
      out.raw[i] = nearest_code(sum[i] / averages * up);
    }
  }
  if (exact) out.exact.assign(volts.begin(), volts.end());
  return out;
}

const ScopeRecord* ScopeFrontEnd::record(int number, TimePoint now) {
  const auto index = static_cast<std::size_t>(number) - 1;
  if (running_) {
    const auto edge = find_trigger(now);
    triggered_ = edge.has_value() && trigger.channel != 0;
    take(now, triggered_ ? *edge : 1e-3 * random_.uniform());
    armed_ = true;
    complete_at_ = now;
    running_ = true;
  }
  if (!has_record(now) || records_[index].raw.empty()) return nullptr;
  return &records_[index];
}

}  // namespace nightbench::mock::instrument
