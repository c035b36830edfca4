#include "mock_instruments/instrument/scope.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace nightbench::mock::instrument {

Scope::Scope(World& world, Setup setup, const ScopeConfig& config, double divisions,
             std::unique_ptr<WaveSource> source)
    : Instrument(world, std::move(setup)),
      source_(std::move(source)),
      front_(*source_, config, divisions, random_.next()) {
  for (int i = 1; i <= config.channels; ++i) {
    world.set_load(name() + '/' + std::to_string(i), config.input_ohm, config.input_farad);
  }
}

void Scope::reset(TimePoint) {
  front_.reset();
  averaging_ = false;
  average_count_ = 16;
}

void Scope::update(TimePoint now) {
  const bool armed = front_.armed(now);
  status_.operation.set_bit(3, armed);
  status_.operation.set_bit(5, armed && operations_end() == TimePoint::max());
}

void Scope::stop_operations() {
  front_.stop();
}

std::vector<std::string> Scope::channel_words(const std::string& prefix) const {
  std::vector<std::string> out;
  for (int i = 1; i <= front_.config().channels; ++i) out.push_back(prefix + std::to_string(i));
  return out;
}

void Scope::add_full_scale(const std::string& pattern, double divisions) {
  tree_.add_number(
      pattern, SuffixUnit::volt,
      [this, divisions](const Call&) {
        return Limits{front_.least_full_scale_v() / divisions,
                      front_.most_full_scale_v() / divisions, front_.divisions() / divisions};
      },
      [this, divisions](const Call& call) {
        return front_.channel(call.suffix()).full_scale_v / divisions;
      },
      [this, divisions](Call& call, double volts) {
        front_.set_full_scale(call.suffix(), volts * divisions, call.now, settle());
        operate_until(call.now + settle());
      });
}

void Scope::add_offset(const std::string& pattern) {
  tree_.add_number(
      pattern, SuffixUnit::volt,
      [this](const Call&) {
        return Limits{-front_.config().offset_most_v, front_.config().offset_most_v, 0.0};
      },
      [this](const Call& call) { return front_.channel(call.suffix()).offset_v; },
      [this](Call& call, double volts) {
        front_.set_offset(call.suffix(), volts, call.now, settle());
        operate_until(call.now + settle());
      });
}

void Scope::add_coupling(const std::string& pattern) {
  tree_.add_word(
      pattern, {"DC", "AC"},
      [this](const Call& call) {
        return static_cast<std::size_t>(front_.channel(call.suffix()).ac ? 1 : 0);
      },
      [this](Call& call, std::size_t which) {
        front_.channel(call.suffix()).ac = which == 1;
        operate_until(call.now + settle());
      });
}

void Scope::add_channel_state(const std::string& pattern) {
  tree_.add_boolean(
      pattern, [this](const Call& call) { return front_.channel(call.suffix()).on; },
      [this](Call& call, bool on) { front_.channel(call.suffix()).on = on; });
}

void Scope::add_rate(const std::string& pattern) {
  tree_.add_number(
      pattern, SuffixUnit::hertz,
      [this](const Call&) {
        return Limits{front_.config().least_rate_hz, front_.config().most_rate_hz, 1e6};
      },
      [this](const Call&) { return front_.rate_hz(); },
      [this](Call&, double hz) { front_.set_rate(hz); });
}

void Scope::add_points(const std::string& pattern) {
  tree_.add_number(
      pattern, SuffixUnit::none,
      [this](const Call&) {
        return Limits{static_cast<double>(front_.config().least_points),
                      static_cast<double>(front_.config().memory), 10'000.0};
      },
      [this](const Call&) { return static_cast<double>(front_.points()); },
      [this](Call&, double points) {
        front_.set_points(static_cast<std::size_t>(std::round(points)));
      });
}

void Scope::add_averages(const std::string& pattern) {
  tree_.add_number(
      pattern, SuffixUnit::none, [](const Call&) { return Limits{1.0, 1024.0, 16.0}; },
      [this](const Call&) { return static_cast<double>(average_count_); },
      [this](Call&, double count) { average_count_ = static_cast<int>(std::round(count)); });
}

void Scope::add_level(const std::string& pattern) {
  tree_.add_number(
      pattern, SuffixUnit::volt,
      [this](const Call&) {
        return Limits{-front_.config().offset_most_v, front_.config().offset_most_v, 0.0};
      },
      [this](const Call&) { return front_.trigger.level_v; },
      [this](Call&, double volts) { front_.trigger.level_v = volts; });
}

void Scope::arm(Call& call) {
  front_.averages = averaging_ ? average_count_ : 1;
  end_operations(call.now);
  operate_until(front_.arm(call.now, latency()));
}

const ScopeRecord* Scope::fetch(Call& call, int channel) {
  if (front_.armed(call.now) || !front_.has_record(call.now)) {
    call.error(-230, "no record");
    return nullptr;
  }
  const ScopeRecord* record = front_.record(channel, call.now);
  if (record == nullptr) call.error(-221, "the channel was off");
  return record;
}

void Scope::answer_block(Call& call, const std::string& bytes, int digits) {
  std::string count = std::to_string(bytes.size());
  if (static_cast<int>(count.size()) < digits) {
    count.insert(0, static_cast<std::size_t>(digits) - count.size(), '0');
  }
  call.answer('#' + std::to_string(count.size()) + count + bytes);
  call.take(latency().transfer(bytes.size()));
}

}  // namespace nightbench::mock::instrument
