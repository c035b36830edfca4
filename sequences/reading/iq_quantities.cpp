#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "sequences/reading/iq_parts.hpp"

namespace nightbench::reading {
namespace {

constexpr double pi = std::numbers::pi;
constexpr double db_per_neper = 20.0 / std::numbers::ln10;
constexpr double degrees = 180.0 / pi;
constexpr double least_rejection_for_sense_db = 6.0;
constexpr double window_noise_bins = 2.004353;  // 4-term Blackman-Harris (Harris 1978, recomputed)

// In the small-error plane: d(ln g), d(phi).
struct PlaneCovariance {
  double ee = 0.0;
  double pp = 0.0;
  double ep = 0.0;
};

// kappa = -tanh((eps - j phi)/2), so d kappa = -(1 - kappa^2)/2 (d eps - j d phi).
KappaCovariance carry_over(const PlaneCovariance& plane, std::complex<double> kappa) {
  const std::complex<double> m = -0.5 * (1.0 - kappa * kappa);
  const double a = m.real();
  const double b = m.imag();
  KappaCovariance out;
  out.uu_real = a * a * plane.ee + b * b * plane.pp + 2.0 * a * b * plane.ep;
  out.uu_imag = b * b * plane.ee + a * a * plane.pp - 2.0 * a * b * plane.ep;
  out.cov = a * b * (plane.ee - plane.pp) + (b * b - a * a) * plane.ep;
  return out;
}

Outcome rejection_reading(const char* quantity, std::complex<double> kappa,
                          const KappaCovariance& covariance, Budget budget) {
  const RejectionInterval interval = image_rejection_interval(kappa, covariance);
  Reading reading;
  reading.quantity = quantity;
  reading.unit = "dB";
  const double nominal = signal::image_rejection_db(kappa);
  reading.value = std::isfinite(nominal) ? nominal : interval.low_db;
  if (!std::isfinite(reading.value)) {
    return no_reading(Reason::not_measured, "no image at all and no uncertainty to bound it");
  }
  reading.interval = Interval{interval.low_db, interval.high_db};
  reading.U = std::max(reading.value - interval.low_db, interval.high_db - reading.value);
  if (!std::isfinite(interval.high_db)) {
    reading.notes.push_back(
        fmt::format("better than {:.2f} dB: the image is not told from none", interval.low_db));
  }
  reading.budget = std::move(budget.rows);
  return reading;
}

NoReading silent(const Side& side) {
  return {Reason::empty, fmt::format("{} is silent: {:.3g} V", side.name, side.tone->amplitude_v)};
}

class Filler {
 public:
  Filler(const Capture& capture, IqResult& result)
      : capture_(capture), context_(*capture.context), fit_(*capture.fit), result_(result) {}

  void fill() {
    const double loading = std::pow(10.0, context_.probe_loading_db / 20.0);
    fill_frequency();
    result_.i_amplitude_v = amplitude(capture_.i, "i_amplitude_v", loading);
    result_.q_amplitude_v = amplitude(capture_.q, "q_amplitude_v", loading);
    result_.i_offset_v = offset(capture_.i, "i_offset_v");
    result_.q_offset_v = offset(capture_.q, "q_offset_v");
    fill_pair();
    fill_gain(loading);
    fill_distortion(capture_.i, result_.thd_i_db, result_.sinad_i_db, result_.enob_i,
                    result_.noise_i_v_rthz, 'i');
    fill_distortion(capture_.q, result_.thd_q_db, result_.sinad_q_db, result_.enob_q,
                    result_.noise_q_v_rthz, 'q');
    for (const Side* side : {&capture_.i, &capture_.q}) {
      if (side->dead || side->widen <= 1.0) continue;
      add(FindingKind::coloured_noise,
          fmt::format("{}: noise at the tone is {:.1f} dB above the average, uncertainties are "
                      "{:.2f} times wider",
                      side->name, 20.0 * std::log10(side->widen), side->widen));
    }
  }

