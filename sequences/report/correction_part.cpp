#include <algorithm>

#include "sequences/report/correction.hpp"
#include "sequences/report/markup.hpp"
#include "sequences/report/number_text.hpp"
#include "sequences/report/report_parts.hpp"

namespace nightbench::report {
namespace {

// More rows would only repeat what the files hold.
constexpr std::size_t kMostRows = 120;

std::string with_u(double value, double u) {
  const int decimals = decimals_for(value, u, {}, {});
  return fixed(value, decimals) + " \u00b1 " + fixed(u, decimals);
}

std::string cell(const std::string& text) { return "<td class=\"n\">" + escaped(text) + "</td>"; }

}  // namespace

std::string correction_part(const record::Run& run) {
  const std::vector<CorrectionRow> rows = correction_table(run);
  if (rows.empty()) return "";
  std::string out =
      "<h2 id=\"correction\">I/Q correction</h2>\n<p class=\"soft lead\">What a receiver does to "
      "this board's outputs so that the image goes away: take the offsets away, then "
      "Q\u2032 = a I + b Q with I as it is, or z \u2212 w z* with z = I + jQ. Each row holds at its "
      "own frequency. The last column is the image rejection that is left when the readings are "
      "off by their U. The whole table stands beside this report as .correction.json and "
      ".correction.csv.</p>\n" +
      scrolling("I/Q correction") +
      "<table>\n<thead><tr><th scope=\"col\" class=\"n\">RF, MHz</th><th scope=\"col\" "
      "class=\"n\">IF, kHz</th><th scope=\"col\" class=\"n\">Q over I, dB</th><th scope=\"col\" "
      "class=\"n\">Phase error, \u00b0</th><th scope=\"col\" class=\"n\">a</th><th scope=\"col\" "
      "class=\"n\">b</th><th scope=\"col\" class=\"n\">w</th><th scope=\"col\" class=\"n\">"
      "Rejection before, dB</th><th scope=\"col\" class=\"n\">after, dB</th></tr></thead>\n<tbody>\n";
  for (std::size_t n = 0; n < std::min(rows.size(), kMostRows); ++n) {
    const CorrectionRow& row = rows[n];
    const std::string imaginary = fixed(row.w.imag(), 5);
    out += "<tr><th scope=\"row\" class=\"n\">" + fixed(row.rf_hz / 1e6, 6) + "</th>" +
           cell(fixed(row.offset_hz / 1e3, 3)) +
           cell(with_u(row.gain_balance_db, row.u_gain_balance_db)) +
           cell(with_u(row.phase_error_deg, row.u_phase_error_deg)) + cell(fixed(row.q_from_i, 5)) +
           cell(fixed(row.q_from_q, 5)) +
           cell(fixed(row.w.real(), 5) + (imaginary.starts_with('-') ? " \u2212 j" : " + j") +
                (imaginary.starts_with('-') ? imaginary.substr(1) : imaginary)) +
           cell(fixed(row.rejection_before_db, 1)) +
           cell("\u2265 " + fixed(row.rejection_after_db, 1)) + "</tr>\n";
  }
  out += "</tbody>\n</table></div>\n";
  if (rows.size() > kMostRows) {
    out += "<p class=\"soft\">The first " + std::to_string(kMostRows) + " of " +
           std::to_string(rows.size()) + " rows; all are in the files.</p>\n";
  }
  return out;
}

}  // namespace nightbench::report
