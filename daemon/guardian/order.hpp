// What the guardian is told when it starts, and the words that it and the program it watches say to
// each other: lines of text over a socket pair, the guardian's end being its standard input.
//
//   program  -> guardian   order {...}   once, first
//   guardian -> program    ready         it has reached every output and switched it off
//                          refused {...} it has not, and why; then it ends
//   program  -> guardian   arm           outputs may go on from now on
//   guardian -> program    armed
//   program  -> guardian   beat          a sign of life, at least four in a watchdog span
//                          rest          outputs are off: silence is no matter until the next arm
//                          goodbye       outputs are off, and it is no longer needed
//
// The end of the connection without "goodbye", and silence beyond the watchdog while armed, make
// the guardian switch off.
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <string_view>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"

namespace nightbench::guardian {

struct Order {
  std::filesystem::path bench_file;
  std::filesystem::path dialects;                // folder of the dialect files
  std::map<std::string, std::string> resources;  // by instrument, where the file names none
  Duration watchdog = std::chrono::seconds(10);  // silence allowed while armed
  Duration patience = std::chrono::minutes(10);  // how long it goes on trying to switch off
  std::filesystem::path log;                     // "" for none
  int parent = 0;                                // process id of who starts it
};

// One line without its end.
std::string order_line(const Order& order);
// Of what follows "order ". Errors: bad_input.
Result<Order> read_order(std::string_view text);

std::string refusal_line(const Error& error);
// Of what follows "refused "; an internal error when it is none.
Error read_refusal(std::string_view text);

}  // namespace nightbench::guardian
