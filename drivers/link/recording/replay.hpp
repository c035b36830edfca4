// Serving a recording again: links that answer what the instruments answered, when they did.
//
// An operation ends at the instant at which it ended then, so that a program that works as it did
// takes the same decisions; on a VirtualClock that starts with the recording a night takes
// seconds. The first operation that is not the recorded one ends the replay: it and every later one
// fail with bad_input: the recording does not fit, and the error says what was expected and what came.
#pragma once

#include <deque>
#include <filesystem>
#include <fstream>
#include <map>
#include <memory>
#include <optional>
#include <string>

#include "drivers/link/link.hpp"
#include "drivers/link/recording/entry.hpp"

namespace nightbench::link {

class Recording {
 public:
  // Reads the head. Errors: bad_input, storage.
  static Result<std::shared_ptr<Recording>> open(const std::filesystem::path& file);

  const Heading& heading() const { return heading_; }
  // The next line of an instrument or of the person, which stays next; nothing at the end. Reads on
  // in the file as far as needed. Errors: bad_input with file and line.
  Result<const Entry*> peek(const std::string& who);
  // The next line, which must be this operation with these bytes (write, answer). A difference is
  // bad_input, and stays.
  Result<Entry> take(const std::string& who, Operation operation, std::string_view bytes);
  // The first difference, if there was one.
  const std::optional<Error>& divergence() const { return divergence_; }

 private:
  explicit Recording(const std::filesystem::path& file);
  Result<bool> read_on();  // false at the end
  std::unexpected<Error> diverge(const std::string& who, std::string message);

  std::string file_;
  std::ifstream stream_;
  std::size_t line_ = 0;
  bool cut_short_ = false;
  Heading heading_;
  std::map<std::string, std::deque<Entry>> waiting_;
  std::optional<Error> divergence_;
};

// The link of an instrument. `clock` must read zero when the recording began.
std::unique_ptr<Link> replayed(std::string who, std::shared_ptr<Recording> recording, Clock& clock);

}  // namespace nightbench::link
