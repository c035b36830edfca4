// Starting the guardian's program: a process of its own session, so that neither Ctrl-C nor a
// terminal that closes reaches it, with nothing of ours open but one end of a socket pair.
#pragma once

#include <filesystem>

#include "drivers/base/error.hpp"

namespace nightbench::guardian {

// $NIGHTBENCH_GUARDIAN, else nightbench-guardian beside the running program.
std::filesystem::path guardian_program();

struct Child {
  int pid = -1;
  int socket = -1;  // our end; the caller closes it
};

// Starts it with the other end as its standard input. Errors: refused, with errno.
Result<Child> spawn(const std::filesystem::path& program);

// Takes note of children that have ended. Called by spawn() too, so that at most one stays behind.
void reap_ended();

}  // namespace nightbench::guardian
