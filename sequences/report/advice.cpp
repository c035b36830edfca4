#include "sequences/report/advice.hpp"

#include <algorithm>
#include <array>
#include <set>
#include <string_view>

#include "drivers/base/json.hpp"

namespace nightbench::report {
namespace {

using record::Decision;
using record::Outcome;
using record::Verdict;

constexpr std::size_t kMostSteps = 7;

struct Rule {
  std::string_view part;  // of the quantity id
  const char* step;
};

// The order is that of the signal's way through a board: what comes first can cause what follows.
constexpr std::array kQuantityRules{
    Rule{"supply_current",
         "Take the power off and look for a short or a part the wrong way round before anything "
         "else"},
    Rule{"supply",
         "Check the supply path first: polarity, regulator and the solder joints on its way; "
         "everything behind it depends on it"},
    Rule{
        "mid_rail",
        "Check the mid-rail divider and its capacitor, and the splitter's centre tap that feeds it "
        "to the switch"},
    Rule{"lo_",
         "Probe the LO at both select pins of the switch: frequency, level and 90 degrees between "
         "them"},
    Rule{"if_",
         "Compare the two generators' frequency references: an error that keeps its sign on both "
         "sides of the LO is the LO's, one that changes sign is the RF source's"},
    Rule{"conversion_gain",
         "Follow the signal from the RF input: splitter ends (power off), switch outputs, op-amp "
         "outputs; the stage after which it is too small holds the fault"},
    Rule{"gain_balance",
         "Compare I and Q stage by stage from the switch outputs on: sampling capacitors, then the "
         "resistors around the two op-amp stages"},
    Rule{"phase_error",
         "Probe both LO select pins for 90 degrees, then compare the sampling capacitors of I and "
         "Q"},
    Rule{"image_rejection",
         "Image rejection follows from gain balance and phase error: mend whichever of these two "
         "is further off, then measure again"},
    Rule{"offset",
         "Measure the mid-rail and the op-amp's inputs for the DC offset: leaking capacitor, wrong "
         "resistor or bad joint"},
    Rule{"thd", "Lower the RF level and measure again: distortion that goes away was overload"},
    Rule{"noise",
         "Look for hum and switching supplies near the board, then repeat with the RF off"},
};

constexpr std::array kReasonRules{
    Rule{"clipped",
         "Clipped captures: lower the RF level or raise the scope's range, then repeat them"},
    Rule{"aliased",
         "Aliased captures: raise the sample rate or choose a smaller offset from the LO"},
    Rule{"empty",
         "No signal was found: check that RF and LO are on, the probes are on the outputs and the "
         "board has power"},
    Rule{"too-few",
         "Captures too short: lengthen the record or choose a larger offset from the LO"},
    Rule{"unlocked",
         "The IF was not where it should be: check the generators' settings and references, and "
         "that the board's LO is the one that is set"},
    Rule{"drifting", "The signal drifted: let generators and board warm up, then repeat"},
    Rule{"interfered",
         "Another signal was in the way: shield the board, disconnect antennas, repeat"},
    Rule{"channels-disagree",
         "I and Q disagree: check which probe is where, and both op-amp outputs"},
};

void add(std::vector<std::string>& steps, const std::string& step) {
  if (std::find(steps.begin(), steps.end(), step) == steps.end()) steps.push_back(step);
}

void add_for_failures(std::vector<std::string>& steps, const Summary& summary) {
  const std::size_t before = steps.size();
  for (const Rule& rule : kQuantityRules) {
    for (const QuantitySummary& entry : summary.quantities) {
      if (entry.failed == 0 || entry.quantity.find(rule.part) == std::string::npos) continue;
      add(steps, rule.step);
    }
  }
  if (steps.size() == before && summary.failed > 0) {
    add(steps,
        "Probe backwards from the first quantity that misses its limit until a reading is right "
        "again; the fault lies between");
  }
}

void add_for_missing(std::vector<std::string>& steps, const record::Run& run) {
  std::set<std::string> reasons;
  for (const record::Point& point : run.points) {
    for (const record::Reading& reading : point.readings) {
      if (reading.decision == Decision::no_reading) reasons.insert(reading.reason);
    }
  }
  for (const Rule& rule : kReasonRules) {
    const bool met = std::any_of(reasons.begin(), reasons.end(), [&](const std::string& reason) {
      return reason.starts_with(rule.part);
    });
    if (met) add(steps, rule.step);
  }
}

}  // namespace

std::vector<std::string> next_steps(const record::Run& run, const Summary& summary,
                                    const std::vector<Finding>& findings) {
  std::vector<std::string> steps;
  if (run.outcome == Outcome::unsafe) {
    add(steps,
        "Leave the power off. Find out why the run was stopped for safety before the board is "
        "powered again");
  }
  if (run.outcome == Outcome::bench_failed) {
    add(steps,
        "Bring the bench back (see the events), then resume the run: only missing points are "
        "measured");
  }
  if (run.outcome == Outcome::interrupted || run.outcome == Outcome::unfinished) {
    add(steps, "Resume the run: only missing points are measured");
  }
  if (summary.verdict == Verdict::fail) {
    for (const Finding& finding : findings) {
      if (!finding.next_check.empty()) add(steps, finding.next_check);
    }
    if (findings.empty()) add_for_failures(steps, summary);
    add_for_missing(steps, run);
    if (steps.size() >= kMostSteps) steps.resize(kMostSteps - 1);
    add(steps, "After the repair run the same script again; keep this report with the board");
    return steps;
  }
  add_for_missing(steps, run);
  if (summary.missing > 0)
    add(steps, "Measure the missing readings again: without them there is no verdict");
  if (summary.conditional > 0) {
    add(steps,
        "Decide by your own rule whether readings inside by less than U are accepted, or make U "
        "smaller (match the scope channels, calibrate, average) and measure again");
  }
  if (summary.verdict == Verdict::pass) {
    add(steps, "The board needs nothing. Keep this report with it");
  }
  std::string late;
  for (const std::string& name : overdue(run.header)) late += (late.empty() ? "" : ", ") + name;
  if (!late.empty()) {
    add(steps, "The calibration of " + late + " was overdue: check it before relying on U");
  }
  if (summary.judged == 0 && summary.missing == 0) {
    add(steps,
        "Give the board type limits, or choose a script that measures quantities with limits");
  }
  if (steps.empty()) add(steps, "Read the events below, then measure again");
  if (steps.size() > kMostSteps) steps.resize(kMostSteps);
  return steps;
}

std::vector<std::string> cautions(const record::Run& run) {
  std::vector<std::string> out{
      "The ground clips of a mains-powered oscilloscope are mains earth. Clip them to the board's "
      "ground only; on anything else they short it.",
      "Check the polarity of every supply before power comes on, and keep its current limit low.",
      "The switch and the op-amp are sensitive to electrostatic discharge: wear a wrist strap and "
      "touch ground before the board.",
      "Never feed the generator into an antenna: transmitting needs a licence. Work into the board "
      "or "
      "into a dummy load.",
      "Local rules and licensed practice come before anything written here.",
  };
  const auto type = json::parse(run.header.board_type_text, run.header.board_type);
  if (!type || !type->is_object()) return out;
  auto fields = json::Fields::of(*type, "a board type");
  const auto stated = fields->find("cautions");
  if (!stated) return out;
  const auto each = stated->elements();
  if (!each) return out;
  for (const json::Node& node : *each) {
    if (auto text = node.text()) out.push_back(*std::move(text));
  }
  return out;
}

}  // namespace nightbench::report
