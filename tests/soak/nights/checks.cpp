#include "tests/soak/nights/checks.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

namespace nightbench::testing {
namespace {

constexpr double kMost_u = 3;

// Peak of the open-circuit voltage of a 50 ohm source set to a level into 50 ohm.
double emf_v(double level_dbm) {
  return 2 * std::sqrt(2 * 50 * 1e-3 * std::pow(10, level_dbm / 10));
}

// What I and Q hold together of the wanted side: the larger of |I + jQ| / 2 and |I - jQ| / 2.
double wanted_v(const mock::server::BoardTruth& truth) {
  constexpr double kRadians = std::numbers::pi / 180;
  const std::complex<double> i = std::polar(truth.i_v, truth.i_phase_deg * kRadians);
  const std::complex<double> q = std::polar(truth.q_v, truth.q_phase_deg * kRadians);
  const std::complex<double> j(0, 1);
  return std::max(std::abs(i + j * q), std::abs(i - j * q)) / 2;
}

struct Expected {
  const char* quantity;
  double value;
};

std::vector<Expected> expected(const mock::server::BoardTruth& truth, const record::Point& point) {
  // The bench's sources are 0.3 and -0.2 ppm off.
  const double if_hz = truth.if_hz + 0.3e-6 * point.at.at("rf_hz") + 0.2e-6 * point.at.at("lo_hz");
  return {{"if_frequency", if_hz},
          {"gain_balance", 20 * std::log10(truth.gain_ratio)},
          {"phase_error", std::fabs(truth.q_after_i_deg) - 90},
          {"image_rejection", truth.image_rejection_db},
          {"i_amplitude", truth.i_v},
          {"conversion_gain", 20 * std::log10(wanted_v(truth) / emf_v(point.at.at("level_dbm")))}};
}

// Distance of a reading from the truth in its own U, on the side where the truth lies.
double distance_u(const record::Reading& reading, double truth) {
  const double value = *reading.value;
  if (truth > value) {
    if (reading.open_above) return 0;
    const double up = reading.high ? *reading.high - value : reading.expanded_u;
    return (truth - value) / up;
  }
  const double down = reading.low ? value - *reading.low : reading.expanded_u;
  return (value - truth) / down;
}

bool is_pair(const record::Point& point) {
  return point.at.contains("rf_hz") && point.at.contains("lo_hz") && point.at.contains("level_dbm") &&
         std::any_of(point.readings.begin(), point.readings.end(),
                     [](const auto& each) { return each.quantity == "if_frequency"; });
}

}  // namespace

void check_entry(const store::Entry& entry, const record::Run& run, Tally& tally,
                 Findings& findings) {
  const std::string who = "entry " + std::to_string(entry.id) + " (" + entry.board + ", run " +
                          entry.run_id + "): ";
  if (!store::is_over(entry.state)) {
    findings.push_back(who + "is still " + store::word(entry.state));
    return;
  }
  const bool done = entry.state == store::EntryState::done;
  ++(done ? tally.done : tally.failed);
  if (!done && entry.detail.empty()) findings.push_back(who + "ended without a reason");
  if (done != (run.outcome == record::Outcome::complete)) {
    findings.push_back(who + "is " + store::word(entry.state) + ", its run " +
                       record::word(run.outcome));
  }
  std::vector<std::uint64_t> ordinals;
  for (const record::Point& point : run.points) {
    ordinals.push_back(point.ordinal);
    if (point.readings.empty()) findings.push_back(who + "a point without readings");
    if (point.attempts > 1) ++tally.again;
  }
  tally.points += ordinals.size();
  std::sort(ordinals.begin(), ordinals.end());
  const std::uint64_t wanted = done ? run.header.planned_points : ordinals.size();
  bool each_once = ordinals.size() == wanted;
  for (std::size_t n = 0; each_once && n < ordinals.size(); ++n) each_once = ordinals[n] == n;
  if (!each_once) {
    findings.push_back(who + std::to_string(ordinals.size()) + " points of " +
                       std::to_string(run.header.planned_points) + ", not each once");
  }
}

void check_truth(const record::Run& run, mock::server::SimulatedBench& simulation, Tally& tally,
                 Findings& findings) {
  if (!simulation.place_board(run.header.board)) {
    findings.push_back("run of a board that is not there: " + run.header.board);
    return;
  }
  for (const record::Point& point : run.points) {
    if (!is_pair(point)) continue;
    const auto truth = simulation.board_truth(point.at.at("rf_hz"), point.at.at("lo_hz"),
                                              point.at.at("level_dbm"));
    for (const Expected& each : expected(truth, point)) {
      for (const record::Reading& reading : point.readings) {
        if (reading.quantity != each.quantity) continue;
        if (!reading.value) {
          if (reading.reason.empty()) findings.push_back(run.header.run_id + ": no reading and no reason");
          continue;
        }
        ++tally.compared;
        const double far = distance_u(reading, each.value);
        tally.worst_u = std::max(tally.worst_u, far);
        if (far <= kMost_u) continue;
        findings.push_back("run " + run.header.run_id + ", point " + std::to_string(point.ordinal) +
                           ": " + each.quantity + " is " + std::to_string(*reading.value) +
                           ", in truth " + std::to_string(each.value) + ", U " +
                           std::to_string(reading.expanded_u));
      }
    }
  }
}

bool is_read(const record::Point& point) {
  // A silent output has its noise and its offset all the same.
  const auto tone = std::ranges::find(point.readings, "if_frequency", &record::Reading::quantity);
  if (tone != point.readings.end()) return tone->value.has_value();
  return std::ranges::any_of(point.readings, [](const auto& each) { return each.value.has_value(); });
}

std::uint64_t unread_points(const record::Run& run) {
  std::uint64_t out = 0;
  for (const record::Point& point : run.points) {
    if (!is_read(point)) ++out;
  }
  return out;
}

}  // namespace nightbench::testing
