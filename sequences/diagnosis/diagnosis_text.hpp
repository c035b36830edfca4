// A diagnosis as text for the terminal: no colour, no control characters, lines of at most `width`
// columns, ends in a newline. Pure.
#pragma once

#include <string>

#include "sequences/diagnosis/diagnose.hpp"

namespace nightbench::diagnosis {

std::string text_of(const Diagnosis& diagnosis, const record::Run& run, std::size_t width = 80);

}  // namespace nightbench::diagnosis
