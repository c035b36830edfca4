// Writing a recording: every operation of every link, as it ends.
//
// The recorder must never stand in the way of the bench: a disk that fails ends the recording, not
// the operation, and failure() says so afterwards. One recorder serves all links of a bench, on the
// clock's thread.
#pragma once

#include <cstdio>
#include <filesystem>
#include <memory>
#include <optional>

#include "drivers/link/link.hpp"
#include "drivers/link/recording/entry.hpp"

namespace nightbench::link {

class Recorder {
 public:
  // Makes the file; its times start now. Errors: storage; bad_input when there is such a file
  // already: a recording is never written over.
  static Result<std::shared_ptr<Recorder>> create(const std::filesystem::path& file,
                                                  Heading heading, Clock& clock);
  Recorder(const Recorder&) = delete;
  Recorder& operator=(const Recorder&) = delete;
  ~Recorder();

  // `began` by the recorder's clock; it ends now. The entry's own times are filled in.
  void note(Entry entry, TimePoint began);
  // Why the recording is not whole; nothing while it is. The disk may report late: ask at the end.
  std::optional<Error> failure();

 private:
  Recorder(std::filesystem::path file, std::FILE* stream, Clock& clock);
  void put(const std::string& line);

  std::filesystem::path file_;
  std::FILE* stream_;
  Clock& clock_;
  TimePoint start_;
  std::optional<Error> failure_;
};

// A link that does what `inner` does and notes it.
std::unique_ptr<Link> recorded(std::unique_ptr<Link> inner, std::string who,
                               std::shared_ptr<Recorder> recorder, Clock& clock);

}  // namespace nightbench::link
