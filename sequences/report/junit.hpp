// JUnit XML of one or several runs, in the form CI servers read (Ant JUnit.xsd of windyroad; what
// Jenkins and GitLab add is in the notes at each element).
//
// One <testsuite> a run, one <testcase> per limited quantity of a step label. classname is
// "<script>.<board type>", name is "<label>: <quantity title> (<limit name>)", the limit
// left out where it has the name of the quantity; neither holds a
// measured value or a time, so they are the same from run to run. A file over several boards adds
// ".<board>" to the classname, and ".2", ".3" for a board that comes again, since readers drop
// cases of equal names. GitLab shows the classname as the suite.
//   limit violated              -> failure, type = the decision
//   no reading                  -> error, type = the reason (the test could not be run)
//   conditional pass            -> passes; told in system-out
//   quantity without a limit    -> no case
//   always one case "all planned points measured": error when the run was cut short
// A run in which nothing is judged has one skipped case. Text is XML-safe (record::printable).
// Counts agree with the cases. Times are decimal seconds with a point. The exit code of a job is
// the command line's business: CI servers do not take it from this file.
#pragma once

#include <string>
#include <vector>

#include "sequences/record/run.hpp"

namespace nightbench::report {

std::string junit_xml(const std::vector<record::Run>& runs);

}  // namespace nightbench::report