 private:
  void add(FindingKind kind, std::string detail) {
    result_.findings.push_back({kind, std::move(detail)});
  }

  double widen() const {
    return std::max(capture_.i.dead ? 1.0 : capture_.i.widen,
                    capture_.q.dead ? 1.0 : capture_.q.widen);
  }

  void fill_frequency() {
    const double f = fit_.frequency_hz;
    Budget budget;
    budget.add_a("noise", fit_.u_frequency_hz * widen());
    budget.add_b("scope time base", f * context_.u_time_base_rel);
    result_.if_hz = make_reading("if_hz", f, "Hz", budget);
    if (!capture_.expected_if_hz) {
      result_.if_error_hz = no_reading(Reason::not_measured, "RF or LO frequency not given");
      return;
    }
    if (context_.common_reference) {
      budget.add_b("source and LO frequency", capture_.u_expected_hz);
    } else {
      budget.add_b("source frequency", context_.rf_hz * context_.u_source_frequency_rel);
      budget.add_b("LO frequency", context_.lo_hz * context_.u_lo_frequency_rel);
    }
    result_.if_error_hz =
        make_reading("if_error_hz", f - *capture_.expected_if_hz, "Hz", std::move(budget));
  }

  Outcome amplitude(const Side& side, const char* quantity, double loading) {
    if (side.dead) return std::unexpected(silent(side));
    const double value = side.tone->amplitude_v * loading;
    Budget budget;
    budget.add_a("noise", side.tone->u_amplitude_v * loading * side.widen);
    budget.add_b("quantisation", value * side.u_quantisation);
    budget.add_b("scope gain", value * context_.u_gain_rel, Distribution::rectangular);
    budget.add_b("probe loading", value * context_.u_probe_loading_db / db_per_neper);
    return make_reading(quantity, value, "V", std::move(budget));
  }

  Outcome offset(const Side& side, const char* quantity) {
    Budget budget;
    budget.add_a("noise", side.tone->u_offset_v);
    budget.add_b("scope gain", std::abs(side.tone->offset_v) * context_.u_gain_rel,
                 Distribution::rectangular);
    budget.add_b("scope offset", context_.u_offset_v);
    return make_reading(quantity, side.tone->offset_v, "V", std::move(budget));
  }

  // Balance, angle, rejection, signed IF: what needs both channels.
  void fill_pair() {
    if (capture_.i.dead || capture_.q.dead) {
      const NoReading why = silent(capture_.i.dead ? capture_.i : capture_.q);
      for (Outcome* outcome :
           {&result_.gain_balance_db, &result_.q_minus_i_deg, &result_.phase_error_deg,
            &result_.image_rejection_db, &result_.image_rejection_spectrum_db,
            &result_.signed_if_hz, &result_.conversion_gain_db}) {
        *outcome = std::unexpected(why);
      }
      return;
    }
    const double f = fit_.frequency_hz;
    const ChannelMatch& match = context_.match;
    const double w = 2.0 * pi * f;
    scope_ = std::polar(std::pow(10.0, match.gain_ratio_db / 20.0), -w * match.skew_s);
    i_v_ = fit_.first.phasor_v;
    q_v_ = fit_.second.phasor_v / scope_;
    const double u_quantisation = std::hypot(capture_.i.u_quantisation, capture_.q.u_quantisation);
    const double u_skew_rad = w * match.u_skew_s;
    const double u_match_np = match.u_gain_ratio_db / db_per_neper;

    Budget balance;
    balance.add_a("noise", fit_.u_ln_ratio * widen() * db_per_neper);
    balance.add_b("quantisation", u_quantisation * db_per_neper);
    balance.add_b("channel gain match", match.u_gain_ratio_db);
    const double gain_db = db_per_neper * std::log(std::abs(q_v_) / std::abs(i_v_));
    result_.gain_balance_db = make_reading("gain_balance_db", gain_db, "dB", balance);

    Budget angle;
    angle.add_a("noise", fit_.u_phase_difference_rad * widen() * degrees);
    angle.add_b("channel skew", u_skew_rad * degrees);
    const double delta_deg = degrees * std::remainder(std::arg(q_v_) - std::arg(i_v_), 2.0 * pi);
    result_.q_minus_i_deg = make_reading("q_minus_i_deg", delta_deg, "deg", angle);
    const signal::Image image = signal::image_of(i_v_, q_v_);
    result_.phase_error_deg =
        make_reading("phase_error_deg", image.phi_rad * degrees, "deg", angle);

    fill_rejection(image, u_match_np, u_skew_rad, u_quantisation, balance);
    fill_sense(image);
    if (!match.calibrated) {
      add(FindingKind::match_missing,
          fmt::format("the scope's channels are not matched: {:.3g} dB and {:.3g} deg are in U",
                      2.0 * match.u_gain_ratio_db, 2.0 * u_skew_rad * degrees));
      for (Outcome* outcome :
           {&result_.gain_balance_db, &result_.q_minus_i_deg, &result_.phase_error_deg,
            &result_.image_rejection_db, &result_.image_rejection_spectrum_db}) {
        if (*outcome) (*outcome)->notes.push_back("channels not matched");
      }
    }
    if (std::abs(gain_db) > context_.limits.channels_ratio_db) {
      add(FindingKind::amplitudes_far_apart, fmt::format("Q / I is {:.2f} dB", gain_db));
    }
    if (std::abs(image.phi_rad * degrees) > context_.limits.channels_angle_deg) {
      add(FindingKind::not_quadrature, fmt::format("Q less I is {:.2f} deg", delta_deg));
    }
  }

