// How the steps of a script unroll: how many times, and the bench state they leave. Inner part of this
// folder, shared by the plan and its check. Pure.
#pragma once

#include <cstdint>
#include <vector>

#include "sequences/script/plan.hpp"

namespace nightbench::script {

// Counts stop at the largest number instead of wrapping round: nested loops of a few lines can ask
// for more than 2^64 points. check() refuses such a plan.
std::uint64_t product(std::uint64_t a, std::uint64_t b);
std::uint64_t sum(std::uint64_t a, std::uint64_t b);

std::uint64_t combinations(const SweepStep& sweep);

// Sets the axes of the n-th combination, outermost range slowest.
void choose(const SweepStep& sweep, std::uint64_t n, Intent& intent);

void apply(const PowerStep& power, const BoardType& type, Intent& intent);
void apply(const DriveStep& drive, Intent& intent);

// The RF moved beside `harmonic` times the LO, as far from it as it is from the LO now; the LO stays.
Intent beside_harmonic(const Intent& intent, int harmonic);

// The state after the whole step. Every step only sets things, so the last round of a loop decides.
void leave(const Step& step, const BoardType& type, Intent& intent);
void leave(const std::vector<Step>& steps, const BoardType& type, Intent& intent);

}  // namespace nightbench::script
