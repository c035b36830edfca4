// Marks an operation of a link as pending for the length of a scope, and the two refusals that go
// with it.
#pragma once

#include "drivers/base/error.hpp"

namespace nightbench::link {

class Busy {
 public:
  explicit Busy(bool& flag) : flag_(flag) { flag_ = true; }
  ~Busy() { flag_ = false; }
  Busy(const Busy&) = delete;
  Busy& operator=(const Busy&) = delete;

 private:
  bool& flag_;
};

inline std::unexpected<Error> already_busy() {
  return fail(ErrorKind::internal, "an operation was started while another is pending");
}
inline std::unexpected<Error> not_connected() {
  return fail(ErrorKind::refused, "the link is not connected");
}
inline std::unexpected<Error> closed_while_connecting() {
  return fail(ErrorKind::cancelled, "the link was closed while connecting");
}

}  // namespace nightbench::link
