// The guardian's program: started by nightbench and nightbenchd, never by hand.
#include <signal.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <cstdio>
#include <exception>
#include <string_view>

#include "daemon/guardian/guardian.hpp"

namespace {

namespace asio = boost::asio;
using namespace nightbench;

// Only as long as it is our parent can its number not be another's.
void end_parent(int parent) {
  if (getppid() == parent) kill(parent, SIGKILL);
}

int watch() {
  for (const int each : {SIGINT, SIGTERM, SIGHUP, SIGPIPE}) signal(each, SIG_IGN);
  asio::io_context io(1);
  RealClock clock(io);
  asio::local::stream_protocol::socket socket(io, asio::local::stream_protocol(), STDIN_FILENO);
  guardian::Vigil vigil(clock, socket);
  guardian::Surroundings around{clock, bench::real_links(clock), end_parent,
                                [](const std::string& text) {
                                  std::fprintf(stderr, "nightbench-guardian: %s\n", text.c_str());
                                }};
  int code = static_cast<int>(guardian::Duty::still_on);
  asio::co_spawn(io, guardian::stand_guard(vigil, std::move(around)),
                 [&](const std::exception_ptr& thrown, guardian::Duty duty) {
                   if (thrown) std::rethrow_exception(thrown);
                   code = static_cast<int>(duty);
                   io.stop();
                 });
  io.run();
  return code;
}

}  // namespace

int main(int count, char** words) {
  const std::string_view word = count > 1 ? words[1] : "";
  if (word == "--version") {
    std::printf("%s\n", NIGHTBENCH_VERSION);
    return 0;
  }
  struct stat facts{};
  if (count > 1 || fstat(STDIN_FILENO, &facts) != 0 || !S_ISSOCK(facts.st_mode)) {
    std::fprintf(word == "--help" ? stdout : stderr,
                 "nightbench-guardian: started by nightbench and nightbenchd, not by hand; it "
                 "switches RF, LO and supply off when they die, hang or leave without goodbye.\n");
    return word == "--help" ? 0 : 2;
  }
  try {
    return watch();
  } catch (const std::exception& bug) {
    std::fprintf(stderr, "nightbench-guardian: a bug in the program, please report it: %s\n",
                 bug.what());
    return 3;
  }
}
