#include "sequences/engine/resume.hpp"

#include <algorithm>
#include <cmath>

#include "sequences/engine/header.hpp"

namespace nightbench::engine {
namespace {

bool reads(const record::Point& point, const char* quantity) {
  return std::any_of(
      point.readings.begin(), point.readings.end(),
      [&](const record::Reading& each) { return each.quantity == quantity && each.value; });
}

bool is_check(const record::Point& point) {
  return std::any_of(point.readings.begin(), point.readings.end(),
                     [](const auto& each) { return each.unit == "yes/no" || each.unit == "ohm"; });
}

std::unexpected<Error> differs(const std::string& what) {
  return fail(ErrorKind::bad_input, "the run cannot be resumed: " + what);
}

}  // namespace

void Kept::take(const record::Point& point) {
  if (has_.size() <= point.ordinal) {
    has_.resize(std::max<std::uint64_t>(point.ordinal + 1, header_.planned_points));
  }
  if (has_[point.ordinal]) return;
  has_[point.ordinal] = true;
  ++points_;
  if (!last_finished_ || point.finished > *last_finished_) last_finished_ = point.finished;
  if (reads(point, "supply_current")) {
    if (!power_ || power_->ordinal < point.ordinal) power_ = point;
  } else if (reads(point, "conversion_gain")) {
    if (!pair_ || pair_->ordinal < point.ordinal) pair_ = point;
  } else if (is_check(point)) {
    checks_.push_back(point);
  }
}

bool Kept::has(std::uint64_t ordinal) const {
  return ordinal < has_.size() && has_[ordinal];
}

Kept kept_of(const record::Run& run) {
  Kept out(run.header);
  for (const record::Point& point : run.points) out.take(point);
  return out;
}

Result<void> same_bench(const record::Header& header, const script::Plan& plan,
                        bench::Bench& bench) {
  if (header.script_sha256 != sha256_hex(plan.script().text)) {
    return differs("the script \"" + plan.script().name + "\" is not the one it began with");
  }
  if (header.parameters != plan.script().parameters) {
    return differs("the script's parameters are not those it began with");
  }
  if (header.board_type_text != plan.board_type().text) {
    return differs("the board type \"" + plan.board_type().name +
                   "\" is not the one it began with");
  }
  if (header.planned_points != plan.points()) {
    return differs("the plan has " + std::to_string(plan.points()) + " points, it began with " +
                   std::to_string(header.planned_points));
  }
  for (instrument::Instrument* each : bench.all()) {
    const auto before = std::find_if(header.instruments.begin(), header.instruments.end(),
                                     [&](const auto& one) { return one.name == each->name(); });
    if (before == header.instruments.end()) {
      return differs("the bench had no instrument \"" + each->name() + "\" when it began");
    }
    if (before->identity != each->identity().text) {
      return differs("\"" + each->name() + "\" answers as '" + excerpt(each->identity().text) +
                     "', when it began it was '" + excerpt(before->identity) + "'");
    }
  }
  return {};
}

std::string disagreement(const std::vector<record::Reading>& before,
                         const std::vector<record::Reading>& now,
                         const std::vector<std::string>& quantities) {
  for (const std::string& quantity : quantities) {
    const auto named = [&](const record::Reading& each) {
      return each.quantity == quantity && each.value;
    };
    const auto first = std::find_if(before.begin(), before.end(), named);
    const auto second = std::find_if(now.begin(), now.end(), named);
    if (first == before.end()) continue;
    if (second == now.end()) return first->title + " gives no reading any more";
    const double most = std::hypot(first->expanded_u, second->expanded_u);
    if (std::fabs(*second->value - *first->value) <= most) continue;
    return first->title + " is " + std::to_string(*second->value) + " " + first->unit +
           ", it was " + std::to_string(*first->value) + " " + first->unit +
           ", and they should agree within " + std::to_string(most) + " " + first->unit;
  }
  return {};
}

}  // namespace nightbench::engine
