#include "drivers/link/serial.hpp"

#include <sys/file.h>
#include <termios.h>

#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <boost/asio/serial_port.hpp>
#include <cerrno>
#include <charconv>
#include <cstring>
#include <utility>
#include <vector>

#include "drivers/link/descriptor_stream.hpp"
#include "drivers/link/stream_link.hpp"

namespace nightbench::link {
namespace asio = boost::asio;

namespace {

std::unexpected<Error> wrong_settings(std::string_view text, const std::string& expected) {
  return fail(ErrorKind::bad_input,
              "serial settings '" + excerpt(text) + "': expected " + expected);
}

std::vector<std::string> words(std::string_view text) {
  std::vector<std::string> out(1);
  for (const char c : text) {
    if (c == ' ' || c == '\t') {
      if (!out.back().empty()) out.emplace_back();
    } else {
      out.back() += c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    }
  }
  if (out.back().empty()) out.pop_back();
  return out;
}

// "8n1".
bool read_framing(const std::string& word, SerialSettings& out) {
  if (word.size() != 3 || word[0] < '5' || word[0] > '8' || word[2] < '1' || word[2] > '2') {
    return false;
  }
  switch (word[1]) {
    case 'n':
      out.parity = Parity::none;
      break;
    case 'e':
      out.parity = Parity::even;
      break;
    case 'o':
      out.parity = Parity::odd;
      break;
    default:
      return false;
  }
  out.data_bits = word[0] - '0';
  out.stop_bits = word[2] - '0';
  return true;
}

bool read_option(const std::string& word, SerialSettings& out) {
  if (word == "rtscts")
    out.flow = FlowControl::hardware;
  else if (word == "xonxoff")
    out.flow = FlowControl::software;
  else if (word == "nl")
    out.line_end = LineEnd::nl;
  else if (word == "cr")
    out.line_end = LineEnd::cr;
  else if (word == "crnl")
    out.line_end = LineEnd::cr_nl;
  else
    return read_framing(word, out);
  return true;
}

// Sets and says what was refused.
Result<void> set_up(asio::serial_port& port, const SerialSettings& settings,
                    const std::string& path) {
  using Port = asio::serial_port_base;
  static constexpr Port::parity::type parities[] = {Port::parity::none, Port::parity::even,
                                                    Port::parity::odd};
  static constexpr Port::flow_control::type flows[] = {
      Port::flow_control::none, Port::flow_control::hardware, Port::flow_control::software};
  const Port::stop_bits::type stop =
      settings.stop_bits == 2 ? Port::stop_bits::two : Port::stop_bits::one;
  boost::system::error_code failed;
  const auto set = [&](const auto& option) {
    if (!failed) port.set_option(option, failed);
  };
  set(Port::baud_rate(settings.baud));
  set(Port::character_size(static_cast<unsigned>(settings.data_bits)));
  set(Port::parity(parities[static_cast<std::size_t>(settings.parity)]));
  set(Port::stop_bits(stop));
  set(Port::flow_control(flows[static_cast<std::size_t>(settings.flow)]));
  if (!failed) return {};
  return fail(ErrorKind::bad_input, "the port " + path + " does not do '" + describe(settings) +
                                        "': " + failed.message());
}

// Turns line ends into what the device wants and back.
class LineEndStream final : public Stream {
 public:
  LineEndStream(std::unique_ptr<Stream> port, LineEnd line_end)
      : port_(std::move(port)), line_end_(line_end) {}

  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    Result<std::string> bytes = co_await port_->read_some(most, deadline);
    if (bytes && line_end_ == LineEnd::cr) std::replace(bytes->begin(), bytes->end(), '\r', '\n');
    co_return bytes;
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) override {
    std::string out(bytes);
    if (out.ends_with('\n')) {
      out.pop_back();
      if (out.ends_with('\r')) out.pop_back();  // the layer above has its own idea of a line end
      out += line_end_ == LineEnd::cr ? "\r" : "\r\n";
    }
    co_return co_await port_->write_all(out, deadline);
  }
  void close() override { port_->close(); }
  bool is_open() const override { return port_->is_open(); }

 private:
  std::unique_ptr<Stream> port_;
  LineEnd line_end_;
};

Result<std::unique_ptr<Stream>> open_port(const std::string& path, const SerialSettings& settings,
                                          Clock& clock) {
  asio::serial_port port(clock.context());
  boost::system::error_code failed;
  port.open(path, failed);
  if (failed) {
    Error error;
    error.kind = ErrorKind::refused;
    error.number = failed.value();
    error.message = "cannot open the serial port " + path + ": " + failed.message();
    if (failed.value() == EACCES) error.message += " (is this user in the port's group?)";
    return fail(std::move(error));
  }
  if (::flock(port.native_handle(), LOCK_EX | LOCK_NB) != 0) {
    Error error;
    error.kind = ErrorKind::refused;
    error.number = errno;
    error.message = "the serial port " + path + " is in use by another program";
    return fail(std::move(error));
  }
  TRY(set_up(port, settings, path));
  ::tcflush(port.native_handle(), TCIOFLUSH);
  std::unique_ptr<Stream> stream = descriptor_stream(std::move(port), clock);
  if (settings.line_end == LineEnd::nl) return stream;
  return std::make_unique<LineEndStream>(std::move(stream), settings.line_end);
}

}  // namespace

Result<SerialSettings> parse_serial_settings(std::string_view text) {
  const std::vector<std::string> parts = words(text);
  SerialSettings out;
  if (parts.empty()) return wrong_settings(text, "a speed, such as \"9600 8N1\"");
  const std::string& speed = parts.front();
  const auto [end, bad] = std::from_chars(speed.data(), speed.data() + speed.size(), out.baud);
  if (bad != std::errc() || end != speed.data() + speed.size() || out.baud < 50 ||
      out.baud > 4'000'000) {
    return wrong_settings(text, "a speed from 50 to 4000000 baud first, such as \"9600 8N1\"");
  }
  for (std::size_t i = 1; i < parts.size(); ++i) {
    if (!read_option(parts[i], out)) {
      return wrong_settings(text,
                            "a framing (8N1, 7E1 ...), rtscts, xonxoff, nl, cr or crnl; found '" +
                                excerpt(parts[i]) + "'");
    }
  }
  return out;
}

std::string describe(const SerialSettings& settings) {
  static constexpr const char* flows[] = {"", " rtscts", " xonxoff"};
  static constexpr const char* ends[] = {"", " cr", " crnl"};
  std::string out = std::to_string(settings.baud) + " " + std::to_string(settings.data_bits);
  out += "NEO"[static_cast<std::size_t>(settings.parity)];
  out += std::to_string(settings.stop_bits);
  out += flows[static_cast<std::size_t>(settings.flow)];
  return out + ends[static_cast<std::size_t>(settings.line_end)];
}

std::string device_path(const SerialResource& resource) {
  if (!resource.path.empty()) return resource.path;
  return "/dev/ttyS" + std::to_string(std::max(resource.board - 1, 0));
}

std::unique_ptr<Link> serial_link(SerialResource resource, SerialSettings settings, Clock& clock) {
  const std::string path = device_path(resource);
  const std::string name = normalised(Resource(std::move(resource)));
  Clock* const its_clock = &clock;
  auto make = [path, settings, its_clock] { return open_port(path, settings, *its_clock); };
  return std::make_unique<StreamLink>(name, connector(std::move(make)));
}

}  // namespace nightbench::link
