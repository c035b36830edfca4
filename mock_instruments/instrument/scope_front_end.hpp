// What all simulated oscilloscopes share: input ranges, an 8-bit converter, the time base, the
// trigger, averaging, and their errors. How records are read out is the families' affair.
//
// A record is made when it is armed, from the stimulus of that moment. Sampling is real: what lies
// above half the rate folds. Deterministic from the seed and the order and times of calls.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

#include "drivers/base/clock.hpp"
#include "mock_instruments/board/noise.hpp"
#include "mock_instruments/instrument/instrument.hpp"

namespace nightbench::mock::instrument {

struct ScopeConfig {
  int channels = 2;
  int bits = 8;
  // Rates in 1-2-5 steps. The converters and the memory are shared: with more than one channel on,
  // highest rate and longest record halve (and halve again with more than two).
  double most_rate_hz = 1e9;
  double least_rate_hz = 10.0;
  std::size_t memory = 1'000'000;  // points
  std::size_t least_points = 100;
  // Full scale: a division in 1-2-5 steps times the divisions of the family.
  double least_division_v = 1e-3;
  double most_division_v = 10.0;
  double offset_most_v = 20.0;
  double noise_lsb = 0.4;           // rms, of the input stage
  double trigger_jitter_s = 1e-10;  // rms
  double time_base_error_ppm = 0.0;
  double input_ohm = 1e6;
  double input_farad = 15e-12;
  // Limits of the errors that are drawn from the seed.
  double gain_error = 0.01;     // common to all channels, relative
  double gain_match = 0.003;    // between any two channels, relative
  double range_gain = 0.0005;   // of each channel on each range, relative
  double offset_error = 0.002;  // of full scale
  double skew_s = 0.5e-9;
};

// Where the volts come from.
class WaveSource {
 public:
  virtual ~WaveSource() = default;
  // n samples of a channel (1, 2, ...) from `start_s` after `now`, dt_s apart; zeros when nothing
  // is connected, fewer than n when there is no more.
  virtual std::vector<double> volts(int channel, TimePoint now, double start_s, double dt_s,
                                    std::size_t n) = 0;
  // Mean of the signal, which AC coupling takes away.
  virtual double mean_volts(int channel, TimePoint now) = 0;
  // The next record is another one (recordings), or nothing to do.
  virtual void advance() {}
  // The only rate there is, for recordings.
  virtual std::optional<double> fixed_rate_hz() const { return std::nullopt; }
};

// The board through the probes of the ports "<scope>/1", "<scope>/2"...
std::unique_ptr<WaveSource> board_waves(World& world, std::string scope, std::uint64_t seed);

struct ScopeRecord {
  std::vector<std::int16_t> raw;  // code - half scale, moved up to 16 bits
  std::vector<float> exact;       // volts before conversion, for recordings served as numbers
  double full_scale_v = 0.0;
  double offset_v = 0.0;
  double dt_s = 0.0;  // as the scope believes
  std::size_t trigger_index = 0;
  int averages = 1;

  double volts_per_raw() const { return full_scale_v / 65536.0; }
};

class ScopeFrontEnd {
 public:
  struct Channel {
    bool on = true;
    double full_scale_v = 8.0;
    double offset_v = 0.0;  // in the middle of the range
    bool ac = false;
  };
  struct Trigger {
    int channel = 1;  // 0: none, records start at once
    double level_v = 0.0;
    bool falling = false;
    bool normal = false;  // waits for an edge for ever; otherwise starts without one soon
  };

  ScopeFrontEnd(WaveSource& source, const ScopeConfig& config, double divisions,
                std::uint64_t seed);

  void reset();
  const ScopeConfig& config() const { return config_; }
  Channel& channel(int number) { return channels_[static_cast<std::size_t>(number) - 1]; }
  Trigger trigger;
  int averages = 1;
  bool exact = false;        // records keep the volts too
  double pre_trigger = 0.0;  // part of the record before the trigger

  // The next step up that holds the wanted full scale.
  void set_full_scale(int channel, double volts, TimePoint now, Duration settle);
  void set_offset(int channel, double volts, TimePoint now, Duration settle);
  double least_full_scale_v() const { return config_.least_division_v * divisions_; }
  double most_full_scale_v() const { return config_.most_division_v * divisions_; }
  double divisions() const { return divisions_; }

  void set_rate(double hz);  // the next step down; kept when more channels need a lower one
  double rate_hz() const;    // as it is now
  void set_points(std::size_t points) { wanted_points_ = points; }
  std::size_t points() const;
  std::size_t most_points() const;
  double most_rate_hz() const;

  // Takes a record of every channel that is on. It is complete at the returned time; never, when a
  // normal trigger finds no edge.
  TimePoint arm(TimePoint now, const Latency& latency);
  void run() { running_ = true; }
  void stop();
  bool running() const { return running_; }
  bool armed(TimePoint now) const { return armed_ && now < complete_at_; }
  bool has_record(TimePoint now) const { return running_ || (armed_ && now >= complete_at_); }
  // Of a channel that was on; null otherwise. In free run it is taken now.
  const ScopeRecord* record(int channel, TimePoint now);

  // reading = gain * true + offset on the present range.
  double gain(int channel) const;
  double offset_error_v(int channel) const;
  double skew_s(int channel) const { return errors_[static_cast<std::size_t>(channel) - 1].skew_s; }

 private:
  struct Errors {
    double gain = 1.0;
    double offset = 0.0;  // of full scale
    double skew_s = 0.0;
    std::uint64_t range_seed = 0;
  };
  int channels_on() const;
  // Seconds after `now` at which the trigger fires.
  std::optional<double> find_trigger(TimePoint now);
  void take(TimePoint now, double start_s);
  ScopeRecord convert(int channel, TimePoint now, double start_s, bool triggered);

  WaveSource& source_;
  ScopeConfig config_;
  double divisions_;
  board::Random random_;
  std::vector<Channel> channels_;
  std::vector<Errors> errors_;
  std::vector<Ramp> disturbance_;  // of full scale, after a change of range
  double wanted_rate_hz_ = 1e6;
  std::size_t wanted_points_ = 10'000;
  bool running_ = false;
  bool armed_ = false;
  bool triggered_ = true;
  TimePoint complete_at_{};
  std::vector<ScopeRecord> records_;
};

// The largest of ..., 1, 2, 5, 10, ... that is not above `value`, and the smallest not below.
double step_down(double value);
double step_up(double value);

}  // namespace nightbench::mock::instrument
