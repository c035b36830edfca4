#include "sequences/report/document.hpp"

#include "sequences/report/hover.hpp"
#include "sequences/report/markup.hpp"
#include "sequences/report/report_parts.hpp"

namespace nightbench::report {

std::string document_begin(const Document& document) {
  std::string out = "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n";
  out +=
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; "
      "style-src 'unsafe-inline'; img-src data:; script-src 'sha256-" +
      hover_script_sha256() + "'; base-uri 'none'; form-action 'none'\"/>\n";
  out += "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n";
  out += "<meta name=\"generator\"" +
         attribute("content", "Nightbench " + document.program_version) + "/>\n";
  out += "<title>" + escaped(document.title) + "</title>\n<style>" + report_style(document.footer) +
         hover_style() + document.style + "</style>\n</head>\n<body>\n";
  return out;
}

std::string document_end() {
  return "<script>" + hover_script() + "</script>\n</body>\n</html>\n";
}

}  // namespace nightbench::report
