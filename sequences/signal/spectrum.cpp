#include "sequences/signal/spectrum.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "sequences/signal/block_sums.hpp"
#include "sequences/signal/transform.hpp"

namespace nightbench::signal {
namespace {

constexpr std::size_t fewest_points = 32;
constexpr std::size_t fewest_line_points = 16;
constexpr double fewest_image_periods = 5.0;

std::unexpected<Trouble> trouble(TroubleKind kind, std::string detail) {
  return std::unexpected(Trouble{kind, std::move(detail)});
}

struct Searched {
  std::vector<std::complex<double>> bins;
  double mean_v = 0.0;
};

Expected<Searched> search(const Trace& trace, std::size_t points) {
  if (!(trace.dt_s > 0.0) || !std::isfinite(trace.dt_s)) {
    return trouble(TroubleKind::bad_arguments, fmt::format("sample interval {} s", trace.dt_s));
  }
  if (points < fewest_points) {
    return trouble(TroubleKind::too_few_points,
                   fmt::format("{} points, {} needed to find a tone", points, fewest_points));
  }
  std::vector<double> volts(points);
  read_volts(trace, (trace.size - points) / 2, volts);
  Searched searched;
  searched.mean_v = std::accumulate(volts.begin(), volts.end(), 0.0) / static_cast<double>(points);
  if (!std::isfinite(searched.mean_v)) {
    return trouble(TroubleKind::bad_samples, "the record holds values that are not finite");
  }
  const auto weights_of = kept_window(Window::hann, points);
  const std::vector<double>& w = *weights_of;
  for (std::size_t n = 0; n < points; ++n) volts[n] = (volts[n] - searched.mean_v) * w[n];
  searched.bins = transform(volts);
  return searched;
}

// The peak in summed powers of bins 0 .. N/2.
Expected<StartValue> pick(std::span<const double> powers, std::size_t points, double dt_s,
                          const StartOptions& options) {
  const std::size_t last = points / 2 - 2;
  std::size_t peak = 2;
  for (std::size_t k = 3; k <= last; ++k) {
    if (powers[k] > powers[peak]) peak = k;
  }
  double others = 0.0;
  std::size_t count = 0;
  for (std::size_t k = 2; k <= last; ++k) {
    if (k + 3 < peak || k > peak + 3) {
      others += powers[k];
      ++count;
    }
  }
  const double bin_hz = 1.0 / (dt_s * static_cast<double>(points));
  StartValue found;
  const double mean = others / static_cast<double>(std::max<std::size_t>(count, 1));
  found.peak_over_mean_db = 10.0 * std::log10(powers[peak] / std::max(mean, 1e-300));
  found.threshold_db =
      10.0 * std::log10(detection_threshold(last - 1, count, options.false_alarm)) +
      options.margin_db;
  if (!(powers[peak] > 0.0) || found.peak_over_mean_db < found.threshold_db) {
    return trouble(
        TroubleKind::no_tone,
        fmt::format("highest line at {:.6g} Hz is {:.1f} dB over the mean, {:.1f} dB needed",
                    static_cast<double>(peak) * bin_hz, found.peak_over_mean_db,
                    found.threshold_db));
  }
  if (peak == 2 && powers[1] >= powers[2]) {
    return trouble(TroubleKind::too_few_periods,
                   fmt::format("the record of {:.4g} s holds less than two periods", 1.0 / bin_hz));
  }
  if (peak == last && powers[last + 1] >= powers[last]) {
    return trouble(
        TroubleKind::out_of_band,
        fmt::format("the strongest line lies within two bins of half the rate, {:.6g} Hz",
                    0.5 / dt_s));
  }
  const double offset = three_point_offset(std::sqrt(powers[peak - 1]), std::sqrt(powers[peak]),
                                           std::sqrt(powers[peak + 1]));
  found.frequency_hz = (static_cast<double>(peak) + offset) * bin_hz;
  const double shape = std::abs(offset) < 1e-9
                           ? 1.0
                           : std::numbers::pi * offset / std::sin(std::numbers::pi * offset);
  found.amplitude_v =
      4.0 * std::sqrt(powers[peak]) / static_cast<double>(points) * (1.0 - offset * offset) * shape;
  return found;
}

std::vector<double> powers_of(const Searched& searched) {
  std::vector<double> powers;
  powers.reserve(searched.bins.size());
  for (const std::complex<double>& bin : searched.bins) powers.push_back(std::norm(bin));
  return powers;
}

}  // namespace

double detection_threshold(std::size_t bins, std::size_t noise_bins, double false_alarm) {
  const double odds = std::log(static_cast<double>(bins) / false_alarm);
  // Neighbouring bins of a Hann window share noise: about two in three are independent.
  const double independent = static_cast<double>(noise_bins) / 1.5;
  if (independent <= 0.0) return std::exp(odds);
  return independent * std::expm1(odds / independent);
}

double three_point_offset(double below, double peak, double above) {
  return 2.0 * (above - below) / (below + 2.0 * peak + above);
}

double two_point_offset(double below, double peak, double above) {
  const double side = above >= below ? 1.0 : -1.0;
  const double ratio = std::max(above, below) / peak;
  return side * (2.0 * ratio - 1.0) / (ratio + 1.0);
}

Expected<StartValue> starting_value(const Trace& trace, const StartOptions& options) {
  const std::size_t points = std::min(trace.size, options.most_points);
  const Expected<Searched> searched = search(trace, points);
  if (!searched) return std::unexpected(searched.error());
  Expected<StartValue> found = pick(powers_of(*searched), points, trace.dt_s, options);
  if (!found) return found;
  found->offset_v = searched->mean_v;
  const double bins = found->frequency_hz * trace.dt_s * static_cast<double>(points);
  const auto peak = static_cast<std::size_t>(std::llround(bins));
  found->phase_rad = std::remainder(
      std::arg(searched->bins[peak]) - std::numbers::pi * (bins - static_cast<double>(peak)),
      2.0 * std::numbers::pi);
  return found;
}

Expected<StartValue> starting_value(const Trace& first, const Trace& second,
                                    const StartOptions& options) {
  if (first.size != second.size || first.dt_s != second.dt_s) {
    const Expected<StartValue> one = starting_value(first, options);
    const Expected<StartValue> two = starting_value(second, options);
    if (!one) return two ? two : one;
    if (!two) return one;
    return one->peak_over_mean_db >= two->peak_over_mean_db ? one : two;
  }
  const std::size_t points = std::min(first.size, options.most_points);
  const Expected<Searched> one = search(first, points);
  if (!one) return std::unexpected(one.error());
  const Expected<Searched> two = search(second, points);
  if (!two) return std::unexpected(two.error());
  std::vector<double> powers = powers_of(*one);
  for (std::size_t k = 0; k < powers.size(); ++k) powers[k] += std::norm(two->bins[k]);
  Expected<StartValue> found = pick(powers, points, first.dt_s, options);
  if (found) found->offset_v = one->mean_v;
  return found;
}

Expected<std::complex<double>> line_at(const Trace& trace, double frequency_hz, Window window,
                                       double at_s) {
  if (trace.size < fewest_line_points) {
    return trouble(TroubleKind::too_few_points,
                   fmt::format("{} points, {} needed", trace.size, fewest_line_points));
  }
  const auto weights_of = kept_window(window, trace.size);
  const std::vector<double>& w = *weights_of;
  std::vector<double> volts(trace.size);
  read_volts(trace, 0, volts, pivot_of(trace));
  double weights = 0.0;
  double sum = 0.0;
  for (std::size_t n = 0; n < volts.size(); ++n) {
    weights += w[n];
    sum += w[n] * volts[n];
  }
  if (!std::isfinite(sum)) {
    return trouble(TroubleKind::bad_samples, "the record holds values that are not finite");
  }
  const double mean = sum / weights;
  const double cycles = frequency_hz * trace.dt_s;
  const double half = 0.5 * static_cast<double>(trace.size - 1);
  const std::complex<double> step = std::conj(turn(cycles, 1.0));
  constexpr std::size_t stretch = 32;  // samples between exact phases
  std::complex<double> total;
  for (std::size_t first = 0; first < volts.size(); first += stretch) {
    std::complex<double> now = std::conj(turn(cycles, static_cast<double>(first) - half));
    const std::size_t end = std::min(first + stretch, volts.size());
    for (std::size_t n = first; n < end; ++n) {
      total += w[n] * (volts[n] - mean) * now;
      now *= step;
    }
  }
  return 2.0 / weights * total * turn(frequency_hz, at_s - trace.centre_s());
}

Expected<ImageLines> image_lines(const Trace& i, const Trace& q, double frequency_hz,
                                 Window window) {
  const double periods = frequency_hz * std::min(i.span_s(), q.span_s());
  if (!(periods >= fewest_image_periods)) {
    return trouble(TroubleKind::too_few_periods,
                   fmt::format("{:.3g} periods, {} needed to keep the image's line clear of the "
                               "other",
                               periods, fewest_image_periods));
  }
  const double at_s = i.centre_s();
  const auto yi = line_at(i, frequency_hz, window, at_s);
  if (!yi) return std::unexpected(yi.error());
  const auto yq = line_at(q, frequency_hz, window, at_s);
  if (!yq) return std::unexpected(yq.error());
  const std::complex<double> j(0.0, 1.0);
  return ImageLines{0.5 * (*yi + j * *yq), 0.5 * std::conj(*yi - j * *yq)};
}

Density density(std::span<const double> volts, double dt_s, Window window) {
  Density found;
  const std::size_t points = volts.size();
  if (points < 2) return found;
  const auto weights_of = kept_window(window, points);
  const std::vector<double>& w = *weights_of;
  const double mean =
      std::accumulate(volts.begin(), volts.end(), 0.0) / static_cast<double>(points);
  std::vector<double> weighted(points);
  double sum = 0.0;
  double squares = 0.0;
  for (std::size_t n = 0; n < points; ++n) {
    weighted[n] = (volts[n] - mean) * w[n];
    sum += w[n];
    squares += w[n] * w[n];
  }
  const std::vector<std::complex<double>> bins = transform(weighted);
  found.bin_hz = 1.0 / (dt_s * static_cast<double>(points));
  found.window_bins = static_cast<double>(points) * squares / (sum * sum);
  found.v2_per_hz.reserve(bins.size());
  for (std::size_t k = 0; k < bins.size(); ++k) {
    const bool alone = k == 0 || 2 * k == points;
    found.v2_per_hz.push_back((alone ? 1.0 : 2.0) * std::norm(bins[k]) * dt_s / squares);
  }
  return found;
}

namespace {

std::vector<double> bins_in(const Density& of, double low_hz, double high_hz) {
  std::vector<double> bins;
  for (std::size_t k = 2; k < of.v2_per_hz.size(); ++k) {
    const double at_hz = static_cast<double>(k) * of.bin_hz;
    if (at_hz >= low_hz && at_hz <= high_hz && of.v2_per_hz[k] > 0.0) {
      bins.push_back(of.v2_per_hz[k]);
    }
  }
  return bins;
}

}  // namespace

std::size_t counted_bins(const Density& of, double low_hz, double high_hz) {
  return bins_in(of, low_hz, high_hz).size();
}

double noise_density(const Density& of, double low_hz, double high_hz) {
  std::vector<double> bins = bins_in(of, low_hz, high_hz);
  if (bins.empty()) return 0.0;
  const auto middle = bins.begin() + static_cast<std::ptrdiff_t>(bins.size() / 2);
  std::nth_element(bins.begin(), middle, bins.end());
  return *middle / std::numbers::ln2;
}

Line largest_line(const Density& of, double low_hz, double high_hz) {
  Line line;
  std::size_t peak = 0;
  for (std::size_t k = 2; k < of.v2_per_hz.size(); ++k) {
    const double at_hz = static_cast<double>(k) * of.bin_hz;
    if (at_hz < low_hz || at_hz > high_hz) continue;
    if (peak == 0 || of.v2_per_hz[k] > of.v2_per_hz[peak]) peak = k;
  }
  if (peak == 0) return line;
  double power = 0.0;
  for (std::size_t k = peak > 3 ? peak - 3 : 0; k <= peak + 3 && k < of.v2_per_hz.size(); ++k) {
    power += of.v2_per_hz[k] * of.bin_hz;
  }
  line.frequency_hz = static_cast<double>(peak) * of.bin_hz;
  line.amplitude_v = std::sqrt(2.0 * power);
  const double noise = noise_density(of, low_hz, high_hz);
  line.over_noise_db = 10.0 * std::log10(of.v2_per_hz[peak] / std::max(noise, 1e-300));
  return line;
}

Distortion distortion(const ChannelTone& tone) {
  Distortion found;
  double squares = 0.0;
  for (const std::complex<double>& harmonic : tone.harmonics_v) squares += std::norm(harmonic);
  found.harmonics = static_cast<int>(tone.harmonics_v.size()) + 1;
  found.thd = std::sqrt(squares) / tone.amplitude_v;
  found.thd_db = 20.0 * std::log10(found.thd);
  const double rest = std::sqrt(0.5 * squares + tone.residual_rms_v * tone.residual_rms_v);
  found.sinad_db = sinad_db(tone.amplitude_v, rest);
  return found;
}

double sinad_db(double amplitude_v, double residual_rms_v) {
  return 20.0 * std::log10(amplitude_v / std::numbers::sqrt2 / residual_rms_v);
}

double enob(double full_scale_v, double residual_rms_v) {
  return std::log2(full_scale_v / (std::sqrt(12.0) * residual_rms_v));
}

double enob_from_sinad(double sinad_db, double full_scale_v, double amplitude_v) {
  const double ideal = 20.0 * std::log10(std::sqrt(1.5));
  const double bit = 20.0 * std::log10(2.0);
  return (sinad_db - ideal + 20.0 * std::log10(full_scale_v / (2.0 * amplitude_v))) / bit;
}

double apparent_frequency_hz(double frequency_hz, double rate_hz) {
  return std::abs(frequency_hz - rate_hz * std::nearbyint(frequency_hz / rate_hz));
}

}  // namespace nightbench::signal
