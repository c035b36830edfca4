// JUnit XML of one or several runs, in the form CI servers read (Ant JUnit.xsd of windyroad; what
// Jenkins and GitLab add is in the notes at each element).
//
// One <testsuite> a run, one <testcase> per limited quantity of a step: classname is
// "<script>.<board type>", name is "<step label>: <quantity title> (<limit name>)"; neither holds a
// measured value, time or serial number, so they are the same from run to run.
//   limit violated                        -> failure, type = the decision
//   no reading                            -> error, type = the reason (the test could not be run)
//   planned but not measured (run cut)    -> one case "all planned points measured": error
//   conditional pass                      -> passes; told in system-out
//   quantity with nothing to judge        -> no case
// A run in which nothing is judged has one skipped case. Text is XML-safe (record::printable).
// Counts agree with the cases. Times are decimal seconds with a point.
#pragma once

#include <string>
#include <vector>

#include "sequences/record/run.hpp"

namespace nightbench::report {

std::string junit_xml(const std::vector<record::Run>& runs);

}  // namespace nightbench::report
