// One line of a recording: an operation on an instrument's link, or an answer of the person at the
// bench, with when it began, how long it took and how it ended. JSON Lines; the form is in
// docs/reference/schema/recording.schema.json. Bytes that are plain text stand as text, others in
// base64 (RFC 4648, section 4), always in full.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"

namespace nightbench::link {

enum class Operation : std::uint8_t { connect, write, read, clear, status, answer };
const char* word(Operation operation);  // "connect", ...

struct Entry {
  std::string who;  // the instrument's name in the bench file, or "person"
  Operation operation = Operation::write;
  Duration at{};    // since the recording began
  Duration took{};
  std::string bytes;        // written or received; of an answer: the id of the question
  bool end = false;         // read: the transport marked the end of the message
  int status = 0;           // status: the byte
  std::string resource;     // connect: where to
  bool marks_end = false;   // connect: whether the transport marks ends
  std::string answer, remark;  // answer
  std::optional<Error> error;  // how it failed
};

struct Heading {
  std::string bench, bench_kind, program_version;
  WallTime started;
};

// Lines without their newline.
std::string line_of(const Heading& heading);
std::string line_of(const Entry& entry);
// Strict; `name` stands for file and line in errors (bad_input).
Result<Heading> heading_from(std::string_view line, const std::string& name);
Result<Entry> entry_from(std::string_view line, const std::string& name);

}  // namespace nightbench::link
