#include "mock_instruments/board/sampler.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace nightbench::mock::board {

namespace {

double fraction(double cycles) {
  return cycles - std::floor(cycles);
}

// Samples between two exact phases: rounding in the running phases cannot gather beyond these.
constexpr std::size_t block = 256;

}  // namespace

Moment Moment::at(double seconds) {
  const double whole = std::floor(seconds);
  return {static_cast<std::int64_t>(whole), seconds - whole};
}

Moment Moment::plus(double more) const {
  const double whole = std::floor(fraction_s + more);
  return {seconds + static_cast<std::int64_t>(whole), fraction_s + more - whole};
}

double phase_cycles(double frequency_hz, Moment when) {
  // Whole seconds of whole hertz are whole cycles. What is left of the frequency is below 1 Hz.
  const double whole_hz = std::floor(frequency_hz);
  const double part_hz = frequency_hz - whole_hz;
  const double from_seconds = fraction(part_hz * static_cast<double>(when.seconds));
  return fraction(from_seconds + fraction(frequency_hz * when.fraction_s));
}

void add_tone(const Tone& tone, const TimeBase& base, std::span<double> out) {
  const auto& table = *tone.envelope;
  const std::size_t points = table.size();
  const double size = static_cast<double>(points);
  const double carrier_step =
      fraction(tone.rf_hz * base.dt_s) - tone.order * fraction(base.lo_hz * base.dt_s);
  const double step_angle = 2 * std::numbers::pi * carrier_step;
  const double step_cos = std::cos(step_angle);
  const double step_sin = std::sin(step_angle);
  const double lo_step = fraction(base.lo_hz * base.dt_s);

  for (std::size_t first = 0; first < out.size(); first += block) {
    const Moment when = base.start.plus(static_cast<double>(first) * base.dt_s);
    double lo = fraction(phase_cycles(base.lo_hz, when) + base.lo_start_cycles);
    const double angle = 2 * std::numbers::pi * (phase_cycles(tone.rf_hz, when) - tone.order * lo);
    double re = tone.amplitude.real() * std::cos(angle) - tone.amplitude.imag() * std::sin(angle);
    double im = tone.amplitude.real() * std::sin(angle) + tone.amplitude.imag() * std::cos(angle);
    const std::size_t last = std::min(out.size(), first + block);
    for (std::size_t k = first; k < last; ++k) {
      const double place = lo * size;
      auto index = static_cast<std::size_t>(place);
      const double between = place - static_cast<double>(index);
      if (index >= points) index -= points;
      const std::size_t next = index + 1 == points ? 0 : index + 1;
      const std::complex<double> here = table[index];
      const std::complex<double> there = table[next];
      const double q_re = here.real() + between * (there.real() - here.real());
      const double q_im = here.imag() + between * (there.imag() - here.imag());
      out[k] += re * q_re - im * q_im;
      const double turned = re * step_cos - im * step_sin;
      im = re * step_sin + im * step_cos;
      re = turned;
      lo += lo_step;
      if (lo >= 1.0) lo -= 1.0;
    }
  }
}

void sample_select_line(const SelectLine& line, const TimeBase& base, std::span<double> out) {
  for (std::size_t k = 0; k < out.size(); ++k) {
    const Moment when = base.start.plus(static_cast<double>(k) * base.dt_s);
    out[k] = line.volts(phase_cycles(base.lo_hz, when) + base.lo_start_cycles);
  }
}

}  // namespace nightbench::mock::board