  void fill_rejection(const signal::Image& image, double u_match_np, double u_skew_rad,
                      double u_quantisation, Budget budget) {
    using namespace signal;
    PlaneCovariance noise;
    const double more = widen() * widen();
    noise.ee = fit_.covariance[ln_ratio_place][ln_ratio_place] * more;
    noise.pp = fit_.covariance[phase_difference_place][phase_difference_place] * more;
    // phi grows with |Delta|: the sign of Delta carries the sign of the covariance.
    const double delta = std::remainder(std::arg(q_v_) - std::arg(i_v_), 2.0 * pi);
    noise.ep =
        std::copysign(1.0, delta) * more * fit_.covariance[phase_difference_place][ln_ratio_place];
    PlaneCovariance all = noise;
    all.ee += u_match_np * u_match_np + u_quantisation * u_quantisation;
    all.pp += u_skew_rad * u_skew_rad;
    result_.kappa = image.kappa;
    result_.kappa_u = carry_over(all, image.kappa);
    result_.kappa_u_a = carry_over(noise, image.kappa);
    result_.correction_row = correction_row(image.gain_ratio, image.phi_rad, context_.sense);
    budget.add_b("channel skew", u_skew_rad * db_per_neper);
    result_.image_rejection_db =
        rejection_reading("image_rejection_db", image.kappa, result_.kappa_u, budget);

    const auto lines = image_lines(*capture_.i.trace, *capture_.q.trace, fit_.frequency_hz);
    if (!lines) {
      result_.image_rejection_spectrum_db = std::unexpected(from(lines.error()));
      return;
    }
    // Back to the phasors of both channels, so that the scope's ratio can be divided out.
    const std::complex<double> j(0.0, 1.0);
    const std::complex<double> sum = lines->plus_v;
    const std::complex<double> difference = std::conj(lines->minus_v);
    const std::complex<double> i_v = sum + difference;
    const std::complex<double> q_v = (sum - difference) / j / scope_;
    const Image seen = image_of(i_v, q_v);
    PlaneCovariance windowed = all;
    windowed.ee += (window_noise_bins - 1.0) * noise.ee;
    windowed.pp += (window_noise_bins - 1.0) * noise.pp;
    windowed.ep += (window_noise_bins - 1.0) * noise.ep;
    result_.image_rejection_spectrum_db =
        rejection_reading("image_rejection_spectrum_db", seen.kappa,
                          carry_over(windowed, seen.kappa), std::move(budget));
    // The fit is the efficient one: the variance of the difference is the difference of variances.
    const double u_apart = std::sqrt((window_noise_bins - 1.0) *
                                     (result_.kappa_u_a.uu_real + result_.kappa_u_a.uu_imag));
    constexpr double side_lobes = 3e-5;  // -92 dB of the window, and a little
    const double apart = std::abs(seen.kappa - image.kappa);
    if (apart > 3.0 * u_apart + side_lobes + 0.02 * std::abs(image.kappa)) {
      add(FindingKind::rejections_disagree,
          fmt::format("fit {:.2f} dB, spectrum {:.2f} dB: the images differ by {:.2g} of the "
                      "wanted line, {:.2g} is the noise",
                      image_rejection_db(image.kappa), image_rejection_db(seen.kappa), apart,
                      u_apart));
    }
  }

