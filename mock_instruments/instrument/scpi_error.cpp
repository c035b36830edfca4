#include "mock_instruments/instrument/scpi_error.hpp"

#include <array>

namespace nightbench::mock::instrument {
namespace {

struct Row {
  int number;
  std::string_view text;
};

constexpr std::array kRows{
    Row{0, "No error"},
    Row{-100, "Command error"},
    Row{-101, "Invalid character"},
    Row{-102, "Syntax error"},
    Row{-103, "Invalid separator"},
    Row{-104, "Data type error"},
    Row{-105, "GET not allowed"},
    Row{-108, "Parameter not allowed"},
    Row{-109, "Missing parameter"},
    Row{-110, "Command header error"},
    Row{-111, "Header separator error"},
    Row{-112, "Program mnemonic too long"},
    Row{-113, "Undefined header"},
    Row{-114, "Header suffix out of range"},
    Row{-115, "Unexpected number of parameters"},
    Row{-120, "Numeric data error"},
    Row{-121, "Invalid character in number"},
    Row{-123, "Exponent too large"},
    Row{-124, "Too many digits"},
    Row{-128, "Numeric data not allowed"},
    Row{-130, "Suffix error"},
    Row{-131, "Invalid suffix"},
    Row{-134, "Suffix too long"},
    Row{-138, "Suffix not allowed"},
    Row{-140, "Character data error"},
    Row{-141, "Invalid character data"},
    Row{-144, "Character data too long"},
    Row{-148, "Character data not allowed"},
    Row{-150, "String data error"},
    Row{-151, "Invalid string data"},
    Row{-158, "String data not allowed"},
    Row{-160, "Block data error"},
    Row{-161, "Invalid block data"},
    Row{-168, "Block data not allowed"},
    Row{-170, "Expression error"},
    Row{-171, "Invalid expression"},
    Row{-178, "Expression data not allowed"},
    Row{-200, "Execution error"},
    Row{-201, "Invalid while in local"},
    Row{-203, "Command protected"},
    Row{-210, "Trigger error"},
    Row{-211, "Trigger ignored"},
    Row{-212, "Arm ignored"},
    Row{-213, "Init ignored"},
    Row{-214, "Trigger deadlock"},
    Row{-220, "Parameter error"},
    Row{-221, "Settings conflict"},
    Row{-222, "Data out of range"},
    Row{-223, "Too much data"},
    Row{-224, "Illegal parameter value"},
    Row{-225, "Out of memory"},
    Row{-226, "Lists not same length"},
    Row{-230, "Data corrupt or stale"},
    Row{-231, "Data questionable"},
    Row{-240, "Hardware error"},
    Row{-241, "Hardware missing"},
    Row{-256, "File name not found"},
    Row{-300, "Device-specific error"},
    Row{-310, "System error"},
    Row{-311, "Memory error"},
    Row{-313, "Calibration memory lost"},
    Row{-315, "Configuration memory lost"},
    Row{-330, "Self-test failed"},
    Row{-340, "Calibration failed"},
    Row{-350, "Queue overflow"},
    Row{-360, "Communication error"},
    Row{-363, "Input buffer overrun"},
    Row{-365, "Time out error"},
    Row{-400, "Query error"},
    Row{-410, "Query INTERRUPTED"},
    Row{-420, "Query UNTERMINATED"},
    Row{-430, "Query DEADLOCKED"},
    Row{-440, "Query UNTERMINATED after indefinite response"},
    Row{-500, "Power on"},
    Row{-600, "User request"},
    Row{-700, "Request control"},
    Row{-800, "Operation complete"},
};

}  // namespace

std::string_view error_text(int number) {
  int general = 0;
  for (const int wanted : {number, number / 100 * 100}) {
    for (const Row& row : kRows) {
      if (row.number == wanted && (wanted != 0 || number == 0)) return row.text;
    }
    general = wanted;
  }
  return general < 0 ? "Device-specific error" : "Device error";
}

std::uint8_t event_bit(int number) {
  if (number == 0) return 0;
  if (number > 0) return 0x08;
  switch (-number / 100) {
    case 1:
      return 0x20;
    case 2:
      return 0x10;
    case 3:
      return 0x08;
    case 4:
      return 0x04;
    case 5:
      return 0x80;
    case 6:
      return 0x40;
    case 7:
      return 0x02;
    case 8:
      return 0x01;
    default:
      return 0x08;
  }
}

}  // namespace nightbench::mock::instrument
