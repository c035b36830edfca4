// Writing result files so that a reader sees the old file or the new one, never half of one.
//
// The text goes to a temporary file in the same folder, is flushed to the disk (fsync), takes the
// place of the old file (rename) and the folder is flushed. After an error the old file, if any, is
// as it was and the temporary file is gone. Errors: storage with the file and errno (disk full says
// so). Not for use on one path from two threads at once.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/error.hpp"
#include "sequences/record/run.hpp"
#include "sequences/report/response_report.hpp"

namespace nightbench::report {

// Creates missing folders above `path`.
Result<void> write_file(const std::filesystem::path& path, std::string_view text);

// `text` made fit for a file name on any system: letters, digits, '.', '-', '_'; other bytes become
// '_'; never empty, never "." or "..", no leading '.', at most 120 bytes.
std::string file_name(std::string_view text);

struct Written {
  std::filesystem::path results;  // <board>-<run id>.results.json
  std::filesystem::path report;   // <board>-<run id>.report.html
  std::filesystem::path csv;      // <board>-<run id>.readings.csv
  std::filesystem::path junit;    // <board>-<run id>.junit.xml
  std::filesystem::path correction;      // <board>-<run id>.correction.json
  std::filesystem::path correction_csv;  // <board>-<run id>.correction.csv
};
// Writes all six files of a run into `folder`. Files written before a failure stay.
Result<Written> write_run_files(const std::filesystem::path& folder, const record::Run& run,
                                const ReportOptions& options = {});

}  // namespace nightbench::report
