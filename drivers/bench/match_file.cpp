#include "drivers/bench/match_file.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "drivers/base/time_text.hpp"

namespace nightbench::bench {
namespace {

constexpr double kSameRange = 0.2;
constexpr double kReach = 2;  // beyond the measured frequencies

Result<double> positive(json::Fields& fields, const std::string& key) {
  TRY_ASSIGN(const double value, fields.number(key));
  if (!(value > 0)) return (*fields.find(key)).wrong("a number above 0");
  return value;
}

Result<double> not_negative(json::Fields& fields, const std::string& key) {
  TRY_ASSIGN(const double value, fields.number(key));
  if (value < 0) return (*fields.find(key)).wrong("a number that is not negative");
  return value;
}

Result<MatchRow> decode_row(const json::Node& node) {
  MatchRow out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a row of a match"));
  TRY_ASSIGN(out.if_hz, positive(fields, "if_hz"));
  TRY_ASSIGN(out.full_scale_v, positive(fields, "full_scale_v"));
  TRY_ASSIGN(out.gain_ratio_db, fields.number("gain_ratio_db"));
  TRY_ASSIGN(out.u_gain_ratio_db, not_negative(fields, "u_gain_ratio_db"));
  TRY_ASSIGN(out.phase_deg, fields.number("phase_deg"));
  TRY_ASSIGN(out.u_phase_deg, not_negative(fields, "u_phase_deg"));
  TRY(fields.finish());
  return out;
}

bool before(const MatchRow& a, const MatchRow& b) {
  return a.if_hz != b.if_hz ? a.if_hz < b.if_hz : a.full_scale_v < b.full_scale_v;
}

// How far a row's range is from another.
double off(const MatchRow& row, double full_scale_v) {
  return std::fabs(std::log(row.full_scale_v / full_scale_v));
}

// One row a frequency, those on the wanted range or nearest to it.
std::vector<MatchRow> on_range(const MatchFile& match, double full_scale_v) {
  std::vector<MatchRow> out;
  for (const MatchRow& row : match.rows) {
    if (!out.empty() && out.back().if_hz == row.if_hz) {
      if (off(row, full_scale_v) < off(out.back(), full_scale_v)) out.back() = row;
    } else {
      out.push_back(row);
    }
  }
  return out;
}

}  // namespace

std::filesystem::path match_path(const std::filesystem::path& bench_file) {
  return bench_file.parent_path() / (bench_file.stem().string() + ".match.json");
}

Result<MatchFile> decode_match(const json::Node& node) {
  MatchFile out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a match"));
  TRY_ASSIGN(out.bench, fields.text("match"));
  TRY_ASSIGN(out.scope, fields.text("scope"));
  TRY_ASSIGN(out.first, fields.text("first"));
  TRY_ASSIGN(out.second, fields.text("second"));
  TRY_ASSIGN(out.run, fields.text("run"));
  TRY_ASSIGN(const json::Node measured, fields.need("measured"));
  TRY_ASSIGN(const std::string text, measured.text());
  const auto time = time_from(text);
  if (!time) return measured.refuse(time.error().message);
  out.measured = *time;
  if (out.first == out.second) return node.refuse("\"first\" and \"second\" are one port");
  TRY_ASSIGN(const json::Node rows, fields.need("rows"));
  TRY_ASSIGN(const auto elements, rows.elements(1));
  for (const json::Node& each : elements) {
    TRY_ASSIGN(const MatchRow row, decode_row(each));
    if (!out.rows.empty() && !before(out.rows.back(), row)) {
      return each.refuse("rows stand by rising frequency, then range, each once");
    }
    out.rows.push_back(row);
  }
  TRY(fields.finish());
  return out;
}

Result<std::optional<MatchFile>> read_match(const std::filesystem::path& file) {
  std::error_code ignored;
  if (!std::filesystem::exists(file, ignored)) return std::optional<MatchFile>();
  TRY_ASSIGN(const json::Node node, json::read_file(file));
  TRY_ASSIGN(MatchFile match, decode_match(node));
  return std::optional<MatchFile>(std::move(match));
}

MatchFile in_order(MatchFile match) {
  std::stable_sort(match.rows.begin(), match.rows.end(), before);
  std::vector<MatchRow> rows;
  for (const MatchRow& row : match.rows) {
    if (!rows.empty() && !before(rows.back(), row)) rows.pop_back();
    rows.push_back(row);
  }
  match.rows = std::move(rows);
  return match;
}

std::string match_text(const MatchFile& match) {
  using Json = nlohmann::ordered_json;
  Json rows = Json::array();
  for (const MatchRow& row : match.rows) {
    rows.push_back({{"if_hz", row.if_hz},
                    {"full_scale_v", row.full_scale_v},
                    {"gain_ratio_db", row.gain_ratio_db},
                    {"u_gain_ratio_db", row.u_gain_ratio_db},
                    {"phase_deg", row.phase_deg},
                    {"u_phase_deg", row.u_phase_deg}});
  }
  const Json out{{"match", match.bench},   {"scope", match.scope}, {"first", match.first},
                 {"second", match.second}, {"run", match.run},     {"measured", exact_time(match.measured)},
                 {"rows", std::move(rows)}};
  return out.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) + "\n";
}

std::optional<MatchSeen> match_at(const MatchFile& match, double if_hz, double full_scale_v) {
  if (match.rows.empty() || !(if_hz > 0) || !(full_scale_v > 0)) return std::nullopt;
  MatchSeen out;
  const std::vector<MatchRow> rows = on_range(match, full_scale_v);
  if (if_hz < rows.front().if_hz / kReach || if_hz > rows.back().if_hz * kReach) return std::nullopt;
  const auto above = std::find_if(rows.begin(), rows.end(),
                                  [if_hz](const MatchRow& row) { return row.if_hz >= if_hz; });
  const MatchRow& right = above == rows.end() ? rows.back() : *above;
  const MatchRow& left = above == rows.begin() ? rows.front() : *(above - 1);
  out.other_range = std::max(off(left, full_scale_v), off(right, full_scale_v)) > std::log1p(kSameRange);
  const double part = right.if_hz > left.if_hz
                          ? std::clamp(std::log(if_hz / left.if_hz) / std::log(right.if_hz / left.if_hz),
                                       0.0, 1.0)
                          : 0.0;
  const auto between = [part](double a, double b) { return a + part * (b - a); };
  out.gain_ratio_db = between(left.gain_ratio_db, right.gain_ratio_db);
  out.u_gain_ratio_db = between(left.u_gain_ratio_db, right.u_gain_ratio_db);
  // Phase of a skew grows with f: taken along as the delay that it is.
  const double delay = between(left.phase_deg / left.if_hz, right.phase_deg / right.if_hz);
  out.phase_deg = delay * if_hz;
  out.u_phase_deg = between(left.u_phase_deg / left.if_hz, right.u_phase_deg / right.if_hz) * if_hz;
  return out;
}

}  // namespace nightbench::bench
