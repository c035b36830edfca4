// Values under the pointer: the one script of the reports. It needs nothing and asks for nothing;
// where scripts do not run, the pictures stand as they are, with the browser's own tool tips.
//
// It works on every picture with `Plot::values`: the pointer, a finger or the arrow keys choose a
// point, a ring marks it and a line under the picture says its place, value and U.
#pragma once

#include <string>

namespace nightbench::report {

// The script, as it stands between <script> and </script>; no '<' and no '&', so that it is XML
// too.
std::string hover_script();
// Its SHA-256 in base64, for the content security policy: no other script may run.
std::string hover_script_sha256();
// Rules for what the script adds.
std::string hover_style();

}  // namespace nightbench::report