  void fill_sense(const signal::Image& image) {
    const double rejection_db = signal::image_rejection_db(image.kappa);
    if (rejection_db < least_rejection_for_sense_db) {
      result_.signed_if_hz = no_reading(
          Reason::channels_disagree,
          fmt::format("image rejection {:.2f} dB: below {:g} dB no sense of rotation can be told",
                      rejection_db, least_rejection_for_sense_db));
      return;
    }
    result_.signed_if_hz = result_.if_hz;
    Reading& reading = *result_.signed_if_hz;
    reading.quantity = "signed_if_hz";
    reading.value *= image.turning * context_.sense;
    if (!capture_.expected_if_hz || *capture_.expected_if_hz == 0.0) return;
    if (reading.value * (context_.rf_hz - context_.lo_hz) < 0.0) {
      add(FindingKind::sense_reversed,
          fmt::format("Q {} I with the RF {} the LO, the board's sense says the opposite",
                      std::arg(q_v_ / i_v_) > 0.0 ? "leads" : "lags",
                      context_.rf_hz > context_.lo_hz ? "above" : "below"));
    }
  }

  void fill_gain(double loading) {
    if (!context_.level_dbm) {
      const auto none = no_reading(Reason::not_measured, "the source's level is not given");
      result_.conversion_gain_db = none;
      result_.conversion_gain_i_db = none;
      result_.conversion_gain_q_db = none;
      return;
    }
    const double emf = emf_peak_v(*context_.level_dbm - context_.path_loss_db, context_.source_ohm);
    const auto gain = [&](const char* quantity, double volts, double u_noise_rel,
                          double u_gain_rel) {
      Budget budget;
      budget.add_a("noise", u_noise_rel * db_per_neper);
      budget.add_b("scope gain", u_gain_rel * db_per_neper, Distribution::rectangular);
      budget.add_b("probe loading", context_.u_probe_loading_db);
      budget.add_b("source level", context_.u_level_db, Distribution::rectangular);
      budget.add_b("path loss", context_.u_path_loss_db);
      return make_reading(quantity, db_per_neper * std::log(volts * loading / emf), "dB",
                          std::move(budget));
    };
    const auto relative = [](const Side& side) {
      return std::hypot(side.tone->u_amplitude_v * side.widen / side.tone->amplitude_v,
                        side.u_quantisation);
    };
    const auto alone = [&](const char* quantity, const Side& side) -> Outcome {
      if (side.dead) return std::unexpected(silent(side));
      return gain(quantity, side.tone->amplitude_v, relative(side), context_.u_gain_rel);
    };
    result_.conversion_gain_i_db = alone("conversion_gain_i_db", capture_.i);
    result_.conversion_gain_q_db = alone("conversion_gain_q_db", capture_.q);
    if (capture_.i.dead || capture_.q.dead) return;
    const std::complex<double> j(0.0, 1.0);
    const double strong = 0.5 * std::max(std::abs(i_v_ + j * q_v_), std::abs(i_v_ - j * q_v_));
    // Mean of two channels of u each whose ratio is known to u_ratio.
    const double u = context_.u_gain_rel;
    const double u_ratio = context_.match.u_gain_ratio_db / db_per_neper;
    const double u_mean = std::sqrt(std::max(u * u - 0.25 * u_ratio * u_ratio, 0.5 * u * u));
    result_.conversion_gain_db =
        gain("conversion_gain_db", strong,
             0.5 * std::hypot(relative(capture_.i), relative(capture_.q)), u_mean);
  }

