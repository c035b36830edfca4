// The frame around a report: one HTML file that asks for nothing, runs no script but hover.hpp's,
// and prints on A4 with the footer and the page number on each page. It is XML too.
#pragma once

#include <string>

namespace nightbench::report {

struct Document {
  std::string title;            // of the window
  std::string program_version;  // of the program that measured
  std::string footer;           // at the foot of each printed page
  std::string style;            // more rules than report_style() has
};
// From the first byte up to and with "<body>"; texts are escaped here.
std::string document_begin(const Document& document);
// From hover.hpp's script to the last byte.
std::string document_end();

}  // namespace nightbench::report
