// The standard error numbers (SCPI-1999 volume 2, 21.8.9 to 21.8.15).
#pragma once

namespace nightbench::scpi {

// "Undefined header" for -113; "" for a number the standard does not name.
const char* error_text(int number);
// The class of a number: "command error", "execution error", "device error", "query error",
// "event".
const char* error_class(int number);

}  // namespace nightbench::scpi
