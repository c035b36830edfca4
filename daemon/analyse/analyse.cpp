#include "daemon/analyse/analyse.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "drivers/base/quantity.hpp"

namespace nightbench::analyse {
namespace {

struct Row {
  const char* name;
  const char* title;
  const char* unit;
};
// Every quantity of reading::quantities(), most asked for first.
constexpr std::array rows{
    Row{"if_hz", "IF frequency", "Hz"},
    Row{"signed_if_hz", "Signed IF frequency", "Hz"},
    Row{"if_error_hz", "IF error", "Hz"},
    Row{"q_minus_i_deg", "Phase of Q less phase of I", "deg"},
    Row{"phase_error_deg", "I/Q phase error", "deg"},
    Row{"gain_balance_db", "I/Q gain balance", "dB"},
    Row{"image_rejection_db", "Image rejection", "dB"},
    Row{"image_rejection_spectrum_db", "Image rejection (spectrum)", "dB"},
    Row{"conversion_gain_db", "Conversion gain", "dB"},
    Row{"conversion_gain_i_db", "Conversion gain of I", "dB"},
    Row{"conversion_gain_q_db", "Conversion gain of Q", "dB"},
    Row{"i_amplitude_v", "I amplitude (peak)", "V"},
    Row{"q_amplitude_v", "Q amplitude (peak)", "V"},
    Row{"i_offset_v", "I DC offset", "V"},
    Row{"q_offset_v", "Q DC offset", "V"},
    Row{"thd_i_db", "I THD", "dB"},
    Row{"thd_q_db", "Q THD", "dB"},
    Row{"sinad_i_db", "I SINAD", "dB"},
    Row{"sinad_q_db", "Q SINAD", "dB"},
    Row{"enob_i", "I effective bits", "bit"},
    Row{"enob_q", "Q effective bits", "bit"},
    Row{"noise_i_v_rthz", "I noise density", "V/rtHz"},
    Row{"noise_q_v_rthz", "Q noise density", "V/rtHz"},
};

std::unexpected<Error> refuse(const std::string& file, std::string message) {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = file;
  error.message = std::move(message);
  return fail(std::move(error));
}

Result<void> refuse_channels(const capture::Capture& capture, const AnalyseOptions& options) {
  const std::size_t channels = capture.channels.size();
  if (channels < 2) {
    return refuse(capture.file,
                  "expected two channels, I and Q, found one (" + capture.format + ")");
  }
  for (const std::size_t each : {options.i_channel, options.q_channel}) {
    if (each < 1 || each > channels) {
      return refuse(capture.file, "expected channels from 1 to " + std::to_string(channels) +
                                      ", asked for " + std::to_string(each));
    }
  }
  if (options.i_channel == options.q_channel) {
    return refuse(capture.file, "expected two different channels for I and Q");
  }
  return {};
}

// What the files' samples are allows or forbids.
reading::IqContext context_for(const AnalyseOptions& options, const capture::Capture& capture,
                               std::vector<std::string>& remarks) {
  reading::IqContext context = options.context;
  if (context.rf_hz > 0 && !(context.lo_hz > 0) && capture.centre_hz.value_or(0) > 0) {
    context.lo_hz = *capture.centre_hz;
    remarks.push_back("LO frequency taken from the capture's centre frequency, " +
                      format(context.lo_hz, Unit::hertz, 10));
  }
  if (!(context.rf_hz > 0) || !(context.lo_hz > 0)) {
    context.rf_hz = 0;
    context.lo_hz = 0;
    remarks.push_back(
        "RF or LO frequency not given: whether the tone is the wanted one was not checked");
  }
  const signal::Trace& trace = capture.channels[options.i_channel - 1];
  if (!context.full_scale_v && trace.limits) {
    context.full_scale_v = trace.volts_per_code * (trace.limits->highest - trace.limits->lowest);
  }
  if (!capture.volts) {
    context.level_dbm.reset();
    remarks.push_back(
        "the file does not say what full scale is in volts: amplitudes are parts of full scale "
        "(FS), and there is no conversion gain");
  }
  return context;
}

std::vector<Quantity> quantities_of(const reading::IqResult& result, bool volts) {
  std::vector<Quantity> out;
  for (const Row& row : rows) {
    const reading::Outcome* found = reading::find(result, row.name);
    if (found == nullptr) continue;
    Quantity quantity{row.name, row.title, row.unit, *found};
    if (!volts && quantity.unit.starts_with('V')) {
      quantity.unit.replace(0, 1, "FS");
      if (quantity.outcome) quantity.outcome->unit = quantity.unit;
    }
    out.push_back(std::move(quantity));
  }
  return out;
}

// Whether both captures show one frequency; a refusal when they do not.
Result<std::optional<reading::NoReading>> check_second(const AnalyseOptions& options,
                                                       const reading::IqResult& first,
                                                       AnalyseOutcome& outcome) {
  capture::ReadOptions reading = options.reading;
  reading.rate_hz = options.second_rate_hz;
  TRY_ASSIGN(const capture::Capture second, capture::read_capture(*options.second, reading));
  TRY(refuse_channels(second, options));
  const double rate1_hz = outcome.capture.rate_hz;
  const double rate2_hz = second.rate_hz;
  constexpr double least_apart = 0.01;
  if (std::fabs(rate2_hz / rate1_hz - 1) < least_apart) {
    return refuse(second.file,
                  "expected a sample rate that differs from the first capture's by at "
                  "least 1 %, found " +
                      format(rate2_hz, Unit::hertz) + " and " + format(rate1_hz, Unit::hertz));
  }
  const reading::IqResult other =
      reading::measure_iq(second.channels[options.i_channel - 1],
                          second.channels[options.q_channel - 1], outcome.context);
  if (!first.fit || !other.fit) {
    const auto& why = first.fit ? other.refused : first.refused;
    outcome.remarks.push_back(std::string("no proof against aliasing: the ") +
                              (first.fit ? "second" : "first") + " capture gives no reading" +
                              (why ? std::string(": ") + reading::name(why->reason) : ""));
    return std::optional<reading::NoReading>();
  }
  const double f1_hz = first.fit->frequency_hz;
  const double f2_hz = other.fit->frequency_hz;
  const double u_hz = std::hypot(first.fit->u_frequency_hz, other.fit->u_frequency_hz,
                                 f1_hz * outcome.context.u_time_base_rel);
  constexpr double rates_searched = 10;
  auto why = reading::refuse_aliased_pair(rate1_hz, f1_hz, rate2_hz, f2_hz, u_hz,
                                          rates_searched * std::max(rate1_hz, rate2_hz));
  if (!why) {
    outcome.remarks.push_back("not aliased: at " + format(rate1_hz, Unit::hertz) + " and at " +
                              format(rate2_hz, Unit::hertz) + " the tone shows at the same " +
                              format(f1_hz, Unit::hertz));
  }
  return why;
}

}  // namespace

const Quantity* AnalyseOutcome::find(std::string_view name) const {
  const auto found = std::find_if(quantities.begin(), quantities.end(),
                                  [&](const Quantity& each) { return each.name == name; });
  return found == quantities.end() ? nullptr : &*found;
}

Result<AnalyseOutcome> analyse(const AnalyseOptions& options) {
  AnalyseOutcome outcome;
  TRY_ASSIGN(outcome.capture, capture::read_capture(options.capture, options.reading));
  TRY(refuse_channels(outcome.capture, options));
  outcome.i_channel = options.i_channel;
  outcome.q_channel = options.q_channel;
  outcome.context = context_for(options, outcome.capture, outcome.remarks);
  reading::IqResult result = reading::measure_iq(outcome.i(), outcome.q(), outcome.context);
  outcome.quantities = quantities_of(result, outcome.capture.volts);
  outcome.findings = std::move(result.findings);
  outcome.refused = result.refused;
  outcome.fit = result.fit;
  if (options.second) {
    TRY_ASSIGN(const auto aliased, check_second(options, result, outcome));
    if (aliased) {
      // The offsets do not depend on where the tone is.
      for (Quantity& each : outcome.quantities) {
        if (!each.name.ends_with("_offset_v")) each.outcome = std::unexpected(*aliased);
      }
      outcome.findings.clear();
      outcome.refused = aliased;
    }
  }
  return outcome;
}

}  // namespace nightbench::analyse
