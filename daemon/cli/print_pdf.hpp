// A report on paper: Chromium, where there is one, prints an HTML file into a PDF file, with the
// page breaks and page numbers of the file's own style and nothing of the browser's.
#pragma once

#include <filesystem>

#include "drivers/base/error.hpp"

namespace nightbench::cli {

// $NIGHTBENCH_CHROMIUM, else "chromium" or "chromium-browser" in $PATH. bad_input with what to do
// when there is none.
Result<std::filesystem::path> find_chromium();

// Prints `html` with `chromium`; takes a second or two, at most a minute. `pdf` is replaced when
// all went well. The browser gets a profile of its own that is thrown away, and no network. Errors:
// storage, timeout, or bad_input with the last line that the browser said.
Result<void> print_pdf(const std::filesystem::path& chromium, const std::filesystem::path& html,
                       const std::filesystem::path& pdf);

}  // namespace nightbench::cli