  void fill_distortion(const Side& side, Outcome& thd, Outcome& sinad, Outcome& bits,
                       Outcome& noise, char letter);

  const Capture& capture_;
  const IqContext& context_;
  const signal::TwoChannelFit& fit_;
  IqResult& result_;
  std::complex<double> scope_{1.0, 0.0};
  std::complex<double> i_v_;
  std::complex<double> q_v_;
};

// Probability that noncentral chi-square with `dof` degrees stays below x (Sankaran's cube-root
// like transform, Biometrika 50, 1963, from memory; checked against simulation in the tests).
double noncentral_probability(double x, double dof, double lambda) {
  const double sum = dof + lambda;
  const double h = 1.0 - 2.0 / 3.0 * sum * (dof + 3.0 * lambda) / std::pow(dof + 2.0 * lambda, 2);
  const double p = (dof + 2.0 * lambda) / (sum * sum);
  const double m = (h - 1.0) * (1.0 - 3.0 * h);
  const double centre = 1.0 + h * p * (h - 1.0 - 0.5 * (2.0 - h) * m * p);
  const double width = h * std::sqrt(2.0 * p) * (1.0 + 0.5 * m * p);
  return normal_probability((std::pow(x / sum, h) - centre) / width);
}

// Total harmonic power that a measured one, in units of the variance of a part, does not
// contradict: both tails 2.275 %.
Interval power_interval(double x, double dof) {
  constexpr double tail = 0.02275;
  const auto solve = [&](double probability) {
    double low = 0.0;
    double high = x + 10.0 * std::sqrt(x + dof) + 20.0;
    for (int step = 0; step < 80; ++step) {
      const double middle = 0.5 * (low + high);
      (noncentral_probability(x, dof, middle) > probability ? low : high) = middle;
    }
    return 0.5 * (low + high);
  };
  Interval interval;
  interval.low = noncentral_probability(x, dof, 0.0) <= 1.0 - tail ? 0.0 : solve(1.0 - tail);
  // A power far below what noise alone gives says nothing new: never bound below noise's median.
  interval.high = solve(tail);
  if (noncentral_probability(x, dof, 0.0) < 0.5) {
    interval.high = std::max(interval.high, dof);
  }
  return interval;
}

void Filler::fill_distortion(const Side& side, Outcome& thd, Outcome& sinad, Outcome& bits,
                             Outcome& noise, char letter) {
  if (side.dead) {
    for (Outcome* outcome : {&thd, &sinad, &bits}) *outcome = std::unexpected(silent(side));
  }
  const signal::ChannelTone& tone = *side.tone;
  const double a = tone.amplitude_v;
  const auto count = static_cast<double>(tone.harmonics_v.size());
  const auto freedom = static_cast<double>(tone.points - tone.parameters);
  double harmonics = 0.0;  // sum of squares
  for (const std::complex<double>& harmonic : tone.harmonics_v) harmonics += std::norm(harmonic);
  const double u_part = tone.u_harmonic_v;

  const double u_noise = side.noise_bins > 0 ? 0.85 / std::sqrt(double(side.noise_bins)) : 0.0;
  if (side.noise_bins > 0) {
    Budget budget;
    const double density = std::sqrt(side.noise_v2_hz);
    budget.add_a("scatter of the bins", density * u_noise);
    budget.add_b("scope gain", density * context_.u_gain_rel, Distribution::rectangular);
    noise =
        make_reading(fmt::format("noise_{}_v_rthz", letter), density, "V/rtHz", std::move(budget));
  } else {
    noise = no_reading(Reason::too_few_points, "too few bins beside the lines");
  }
  if (side.dead) return;

  // SINAD: noise and distortion; both from this record.
  const double power = tone.residual_std_v * tone.residual_std_v + 0.5 * harmonics;
  const double u_power =
      std::hypot(tone.residual_std_v * tone.residual_std_v * std::sqrt(2.0 / freedom),
                 std::sqrt(harmonics) * u_part);
  const double sinad_db = signal::sinad_db(a, std::sqrt(power));
  const double u_db = 0.5 * db_per_neper * u_power / power;
  if (power > 0.0) {
    Budget budget;
    budget.add_a("noise", u_db);
    sinad = make_reading(fmt::format("sinad_{}_db", letter), sinad_db, "dB", budget);
    if (context_.full_scale_v) {
      Budget in_bits;
      in_bits.add_a("noise", u_db / (20.0 * std::log10(2.0)));
      bits = make_reading(fmt::format("enob_{}", letter),
                          signal::enob_from_sinad(sinad_db, *context_.full_scale_v, a), "bit",
                          std::move(in_bits));
    } else {
      bits = no_reading(Reason::not_measured, "the scope's full scale is not given");
    }
  } else {
    sinad = no_reading(Reason::not_measured, "the residual is 0");
    bits = sinad;
  }

  if (tone.harmonics_v.empty() || !(u_part > 0.0) || !(harmonics > 0.0)) {
    thd = no_reading(Reason::not_measured, "no harmonic lies in the band");
    return;
  }
  const Interval lambda = power_interval(harmonics / (u_part * u_part), 2.0 * count);
  const double low_db = lambda.low > 0.0 ? 10.0 * std::log10(lambda.low * u_part * u_part / (a * a))
                                         : -std::numeric_limits<double>::infinity();
  const double high_db = 10.0 * std::log10(lambda.high * u_part * u_part / (a * a));
  Reading reading;
  reading.quantity = fmt::format("thd_{}_db", letter);
  reading.unit = "dB";
  // Noise adds its own power to every harmonic; taken off where enough is left.
  const double net = harmonics - 2.0 * count * u_part * u_part;
  reading.value = net > 0.0 && lambda.low > 0.0 ? 10.0 * std::log10(net / (a * a)) : high_db;
  reading.interval = Interval{low_db, high_db};
  reading.U = std::max(high_db - reading.value, reading.value - low_db);
  reading.notes.push_back(fmt::format("harmonics 2 .. {}", tone.harmonics_v.size() + 1));
  if (!std::isfinite(low_db)) reading.notes.push_back("not told from noise: an upper bound");
  thd = std::move(reading);
}

}  // namespace

void look_at_residual(const signal::TwoChannelFit& fit, Side& side) {
  const signal::Trace& trace = *side.trace;
  const std::size_t points = std::min<std::size_t>(trace.size, 32768);
  std::vector<double> rest(points);
  signal::residual_volts(trace, fit, *side.tone, (trace.size - points) / 2, rest);
  signal::Density spectrum = signal::density(rest, trace.dt_s, signal::Window::hann);
  const double top_hz = 0.5 / trace.dt_s;
  const double f = fit.frequency_hz;
  const double f_bins = f / spectrum.bin_hz;

  // Loudness at the tone: bins 3 .. 24 away on both sides.
  double near = 0.0;
  std::size_t count = 0;
  for (std::size_t k = 2; k < spectrum.v2_per_hz.size(); ++k) {
    const double away = std::abs(static_cast<double>(k) - f_bins);
    if (away < 3.0 || away > 24.0) continue;
    near += spectrum.v2_per_hz[k];
    ++count;
  }
  const double white = 2.0 * side.tone->residual_std_v * side.tone->residual_std_v * trace.dt_s;
  constexpr double clearly = 1.6;  // more than three standard deviations of a mean of 44 bins
  if (count >= 20 && white > 0.0 && near / static_cast<double>(count) > clearly * white) {
    side.widen = std::sqrt(near / static_cast<double>(count) / white);
  }

  side.noise_v2_hz = signal::noise_density(spectrum, 0.0, top_hz);
  side.noise_bins = spectrum.v2_per_hz.size() > 16 ? spectrum.v2_per_hz.size() - 2 : 0;

  // Harmonics (also folded ones) and mains are no strangers.
  constexpr double mains_below_hz = 130.0;
  const double rate = 1.0 / trace.dt_s;
  for (int k = 1; k <= 40; ++k) {
    const double at = signal::apparent_frequency_hz(k * f, rate) / spectrum.bin_hz;
    for (double bin = std::ceil(at - 3.0); bin <= at + 3.0; bin += 1.0) {
      if (bin < 0.0 || bin >= static_cast<double>(spectrum.v2_per_hz.size())) continue;
      spectrum.v2_per_hz[static_cast<std::size_t>(bin)] = 0.0;
    }
  }
  side.largest_other = signal::largest_line(spectrum, mains_below_hz, top_hz);
}

Outcome mean_of_trace(const signal::Trace& trace, const IqContext& context, const char* quantity) {
  const std::size_t points = std::min<std::size_t>(trace.size, 1'000'000);
  std::vector<double> volts(points);
  signal::read_volts(trace, 0, volts);
  const TypeA mean = type_a(volts);
  Budget budget;
  budget.add_a("noise", mean.u, mean.dof);
  budget.add_b("scope gain", std::abs(mean.mean) * context.u_gain_rel, Distribution::rectangular);
  budget.add_b("scope offset", context.u_offset_v);
  return make_reading(quantity, mean.mean, "V", std::move(budget));
}

void fill_quantities(const Capture& capture, IqResult& result) {
  Filler(capture, result).fill();
}

Outcome image_rejection_of(const std::vector<const IqResult*>& repeats) {
  std::complex<double> mean;
  KappaCovariance known;       // type A of the captures, averaged
  KappaCovariance systematic;  // what repeats share
  double n = 0.0;
  for (const IqResult* one : repeats) {
    if (!one->kappa) continue;
    n += 1.0;
    mean += *one->kappa;
    known.uu_real += one->kappa_u_a.uu_real;
    known.uu_imag += one->kappa_u_a.uu_imag;
    known.cov += one->kappa_u_a.cov;
    systematic.uu_real += one->kappa_u.uu_real - one->kappa_u_a.uu_real;
    systematic.uu_imag += one->kappa_u.uu_imag - one->kappa_u_a.uu_imag;
    systematic.cov += one->kappa_u.cov - one->kappa_u_a.cov;
  }
  if (n == 0.0) return no_reading(Reason::not_measured, "no capture with an image rejection");
  mean /= n;
  KappaCovariance spread;
  for (const IqResult* one : repeats) {
    if (!one->kappa) continue;
    const std::complex<double> d = *one->kappa - mean;
    spread.uu_real += d.real() * d.real();
    spread.uu_imag += d.imag() * d.imag();
  }
  KappaCovariance total;
  const double freedom = std::max(1.0, n - 1.0);
  // t in place of 2 for few repeats.
  const double more = n > 1.0 ? std::pow(t_quantile(0.9544997361036416, freedom) / 2.0, 2) : 1.0;
  total.uu_real =
      std::max(known.uu_real / n, more * spread.uu_real / freedom) / n + systematic.uu_real / n;
  total.uu_imag =
      std::max(known.uu_imag / n, more * spread.uu_imag / freedom) / n + systematic.uu_imag / n;
  total.cov = known.cov / n / n + systematic.cov / n;
  Budget budget;
  budget.add_a("spread of repeats", std::sqrt(spread.uu_real + spread.uu_imag) / n, freedom);
  return rejection_reading("image_rejection_db", mean, total, std::move(budget));
}

}  // namespace nightbench::reading
