// Escaping for HTML, SVG and XML, and nothing else.
#pragma once

#include <string>
#include <string_view>

namespace nightbench::report {

// `text` as the content of an element or of a quoted attribute: record::printable, then & < > " '
// as references. Safe in HTML, SVG and XML 1.0.
std::string escaped(std::string_view text);

// The same for running text, with a no-break space between a number and the word after it, so that
// a value keeps its unit.
std::string escaped_prose(std::string_view text);

// ` name="value"` with the value escaped.
std::string attribute(std::string_view name, std::string_view value);

// `text` as a CSS string with its quotes, safe inside <style>: everything but letters, digits,
// blank and "-_.:" as a hexadecimal escape.
std::string css_string(std::string_view text);

// The opening tag of a region that scrolls sideways on a narrow screen; by keyboard too, which is
// why it takes the focus and has a name. Close it with "</div>".
std::string scrolling(const std::string& name);

}  // namespace nightbench::report
