#include "sequences/reading/reading.hpp"

#include <utility>

namespace nightbench::reading {

const char* name(Reason reason) {
  switch (reason) {
    case Reason::clipped:
      return "clipped";
    case Reason::aliased:
      return "aliased";
    case Reason::empty:
      return "empty";
    case Reason::too_few_periods:
      return "too-few-periods";
    case Reason::too_few_points:
      return "too-few-points";
    case Reason::not_a_tone:
      return "not-a-tone";
    case Reason::unlocked:
      return "unlocked";
    case Reason::drifting:
      return "drifting";
    case Reason::interfered:
      return "interfered";
    case Reason::channels_disagree:
      return "channels-disagree";
    case Reason::bad_samples:
      return "bad-samples";
    case Reason::not_converged:
      return "not-converged";
    case Reason::not_measured:
      return "not-measured";
  }
  return "unknown";
}

Outcome not_measured() {
  return no_reading(Reason::not_measured, "nobody asked");
}

std::unexpected<NoReading> no_reading(Reason reason, std::string detail) {
  return std::unexpected(NoReading{reason, std::move(detail)});
}

NoReading from(const signal::Trouble& trouble) {
  using signal::TroubleKind;
  switch (trouble.kind) {
    case TroubleKind::bad_arguments:
      return {Reason::not_measured, trouble.detail};
    case TroubleKind::too_few_points:
      return {Reason::too_few_points, trouble.detail};
    case TroubleKind::too_few_periods:
      return {Reason::too_few_periods, trouble.detail};
    case TroubleKind::bad_samples:
      return {Reason::bad_samples, trouble.detail};
    case TroubleKind::no_tone:
      return {Reason::empty, trouble.detail};
    case TroubleKind::out_of_band:
      return {Reason::aliased, trouble.detail};
    case TroubleKind::not_converged:
      return {Reason::not_converged, trouble.detail};
  }
  return {Reason::not_measured, trouble.detail};
}

Reading make_reading(std::string quantity, double value, std::string unit, Budget budget) {
  const Combined combined = combine(budget);
  Reading reading;
  reading.quantity = std::move(quantity);
  reading.value = value;
  reading.unit = std::move(unit);
  reading.U = combined.U;
  reading.k = combined.k;
  reading.dof = combined.dof;
  reading.budget = std::move(budget.rows);
  return reading;
}

}  // namespace nightbench::reading
