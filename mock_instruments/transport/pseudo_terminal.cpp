#include "mock_instruments/transport/pseudo_terminal.hpp"

#include <fcntl.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <cerrno>
#include <system_error>
#include <utility>

#include "drivers/link/descriptor_stream.hpp"

namespace nightbench::mock::transport {
namespace {

std::unexpected<Error> refused() {
  Error error;
  error.kind = ErrorKind::refused;
  error.number = errno;
  error.message = "no pseudo-terminal: " + std::generic_category().message(errno);
  return fail(std::move(error));
}

// Keeps the client's end open as well, so that the stream does not end with the client.
class KeptOpen final : public link::Stream {
 public:
  KeptOpen(std::unique_ptr<link::Stream> stream, int client_end)
      : stream_(std::move(stream)), client_end_(client_end) {}
  ~KeptOpen() override { close(); }
  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    return stream_->read_some(most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) override {
    return stream_->write_all(bytes, deadline);
  }
  void close() override {
    stream_->close();
    if (client_end_ >= 0) ::close(std::exchange(client_end_, -1));
  }
  bool is_open() const override { return stream_->is_open(); }

 private:
  std::unique_ptr<link::Stream> stream_;
  int client_end_;
};

}  // namespace

Result<PseudoTerminal> open_pseudo_terminal(Clock& clock, AfterClose after) {
  const int master = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
  if (master < 0) return refused();
  boost::asio::posix::stream_descriptor descriptor(clock.context(), master);
  char name[128] = {};
  if (::grantpt(master) != 0 || ::unlockpt(master) != 0 ||
      ::ptsname_r(master, name, sizeof name) != 0) {
    return refused();
  }
  // Raw from the start: what is written before a client opens must not be echoed.
  const int client_end = ::open(name, O_RDWR | O_NOCTTY | O_CLOEXEC);
  if (client_end < 0) return refused();
  termios settings{};
  const bool set = ::tcgetattr(client_end, &settings) == 0;
  if (set) ::cfmakeraw(&settings);
  if (!set || ::tcsetattr(client_end, TCSANOW, &settings) != 0) {
    const auto failure = refused();
    ::close(client_end);
    return failure;
  }
  PseudoTerminal out;
  out.path = name;
  out.stream = link::descriptor_stream(std::move(descriptor), clock);
  if (after == AfterClose::stays) {
    out.stream = std::make_unique<KeptOpen>(std::move(out.stream), client_end);
  } else {
    // Closed once a client can have opened it: until then the stream would end at once.
    out.stream = std::make_unique<KeptOpen>(std::move(out.stream), -1);
    ::close(client_end);
  }
  return out;
}

}  // namespace nightbench::mock::transport
