#include "sequences/engine/carrier_capture.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include "drivers/base/quantity.hpp"
#include "sequences/engine/capture_plan.hpp"
#include "sequences/signal/sine_fit.hpp"
#include "sequences/signal/spectrum.hpp"
#include "sequences/signal/two_channel_fit.hpp"

namespace nightbench::engine {
namespace {

using script::Carrier;
using Complex = std::complex<double>;

constexpr double kFewestPeriods = 20;
constexpr double kClearBins = 4;
constexpr double kMostRate_hz = 2e8;      // common scopes sample two channels that fast
constexpr double kHighestOverRate = 0.4;  // of the rate: the carrier is not folded
constexpr int kHarmonics = 9;             // of LO and RF that are kept clear
constexpr double kPresent = 6;            // amplitude over its standard uncertainty
constexpr double kHum_v = 5e-3;           // more mains than that is an open tip
constexpr double kDegrees = 180 / std::numbers::pi;

std::vector<double> strangers(Carrier carrier, const Lines& lines) {
  std::vector<double> out;
  const double own = lines.at(carrier);
  for (const double line : {lines.lo_hz, lines.rf_hz}) {
    for (int k = 1; line > 0 && k <= kHarmonics; ++k) {
      if (std::fabs(k * line - own) > 1e-3) out.push_back(k * line);
    }
  }
  if (carrier != Carrier::intermediate && lines.if_hz() > 0) out.push_back(lines.if_hz());
  // RF beside the even harmonics of the LO: what the switch makes of it.
  if (lines.lo_hz > 0 && lines.rf_hz > 0) {
    for (int k = 2; k <= 4; k += 2) {
      out.push_back(std::fabs(k * lines.lo_hz - lines.rf_hz));
      out.push_back(k * lines.lo_hz + lines.rf_hz);
    }
  }
  return out;
}

bool clear(double carrier_hz, const std::vector<double>& others, double rate_hz, double bin_hz) {
  return std::all_of(others.begin(), others.end(), [&](double other) {
    const double folded = signal::apparent_frequency_hz(other, rate_hz);
    return std::fabs(folded - carrier_hz) >= kClearBins * bin_hz;
  });
}

double line_v(const signal::Trace& trace, double frequency_hz) {
  const double rate_hz = 1 / trace.dt_s;
  const double folded = signal::apparent_frequency_hz(frequency_hz, rate_hz);
  if (frequency_hz <= 0 || folded < 2 / trace.span_s() || folded > 0.49 * rate_hz) return 0;
  const auto fit = signal::three_parameter_fit(trace, folded);
  return fit ? fit->amplitude_v : 0;
}

struct Spread {
  double mean = 0, u = 0;
};

Spread spread(const std::vector<double>& values, double least_u) {
  Spread out;
  for (const double each : values) out.mean += each / static_cast<double>(values.size());
  if (values.size() > 1) {
    const reading::TypeA a = reading::type_a(values);
    out.u = a.u;
  }
  out.u = std::max(out.u, least_u / std::sqrt(static_cast<double>(values.size())));
  return out;
}

}  // namespace

double Lines::if_hz() const { return lo_hz > 0 && rf_hz > 0 ? std::fabs(rf_hz - lo_hz) : 0; }

double Lines::at(Carrier carrier) const {
  switch (carrier) {
    case Carrier::lo: return lo_hz;
    case Carrier::rf: return rf_hz;
    case Carrier::intermediate: return if_hz();
  }
  return 0;
}

std::optional<Sampling> plan_sampling(Carrier carrier, const Lines& lines) {
  const double own = lines.at(carrier);
  if (!(own > 0)) return std::nullopt;
  const std::vector<double> others = strangers(carrier, lines);
  for (const std::size_t points : {20'000U, 50'000U, 100'000U}) {
    const double fastest = step_at_or_below(
        std::min(kMostRate_hz, static_cast<double>(points) * own / kFewestPeriods));
    for (double rate_hz = fastest; kHighestOverRate * rate_hz > own;
         rate_hz = step_at_or_below(0.9 * rate_hz)) {
      const double bin_hz = rate_hz / static_cast<double>(points);
      if (clear(own, others, rate_hz, bin_hz)) return Sampling{rate_hz, points};
    }
  }
  return std::nullopt;
}

signal::Expected<Comparison> compare(const std::vector<PairTraces>& captures, Carrier carrier,
                                     const Lines& lines) {
  if (captures.empty()) {
    return std::unexpected(signal::Trouble{signal::TroubleKind::bad_arguments, "no captures"});
  }
  const double expected_hz = lines.at(carrier);
  Comparison out;
  double locked_hz = expected_hz;
  if (const auto free = signal::two_channel_fit(captures[0].first, captures[0].second, expected_hz)) {
    locked_hz = free->frequency_hz;
    out.frequency_hz = free->frequency_hz;
    out.u_frequency_hz = free->u_frequency_hz;
  }
  std::array<std::vector<double>, 2> amplitudes;
  std::array<double, 2> least_u{};
  std::vector<Complex> ratios;
  for (const PairTraces& each : captures) {
    const auto fit = signal::two_channel_fit_at(each.first, each.second, locked_hz);
    if (!fit) return std::unexpected(fit.error());
    amplitudes[0].push_back(fit->first.amplitude_v);
    amplitudes[1].push_back(fit->second.amplitude_v);
    least_u[0] = std::max(least_u[0], fit->first.u_amplitude_v);
    least_u[1] = std::max(least_u[1], fit->second.u_amplitude_v);
    if (std::abs(fit->first.phasor_v) > 0) {
      ratios.push_back(fit->second.phasor_v / fit->first.phasor_v);
    }
  }
  for (std::size_t k = 0; k < 2; ++k) {
    AtCarrier& channel = out.channels[k];
    const Spread spread_v = spread(amplitudes[k], least_u[k]);
    channel.amplitude_v = spread_v.mean;
    channel.u_amplitude_v = spread_v.u;
    channel.present = spread_v.mean > kPresent * least_u[k];
    const signal::Trace& trace = k == 0 ? captures[0].first : captures[0].second;
    if (carrier != Carrier::lo) channel.lo_v = line_v(trace, lines.lo_hz);
    if (carrier != Carrier::rf) channel.rf_v = line_v(trace, lines.rf_hz);
  }
  Complex mean = 0;
  for (const Complex& each : ratios) mean += each / static_cast<double>(ratios.size());
  if (std::abs(mean) > 0) {
    // Deviations from the mean in ln of the ratio: real part balance, imaginary part phase.
    std::vector<double> real;
    std::vector<double> imaginary;
    for (const Complex& each : ratios) {
      const Complex off = std::log(each / mean);
      real.push_back(off.real());
      imaginary.push_back(off.imag());
    }
    const double least = std::hypot(least_u[0] / std::max(out.channels[0].amplitude_v, 1e-12),
                                    least_u[1] / std::max(out.channels[1].amplitude_v, 1e-12));
    out.phase_deg = kDegrees * std::arg(mean);
    if (out.phase_deg >= 180) out.phase_deg -= 360;
    out.u_phase_deg = kDegrees * spread(imaginary, least).u;
    out.balance_db = 20 * std::log10(std::abs(mean));
    out.u_balance_db = 20 / std::numbers::ln10 * spread(real, least).u;
  }
  return out;
}

double mains_amplitude_v(const signal::Trace& slow) {
  double most = 0;
  for (const double mains_hz : {50.0, 60.0}) {
    const auto fit = signal::three_parameter_fit(slow, mains_hz);
    if (fit && fit->amplitude_v > kPresent * fit->u_amplitude_v) {
      most = std::max(most, fit->amplitude_v);
    }
  }
  return most;
}

std::string probe_doubt(const AtCarrier& seen, Carrier wanted, const std::string& probe,
                        const std::string& place) {
  if (seen.present) return "";
  const std::string start = probe + " does not show " +
                            (wanted == Carrier::lo   ? "the LO"
                             : wanted == Carrier::rf ? "the RF"
                                                     : "the IF") +
                            " at " + place + ": ";
  const auto level = [](double volts) { return format(volts, Unit::volt, 2); };
  const double floor_v = 10 * seen.u_amplitude_v;
  const double line_v = std::max(seen.lo_v, seen.rf_v);
  if (seen.mains_v > kHum_v && seen.mains_v > line_v) {
    return start + "there is mains hum (" + level(seen.mains_v) +
           "); the tip is in the air or the ground clip has come off";
  }
  if (line_v > floor_v) {
    return start + "there is the " + (seen.lo_v >= seen.rf_v ? "LO" : "RF") + " (" +
           level(line_v) + "); the tip is on another pin";
  }
  return start + "there is nothing; the tip makes no contact, or it is on another pin";
}

}  // namespace nightbench::engine
