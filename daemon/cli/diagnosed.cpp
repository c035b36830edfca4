#include "daemon/cli/diagnosed.hpp"

#include <cstdio>

#include "daemon/cli/places.hpp"
#include "sequences/diagnosis/diagnose.hpp"
#include "sequences/report/diagnosis_part.hpp"

namespace nightbench::cli {
namespace {

Result<diagnosis::Diagnosis> look(const record::Run& run) {
  TRY_ASSIGN(const std::filesystem::path file, find_fault_book(kUsualFaultBook));
  TRY_ASSIGN(const diagnosis::FaultBook book, diagnosis::read_fault_book(file));
  return diagnosis::diagnose(run, book);
}

}  // namespace

report::ReportOptions diagnosed(const record::Run& run) {
  report::ReportOptions out;
  if (record::verdict(run) == record::Verdict::pass && run.outcome == record::Outcome::complete) {
    return out;
  }
  if (run.header.board_type_text.empty()) return out;
  const Result<diagnosis::Diagnosis> found = look(run);
  if (found) report::add_diagnosis(*found, out);
  else std::fprintf(stderr, "nightbench: no diagnosis in the report: %s\n", describe(found.error()).c_str());
  return out;
}

}  // namespace nightbench::cli
