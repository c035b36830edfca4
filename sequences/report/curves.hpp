// The plots of a run: quantities over frequency with limits and uncertainty, and captures. Pure.
#pragma once

#include <string>
#include <vector>

#include "sequences/record/run.hpp"
#include "sequences/report/summary.hpp"
#include "sequences/report/svg_plot.hpp"

namespace nightbench::report {

// One plot per quantity that is drawn: conversion gain, gain balance, phase error, image rejection
// and IF error, then whatever else has limits, each where it was measured at two places or more.
// The x axis is the coordinate that takes the most values (RF frequency on a tie); every
// combination of the others is a series.
// With a baseline its readings of the same steps and quantities are drawn as series of their own.
std::vector<Plot> response_curves(const record::Run& run, const Summary& summary,
                                  const record::Run* baseline = nullptr);

// Volts of I and Q over time, and I against Q on equal scales. At most `most_samples` are drawn.
Plot time_trace(const record::TraceExcerpt& excerpt, const std::string& id,
                std::size_t most_samples = 4000);
Plot i_against_q(const record::TraceExcerpt& excerpt, const std::string& id,
                 std::size_t most_samples = 4000);

}  // namespace nightbench::report
