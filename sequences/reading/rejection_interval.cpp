// The interval of an image rejection. The estimate of kappa is a point with a normal error; the
// question is which |kappa| it does not contradict. For a radius r on trial, d^2(r) is the squared
// (Mahalanobis) distance of the estimate from the circle |kappa| = r, and r is kept when d^2(r) is
// below the 95.45 % quantile that d^2 has if the nearest point of that circle is the truth: 4.0 far
// from the origin, 6.18 at it. (Likelihood-ratio ordering as in Feldman and Cousins, Phys. Rev. D
// 57, 1998, from memory, with the direction of kappa as the nuisance.)
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <vector>

#include "sequences/reading/uncertainty.hpp"

namespace nightbench::reading {
namespace {

constexpr double level = 0.9544997361036416;  // of +-2 standard deviations
constexpr double at_origin = 6.1800743062;    // -2 ln(1 - level): chi-square, 2 degrees of freedom

struct Place {
  double x = 0.0;  // along the larger uncertainty
  double y = 0.0;
};

// The ellipse of the error, axes along x and y, ux >= uy > 0.
struct Noise {
  double ux = 0.0;
  double uy = 0.0;
};

// Nearest point of the circle in the metric of the error, its s (below) to a relative `tolerance`;
// the distance, least there, is off by the square of that. With Lagrange's m:
// x = px / (1 + m ux^2), y = py / (1 + m uy^2), and |(x, y)| falls with m.
Place nearest(const Place& p, double r, const Noise& noise, double tolerance = 1e-9) {
  const double vx = noise.ux * noise.ux;
  const double vy = noise.uy * noise.uy;
  if (r <= 0.0) return {};
  // In units m vx = s - 1, s > 0: x = px / s, y = py / (1 + (s - 1) q).
  const double q = vy / vx;
  const auto squared_size = [&](double s) {
    const double x = p.x / s;
    const double y = p.y / (1.0 + (s - 1.0) * q);
    return x * x + y * y;
  };
  const double rr = r * r;
  const double least = 1e-12;
  // Points near the circle, the usual ones, have s near 1.
  double low = least;
  double high = 1.0;
  if (squared_size(1.0) > rr) {
    low = 1.0;
    high = 4.0;
    while (squared_size(high) > rr) {
      low = high;
      high *= 4.0;
    }
  } else if (squared_size(least) <= rr) {
    // The point lies on the y axis and inside: the nearest points sit off it, on either side.
    const double y = p.y / (1.0 + (least - 1.0) * q);
    const double x = std::sqrt(std::max(0.0, rr - y * y));
    return {p.x < 0.0 ? -x : x, y};
  }
  double s = low == 1.0 || high == 1.0 ? 1.0 : 0.5 * (low + high);
  for (int step = 0; step < 60 && high - low > 1e-10 * high; ++step) {
    const double bx = p.x / s;
    const double by = p.y / (1.0 + (s - 1.0) * q);
    const double square = bx * bx + by * by;
    (square > rr ? low : high) = s;
    // Newton on 1 / size, which is nearly straight; the bracket catches what leaves it.
    const double norm = std::sqrt(square);
    const double slope = (bx * bx / s + by * by * q / (1.0 + (s - 1.0) * q)) / (norm * square);
    double next = s + (1.0 / r - 1.0 / norm) / slope;
    if (!(next > low && next < high)) next = 0.5 * (low + high);
    if (std::abs(next - s) < tolerance * s) {
      s = next;
      break;
    }
    s = next;
  }
  return {p.x / s, p.y / (1.0 + (s - 1.0) * q)};
}

double squared_distance(const Place& a, const Place& b, const Noise& noise) {
  const double dx = (a.x - b.x) / noise.ux;
  const double dy = (a.y - b.y) / noise.uy;
  return dx * dx + dy * dy;
}

// Equal errors in both parts: the distance is |R - rho|, R the length of the noisy point.
double critical_of_round_exactly(double rho) {
  double low = 2.0;
  double high = 6.3;
  for (int step = 0; step < 24; ++step) {
    const double c = 0.5 * (low + high);
    const double s = std::sqrt(c);
    const double inner = std::max(0.0, rho - s);
    const double inside = chi_square_2_probability((rho + s) * (rho + s), rho * rho) -
                          chi_square_2_probability(inner * inner, rho * rho);
    (inside < level ? low : high) = c;
  }
  return 0.5 * (low + high);
}

double critical_of_round(double rho) {
  constexpr double step = 0.125;
  constexpr std::size_t count = 97;
  static const std::vector<double> table = [] {
    std::vector<double> made;
    for (std::size_t n = 0; n < count; ++n) {
      made.push_back(critical_of_round_exactly(step * static_cast<double>(n)));
    }
    return made;
  }();
  const double place = std::min(rho / step, static_cast<double>(count) - 1.001);
  const auto n = static_cast<std::size_t>(place);
  const double share = place - static_cast<double>(n);
  return (1.0 - share) * table[n] + share * table[n + 1];
}

// Evenly spread normal pairs, the same in every run.
const std::vector<Place>& normal_pairs() {
  static const std::vector<Place> pairs = [] {
    std::vector<Place> made;
    constexpr int count = 512;
    constexpr double golden = 0.7548776662466927;  // plastic-number sequence in two dimensions
    for (int n = 0; n < count; ++n) {
      const double a = std::fmod(0.5 + golden * (n + 1), 1.0);
      const double b = (n + 0.5) / count;
      const double radius = std::sqrt(-2.0 * std::log(b));
      made.push_back({radius * std::cos(2.0 * std::numbers::pi * a),
                      radius * std::sin(2.0 * std::numbers::pi * a)});
    }
    return made;
  }();
  return pairs;
}

double critical(const Place& truth, double r, const Noise& noise) {
  if (noise.ux < 1.02 * noise.uy) return critical_of_round(r / std::sqrt(noise.ux * noise.uy));
  std::vector<double> distances;
  distances.reserve(normal_pairs().size());
  for (const Place& unit : normal_pairs()) {
    const Place seen{truth.x + noise.ux * unit.x, truth.y + noise.uy * unit.y};
    distances.push_back(squared_distance(seen, nearest(seen, r, noise, 1e-3), noise));
  }
  const auto at = static_cast<std::ptrdiff_t>(level * static_cast<double>(distances.size()));
  std::nth_element(distances.begin(), distances.begin() + at, distances.end());
  return distances[static_cast<std::size_t>(at)];
}

double distance_to(const Place& estimate, double r, const Noise& noise) {
  return squared_distance(estimate, nearest(estimate, r, noise), noise);
}

// Radius between `inside` (the estimate's own) and `outside` at which d^2 reaches `target`; d^2
// grows all the way. `outside` when it does not.
double radius_at(const Place& estimate, double inside, double outside, double target,
                 const Noise& noise) {
  const double close = 1e-4 * noise.uy;
  for (int step = 0; step < 40 && std::abs(outside - inside) > close; ++step) {
    const double middle = 0.5 * (inside + outside);
    (distance_to(estimate, middle, noise) > target ? outside : inside) = middle;
  }
  return 0.5 * (inside + outside);
}

// The critical value changes slowly with the radius: a few rounds of radius and value settle.
double edge(const Place& estimate, double inside, double outside, const Noise& noise) {
  double target = 4.0;
  double r = inside;
  for (int round = 0; round < 4; ++round) {
    const double before = r;
    r = radius_at(estimate, inside, outside, target, noise);
    if (std::abs(r - before) < 0.01 * noise.ux) break;
    target = critical(nearest(estimate, r, noise), r, noise);
  }
  return r;
}

}  // namespace

RejectionInterval image_rejection_interval(std::complex<double> kappa,
                                           const KappaCovariance& covariance) {
  // Principal axes of the error; the circle does not mind the turn.
  const double half_sum = 0.5 * (covariance.uu_real + covariance.uu_imag);
  const double half_difference = 0.5 * (covariance.uu_real - covariance.uu_imag);
  const double radius = std::hypot(half_difference, covariance.cov);
  const double angle = 0.5 * std::atan2(covariance.cov, half_difference);
  const std::complex<double> turned = kappa * std::polar(1.0, -angle);
  Noise noise{std::sqrt(std::max(0.0, half_sum + radius)),
              std::sqrt(std::max(0.0, half_sum - radius))};
  const double size = std::abs(kappa);
  RejectionInterval interval;
  const auto db = [](double r) {
    return r > 0.0 ? -20.0 * std::log10(r) : std::numeric_limits<double>::infinity();
  };
  if (!(noise.ux > 0.0)) return {db(size), db(size)};
  noise.uy = std::max(noise.uy, 1e-3 * noise.ux);
  const Place estimate{std::abs(turned.real()), std::abs(turned.imag())};

  const double along =
      size > 0.0 ? std::hypot(estimate.x * noise.ux, estimate.y * noise.uy) / size : noise.ux;
  const bool straight = size > 12.0 * noise.ux && noise.ux * noise.ux < 0.1 * size * along;
  if (straight) return {db(size + 2.0 * along), db(size - 2.0 * along)};

  interval.low_db = db(edge(estimate, size, size + 4.0 * noise.ux, noise));
  const bool open = squared_distance(estimate, {}, noise) <= at_origin;
  interval.high_db =
      open ? std::numeric_limits<double>::infinity() : db(edge(estimate, size, 0.0, noise));
  return interval;
}

}  // namespace nightbench::reading
