#include "wave_fit.hpp"

#include <cmath>
#include <numbers>

namespace nightbench::mock::board::test {

namespace {
double det(double a, double b, double c, double d, double e, double f, double g, double h,
           double i) {
  return a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g);
}
}  // namespace

// Normal equations by Cramer's rule.
Fit fit(const std::vector<double>& y, double rate_hz, double hz) {
  double cc = 0, ss = 0, cs = 0, c1 = 0, s1 = 0, y1 = 0, yc = 0, ys = 0;
  const double n = static_cast<double>(y.size());
  for (std::size_t k = 0; k < y.size(); ++k) {
    const double angle = 2 * std::numbers::pi * std::fmod(hz / rate_hz * static_cast<double>(k), 1);
    const double c = std::cos(angle);
    const double s = std::sin(angle);
    cc += c * c, ss += s * s, cs += c * s, c1 += c, s1 += s;
    y1 += y[k], yc += y[k] * c, ys += y[k] * s;
  }
  const double d = det(n, c1, s1, c1, cc, cs, s1, cs, ss);
  return {
      det(y1, c1, s1, yc, cc, cs, ys, cs, ss) / d,
      {det(n, y1, s1, c1, yc, cs, s1, ys, ss) / d, -det(n, c1, y1, c1, cc, yc, s1, cs, ys) / d}};
}

double db(double ratio) {
  return 20 * std::log10(ratio);
}
double degrees(std::complex<double> x) {
  return std::arg(x) * 180 / std::numbers::pi;
}
double apart_deg(double a_deg, double b_deg) {
  return std::remainder(a_deg - b_deg, 360.0);
}

}  // namespace nightbench::mock::board::test
