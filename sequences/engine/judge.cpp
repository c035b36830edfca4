#include "sequences/engine/judge.hpp"

#include <array>
#include <cmath>

#include "sequences/reading/decision.hpp"

namespace nightbench::engine {
namespace {

struct Row {
  const char* measured;  // name in reading::quantities()
  const char* quantity;  // id in the record and in board types
  const char* title;
  const char* unit;
};

constexpr std::array kRows{
    Row{"signed_if_hz", "if_frequency", "IF frequency", "Hz"},
    Row{"if_error_hz", "if_error", "IF error", "Hz"},
    Row{"conversion_gain_db", "conversion_gain", "Conversion gain", "dB"},
    Row{"gain_balance_db", "gain_balance", "I/Q gain balance", "dB"},
    Row{"phase_error_deg", "phase_error", "I/Q phase error", "deg"},
    Row{"image_rejection_db", "image_rejection", "Image rejection", "dB"},
    Row{"image_rejection_spectrum_db", "image_rejection_spectrum", "Image rejection, from the spectrum",
        "dB"},
    Row{"q_minus_i_deg", "q_minus_i", "Phase of Q less phase of I", "deg"},
    Row{"i_amplitude_v", "i_amplitude", "I amplitude, peak", "V"},
    Row{"q_amplitude_v", "q_amplitude", "Q amplitude, peak", "V"},
    Row{"i_offset_v", "i_offset", "I DC offset", "V"},
    Row{"q_offset_v", "q_offset", "Q DC offset", "V"},
    Row{"thd_i_db", "thd_i", "I harmonic distortion", "dB"},
    Row{"thd_q_db", "thd_q", "Q harmonic distortion", "dB"},
    Row{"sinad_i_db", "sinad_i", "I signal to noise and distortion", "dB"},
    Row{"sinad_q_db", "sinad_q", "Q signal to noise and distortion", "dB"},
    Row{"noise_i_v_rthz", "noise_density_i", "I noise density", "V/rtHz"},
    Row{"noise_q_v_rthz", "noise_density_q", "Q noise density", "V/rtHz"},
};

record::Decision decided(reading::Verdict verdict) {
  switch (verdict) {
    case reading::Verdict::pass: return record::Decision::pass;
    case reading::Verdict::conditional_pass: return record::Decision::conditional_pass;
    case reading::Verdict::conditional_fail: return record::Decision::conditional_fail;
    case reading::Verdict::fail: return record::Decision::fail;
    case reading::Verdict::no_reading: return record::Decision::no_reading;
  }
  return record::Decision::no_reading;
}

std::vector<record::Contribution> contributions(const std::vector<reading::BudgetRow>& rows) {
  std::vector<record::Contribution> out;
  for (const reading::BudgetRow& row : rows) {
    out.push_back({row.name, row.type == reading::Evaluation::type_a ? 'A' : 'B',
                   std::fabs(row.sensitivity * row.u)});
  }
  return out;
}

}  // namespace

record::Reading judge(const std::string& quantity, const std::string& title,
                      const std::string& unit, const reading::Outcome& outcome,
                      const record::Limit& limit) {
  record::Reading out;
  out.quantity = quantity;
  out.title = title;
  out.unit = unit;
  out.limit = limit;
  if (outcome) {
    out.value = outcome->value;
    if (std::isfinite(outcome->U)) out.expanded_u = outcome->U;
    out.budget = contributions(outcome->budget);
    if (outcome->interval) {
      if (std::isfinite(outcome->interval->low)) out.low = outcome->interval->low;
      if (std::isfinite(outcome->interval->high)) out.high = outcome->interval->high;
      out.open_above = !std::isfinite(outcome->interval->high);
    }
  } else {
    out.reason = reading::name(outcome.error().reason);
    out.detail = outcome.error().detail;
  }
  if (!limit.lower && !limit.upper) {
    out.decision = outcome ? record::Decision::none : record::Decision::no_reading;
    return out;
  }
  const reading::Decision decision =
      reading::decide(outcome, reading::Limits{limit.lower, limit.upper});
  out.decision = decided(decision.verdict);
  if (decision.conformity) out.conform_probability = *decision.conformity;
  if (outcome && out.decision != record::Decision::pass) out.detail = decision.detail;
  return out;
}

std::vector<record::Reading> judge(const reading::IqResult& result, const script::Limits& limits,
                                   double rf_hz, const Spread& spread) {
  std::vector<record::Reading> out;
  for (const Row& row : kRows) {
    const reading::Outcome* outcome = reading::find(result, row.measured);
    if (outcome == nullptr) continue;
    const record::Limit limit = script::limit_at(limits, row.quantity, rf_hz);
    if (spread.find(row.quantity) == spread.end()) {
      out.push_back(judge(row.quantity, row.title, row.unit, *outcome, limit));
      continue;
    }
    reading::Outcome widened = *outcome;
    widen(widened, row.quantity, spread);
    out.push_back(judge(row.quantity, row.title, row.unit, widened, limit));
  }
  return out;
}

std::vector<record::Reading> unread_iq(const script::Limits& limits, double rf_hz,
                                       const std::string& reason, const std::string& detail) {
  const reading::IqResult nothing;
  std::vector<record::Reading> out = judge(nothing, limits, rf_hz);
  for (record::Reading& each : out) {
    each.reason = reason;
    each.detail = detail;
  }
  return out;
}

std::vector<std::string> notes(const reading::IqResult& result) {
  std::vector<std::string> out;
  for (const reading::Finding& finding : result.findings) {
    out.push_back(std::string(reading::name(finding.kind)) + ": " + finding.detail);
  }
  return out;
}

}  // namespace nightbench::engine
