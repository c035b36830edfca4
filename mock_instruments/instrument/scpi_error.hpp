// The SCPI-1999 error numbers and their texts (volume 2, 21.8.9 to 21.8.12).
//
// Pure, any thread.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

namespace nightbench::mock::instrument {

struct ScpiError {
  int number = 0;
  std::string detail;  // device-dependent part, behind ';' in the queue; often empty
};

// "Undefined header" for -113; the text of the class for an unlisted number ("Command error" for
// -1xx); "No error" for 0.
std::string_view error_text(int number);

// The standard event register bit that an error sets (SCPI-1999 volume 2, 21.8.2): 0x20 for -1xx,
// 0x10 for -2xx, 0x08 for -3xx and positive numbers, 0x04 for -4xx, 0x80 for -5xx, 0x40 for -6xx,
// 0x02 for -7xx, 0x01 for -8xx; 0 for 0.
std::uint8_t event_bit(int number);

}  // namespace nightbench::mock::instrument
