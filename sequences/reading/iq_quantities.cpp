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

class Filler {
 public:
  Filler(const Capture& capture, IqResult& result)
      : capture_(capture), context_(*capture.context), fit_(*capture.fit), result_(result) {}

  void fill() {
    const double loading = std::pow(10.0, context_.probe_loading_db / 20.0);
    // A known ratio of the two channels says nothing about which one is off: half goes to each.
    const double half_ratio = std::pow(10.0, context_.match.gain_ratio_db / 40.0);
    i_scale_ = loading * half_ratio;
    q_scale_ = loading / half_ratio;
    fill_frequency();
    result_.i_amplitude_v = amplitude(capture_.i, "i_amplitude_v", i_scale_);
    result_.q_amplitude_v = amplitude(capture_.q, "q_amplitude_v", q_scale_);
    result_.i_offset_v = offset(capture_.i, "i_offset_v");
    result_.q_offset_v = offset(capture_.q, "q_offset_v");
    fill_pair();
    fill_gain();
    DistortionOutcomes i = distortion_of(capture_.i, context_, 'i');
    result_.thd_i_db = std::move(i.thd);
    result_.sinad_i_db = std::move(i.sinad);
    result_.enob_i = std::move(i.bits);
    result_.noise_i_v_rthz = std::move(i.noise);
    DistortionOutcomes q = distortion_of(capture_.q, context_, 'q');
    result_.thd_q_db = std::move(q.thd);
    result_.sinad_q_db = std::move(q.sinad);
    result_.enob_q = std::move(q.bits);
    result_.noise_q_v_rthz = std::move(q.noise);
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

  Outcome amplitude(const Side& side, const char* quantity, double scale) {
    if (side.dead) return std::unexpected(silent(side));
    const double value = side.tone->amplitude_v * scale;
    Budget budget;
    budget.add_a("noise", side.tone->u_amplitude_v * scale * side.widen);
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

  void fill_gain() {
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
      return make_reading(quantity, db_per_neper * std::log(volts / emf), "dB", std::move(budget));
    };
    const auto relative = [](const Side& side) {
      return std::hypot(side.tone->u_amplitude_v * side.widen / side.tone->amplitude_v,
                        side.u_quantisation);
    };
    const auto alone = [&](const char* quantity, const Side& side, double scale) -> Outcome {
      if (side.dead) return std::unexpected(silent(side));
      return gain(quantity, side.tone->amplitude_v * scale, relative(side), context_.u_gain_rel);
    };
    result_.conversion_gain_i_db = alone("conversion_gain_i_db", capture_.i, i_scale_);
    result_.conversion_gain_q_db = alone("conversion_gain_q_db", capture_.q, q_scale_);
    if (capture_.i.dead || capture_.q.dead) return;
    const std::complex<double> j(0.0, 1.0);
    const double strong =
        0.5 * i_scale_ * std::max(std::abs(i_v_ + j * q_v_), std::abs(i_v_ - j * q_v_));
    // Mean of two channels of u each whose ratio is known to u_ratio.
    const double u = context_.u_gain_rel;
    const double u_ratio = context_.match.u_gain_ratio_db / db_per_neper;
    const double u_mean = std::sqrt(std::max(u * u - 0.25 * u_ratio * u_ratio, 0.5 * u * u));
    result_.conversion_gain_db =
        gain("conversion_gain_db", strong,
             0.5 * std::hypot(relative(capture_.i), relative(capture_.q)), u_mean);
  }

  const Capture& capture_;
  const IqContext& context_;
  const signal::TwoChannelFit& fit_;
  IqResult& result_;
  std::complex<double> scope_{1.0, 0.0};
  std::complex<double> i_v_;
  std::complex<double> q_v_;
  double i_scale_ = 1.0;  // from the scope's volts to the board's
  double q_scale_ = 1.0;
};

}  // namespace

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

}  // namespace nightbench::reading
