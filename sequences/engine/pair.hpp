// Measuring a pair: the scope set from what is expected, captured, set again when the range was
// wrong, and the capture analysed beside the next one.
#pragma once

#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/engine/analyst.hpp"
#include "sequences/engine/capture_plan.hpp"
#include "sequences/engine/drift_watch.hpp"
#include "sequences/engine/stage_times.hpp"
#include "sequences/reading/iq.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

// A capture with all that its analysis needs; immutable once made.
struct PairCapture {
  instrument::Capture samples;  // channels[0] is I, channels[1] is Q
  reading::IqContext context;
  std::vector<std::string> notes;  // what had to be tried
};

struct PairAnalysis {
  std::vector<record::Reading> readings;
  std::vector<std::string> notes;
  record::TraceExcerpt excerpt;
  bool worth_repeating = false;  // refused for a reason that may pass: no signal, drift, ...
};

// What lines up the acquisitions of an average.
struct CaptureTrigger {
  int channel = 1;
  double level_v = 0;
};

class PairMeter {
 public:
  // `times` takes what is waited for; it must outlive the meter.
  PairMeter(bench::Bench& bench, const script::Plan& plan, StageTimes& times)
      : bench_(bench), plan_(plan), times_(times) {}

  // Captures with RF and LO as `action` intends, which must stand already. Errors as of the
  // scope; a range that cannot be made to fit is no error here, the analysis refuses it. Averages, if
  // the script asks for them, are triggered by I (by Q if I is silent), once the board is known to give
  // a signal to trigger on; until then, and when it has gone, a single acquisition looks first.
  Awaitable<Result<std::shared_ptr<const PairCapture>>> capture(script::Action action);
  // The same on two scope channels whatever they are wired to, without the channels' match.
  Awaitable<Result<std::shared_ptr<PairCapture>>> capture_on(script::Action action, int i_channel,
                                                             int q_channel);

  // Pure; runs on the analyst's threads.
  static PairAnalysis analyse(const PairCapture& capture, const script::Limits& limits,
                              double rf_hz, const Spread& spread = {});

  void forget() {
    learned_.clear();
    triggers_.clear();
    standing_.reset();
  }

 private:
  struct Learned {
    double level_dbm = 0, amplitude_v = 0, offset_v = 0;
  };
  Expectation expectation(const script::Action& action) const;
  // One acquisition into `made`; gives the full scale that the scope made of the wanted one.
  Awaitable<Result<double>> take(instrument::ScopeSetup setup, PairCapture* made);

  bench::Bench& bench_;
  const script::Plan& plan_;
  StageTimes& times_;
  std::map<int, Learned> learned_;  // for the next range, by the multiple of the LO
  std::map<int, CaptureTrigger> triggers_;  // of averages, likewise
  struct Standing {
    CaptureSettings settings;
    double full_scale_v = 0;  // as the scope made it
  };
  std::optional<Standing> standing_;  // of the last capture
};

// Seconds that one pair takes by its record alone; for estimates before a run.
double record_seconds(const script::Action& action);

}  // namespace nightbench::engine
