#include "sequences/record/run.hpp"

#include <cmath>

namespace nightbench::record {

const char* word(Decision decision) {
  switch (decision) {
    case Decision::none: return "not judged";
    case Decision::pass: return "pass";
    case Decision::conditional_pass: return "conditional pass";
    case Decision::conditional_fail: return "conditional fail";
    case Decision::fail: return "fail";
    case Decision::no_reading: return "no reading";
  }
  return "not judged";
}

int harmonic_of(const Point& point) {
  const auto found = point.at.find("harmonic");
  return found == point.at.end() ? 1 : static_cast<int>(std::lround(found->second));
}

const char* word(Severity severity) {
  switch (severity) {
    case Severity::info: return "info";
    case Severity::warning: return "warning";
    case Severity::trouble: return "trouble";
  }
  return "info";
}

const char* word(Outcome outcome) {
  switch (outcome) {
    case Outcome::unfinished: return "unfinished";
    case Outcome::complete: return "complete";
    case Outcome::interrupted: return "interrupted";
    case Outcome::bench_failed: return "bench failed";
    case Outcome::unsafe: return "stopped for safety";
  }
  return "unfinished";
}

const char* word(Verdict verdict) {
  switch (verdict) {
    case Verdict::pass: return "pass";
    case Verdict::conditional: return "conditional";
    case Verdict::fail: return "fail";
    case Verdict::none: return "no verdict";
  }
  return "no verdict";
}

Verdict verdict(const Run& run) {
  bool judged = false;
  bool conditional = false;
  bool missing = run.outcome != Outcome::complete;
  for (const Point& point : run.points) {
    for (const Reading& reading : point.readings) {
      switch (reading.decision) {
        case Decision::none: break;
        case Decision::pass: judged = true; break;
        case Decision::conditional_pass:
          judged = true;
          conditional = true;
          break;
        case Decision::conditional_fail:
        case Decision::fail: return Verdict::fail;
        case Decision::no_reading:
          missing = missing || reading.limit.lower || reading.limit.upper;
          break;
      }
    }
  }
  if (missing || !judged) return Verdict::none;
  return conditional ? Verdict::conditional : Verdict::pass;
}

}  // namespace nightbench::record
