// The correction table as files for a receiver's software.
#include <cmath>
#include <nlohmann/json.hpp>

#include "drivers/base/time_text.hpp"
#include "sequences/report/correction.hpp"
#include "sequences/report/csv_text.hpp"

namespace nightbench::report {
namespace {

struct Column {
  const char* name;
  double (*value)(const CorrectionRow& row);
};

constexpr Column kColumns[] = {
    {"rf_hz", [](const CorrectionRow& row) { return row.rf_hz; }},
    {"lo_hz", [](const CorrectionRow& row) { return row.lo_hz; }},
    {"offset_hz", [](const CorrectionRow& row) { return row.offset_hz; }},
    {"level_dbm", [](const CorrectionRow& row) { return row.level_dbm; }},
    {"captures", [](const CorrectionRow& row) { return static_cast<double>(row.captures); }},
    {"gain_balance_db", [](const CorrectionRow& row) { return row.gain_balance_db; }},
    {"u_gain_balance_db", [](const CorrectionRow& row) { return row.u_gain_balance_db; }},
    {"phase_error_deg", [](const CorrectionRow& row) { return row.phase_error_deg; }},
    {"u_phase_error_deg", [](const CorrectionRow& row) { return row.u_phase_error_deg; }},
    {"i_offset_v", [](const CorrectionRow& row) { return row.i_offset_v; }},
    {"q_offset_v", [](const CorrectionRow& row) { return row.q_offset_v; }},
    {"q_from_i", [](const CorrectionRow& row) { return row.q_from_i; }},
    {"q_from_q", [](const CorrectionRow& row) { return row.q_from_q; }},
    {"image_re", [](const CorrectionRow& row) { return row.w.real(); }},
    {"image_im", [](const CorrectionRow& row) { return row.w.imag(); }},
    {"rejection_before_db", [](const CorrectionRow& row) { return row.rejection_before_db; }},
    {"rejection_after_db", [](const CorrectionRow& row) { return row.rejection_after_db; }},
};

}  // namespace

std::string correction_csv(const record::Run& run) {
  std::vector<std::string> fields;
  for (const Column& column : kColumns) fields.emplace_back(column.name);
  std::string out = csv_line(fields);
  for (const CorrectionRow& row : correction_table(run)) {
    fields.clear();
    for (const Column& column : kColumns) fields.push_back(csv_number(column.value(row)));
    out += csv_line(fields);
  }
  return out;
}

std::string correction_json(const record::Run& run) {
  using Json = nlohmann::ordered_json;
  Json rows = Json::array();
  for (const CorrectionRow& row : correction_table(run)) {
    Json each;
    for (const Column& column : kColumns) {
      const double value = column.value(row);
      // A perfect pair has an infinite rejection, for which JSON has no number.
      each[column.name] = std::isfinite(value) ? Json(value) : Json(nullptr);
    }
    each["captures"] = row.captures;
    rows.push_back(std::move(each));
  }
  const Json out{
      {"correction", run.header.board},
      {"board_type", run.header.board_type},
      {"run", run.header.run_id},
      {"measured", exact_time(run.header.started)},
      {"program_version", run.header.program_version},
      {"apply",
       {{"first", "take i_offset_v from I and q_offset_v from Q"},
        {"matrix", "I' = I, Q' = q_from_i I + q_from_q Q"},
        {"complex", "z' = z - (image_re + j image_im) conj(z), z = I + jQ"},
        {"holds", "at its own RF, IF and side of the LO; between rows, interpolate image_re and "
                  "image_im over RF"}}},
      {"rows", std::move(rows)}};
  return out.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) + "\n";
}

}  // namespace nightbench::report
