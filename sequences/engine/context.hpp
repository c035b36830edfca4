// What the fits must know about the bench: the bench file's data-sheet limits as standard
// uncertainties, and a scope capture as traces. Pure.
#pragma once

#include "drivers/bench/bench_file.hpp"
#include "drivers/bench/match_file.hpp"
#include "drivers/instrument/capture.hpp"
#include "sequences/reading/iq.hpp"
#include "sequences/reading/meter.hpp"
#include "sequences/script/plan.hpp"
#include "sequences/signal/samples.hpp"

namespace nightbench::engine {

// What the bench file says of source, LO, scope and path, put into a context as standard
// uncertainties.
void use_accuracy(const bench::BenchFile& bench, reading::IqContext& context);

// Limits +-a of a data sheet become a / sqrt 3 (rectangular; GUM 4.3.7).
reading::IqContext iq_context(const bench::BenchFile& bench, const script::BoardType& type,
                              const script::Intent& intent, double full_scale_v);

// Puts the measured match of two ports in place of the data-sheet figure, where it reaches: the same
// two ports in either order, near the measured frequencies. What a day and another vertical range
// may have changed stays in u: 0.1 of the data-sheet figure on the measured range, 0.33 on another
// (common practice, no source). Gain and skew each stay as the data sheet has them where it knows
// better: a skew of a nanosecond is less than a phase at a low IF can tell. full_scale_v of the
// context must be set.
void use_match(const bench::MatchFile& match, const std::string& i_port, const std::string& q_port,
               const bench::Uncertainty& limits, reading::IqContext& context);

reading::MeterAccuracy meter_accuracy(const bench::BenchFile& bench, double range_v);

// A view of one channel; `capture` must outlive it.
signal::Trace trace_of(const instrument::ChannelCapture& capture);

}  // namespace nightbench::engine
