// What the fits must know about the bench: the bench file's data-sheet limits as standard
// uncertainties, and a scope capture as traces. Pure.
#pragma once

#include "drivers/bench/bench_file.hpp"
#include "drivers/instrument/capture.hpp"
#include "sequences/reading/iq.hpp"
#include "sequences/reading/meter.hpp"
#include "sequences/script/plan.hpp"
#include "sequences/signal/samples.hpp"

namespace nightbench::engine {

// Limits +-a of a data sheet become a / sqrt 3 (rectangular; GUM 4.3.7).
reading::IqContext iq_context(const bench::BenchFile& bench, const script::BoardType& type,
                              const script::Intent& intent, double full_scale_v);

reading::MeterAccuracy meter_accuracy(const bench::BenchFile& bench, double range_v);

// A view of one channel; `capture` must outlive it.
signal::Trace trace_of(const instrument::ChannelCapture& capture);

}  // namespace nightbench::engine
