#include "mock_instruments/transport/usbip_server.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <map>
#include <utility>

#include "drivers/link/wake.hpp"
#include "mock_instruments/transport/listener.hpp"

namespace nightbench::mock::transport {
namespace asio = boost::asio;
using namespace usbip;

namespace {

constexpr std::size_t most_transfer = std::size_t{16} << 20;
constexpr std::size_t read_piece = 65'536;
constexpr Duration patience = std::chrono::seconds(10);  // with a client before its import

// Exact counts out of a stream.
class Reader {
 public:
  explicit Reader(std::shared_ptr<link::Stream> stream) : stream_(std::move(stream)) {}
  Awaitable<Result<std::string>> take(std::size_t count, TimePoint deadline) {
    while (buffer_.size() - at_ < count) {
      buffer_.erase(0, std::exchange(at_, 0));
      const Result<std::string> bytes = co_await stream_->read_some(read_piece, deadline);
      if (!bytes) co_return fail(bytes.error());
      buffer_ += *bytes;
    }
    std::string out = buffer_.substr(at_, count);
    at_ += count;
    co_return out;
  }

 private:
  std::shared_ptr<link::Stream> stream_;
  std::string buffer_;
  std::size_t at_ = 0;
};

DeviceRecord record_of(const UsbIdentity& identity, const std::string& busid) {
  DeviceRecord record;
  record.path = "/sys/devices/simulated/" + busid;
  record.busid = busid;
  record.speed = static_cast<std::uint32_t>(identity.speed);
  record.vendor = identity.vendor;
  record.product = identity.product;
  return record;
}

// One imported device on one connection.
struct Host {
  Host(std::shared_ptr<link::Stream> its_stream, Clock& clock)
      : stream(std::move(its_stream)), reader(stream), news(clock) {}
  void say(const Reply& reply, std::string_view data = {}) {
    output += encode(reply);
    output += data;
    news.ring();
  }
  void close() {
    open = false;
    stream->close();
    news.ring();
  }
  std::shared_ptr<link::Stream> stream;
  Reader reader;
  link::Wake news;
  std::string output;
  std::map<std::uint32_t, std::uint64_t> pending;  // seqnum and the device's number
  bool open = true;
};

Awaitable<void> write_all(std::shared_ptr<Host> host) {
  while (host->open) {
    if (host->output.empty()) {
      co_await host->news.wait(TimePoint::max());
      continue;
    }
    const std::string bytes = std::exchange(host->output, std::string());
    const Result<void> sent = co_await host->stream->write_all(bytes, TimePoint::max());
    if (!sent) host->close();
  }
}

}  // namespace

class UsbipServer::Core : public std::enable_shared_from_this<Core> {
 public:
  Core(std::shared_ptr<void> keep, UsbDevice& device, const UsbIdentity& identity, Clock& clock,
       const UsbipServerOptions& options)
      : keep_(std::move(keep)),
        device_(device),
        identity_(identity),
        clock_(clock),
        record_(record_of(identity, options.busid)) {}

  Result<void> listen(const UsbipServerOptions& options) {
    const std::weak_ptr<Core> self = weak_from_this();
    const auto take = [self](std::unique_ptr<link::Stream> stream) {
      const std::shared_ptr<Core> core = self.lock();
      if (!core) return;
      asio::co_spawn(core->clock_.context(), greet(core, std::move(stream)), asio::detached);
    };
    TRY_ASSIGN(listener_, Listener::open(clock_, options.address, options.port, take));
    return {};
  }

  bool attach(std::shared_ptr<link::Stream> stream, Reader* reader = nullptr) {
    if (host_ != nullptr || !device_.is_plugged()) {
      stream->close();
      return false;
    }
    host_ = std::make_shared<Host>(std::move(stream), clock_);
    if (reader != nullptr) host_->reader = std::move(*reader);
    asio::co_spawn(clock_.context(), serve(shared_from_this(), host_), asio::detached);
    asio::co_spawn(clock_.context(), write_all(host_), asio::detached);
    return true;
  }

  void detach() {
    if (host_) host_->close();
  }
  void stop() {
    listener_.reset();
    detach();
  }

  std::uint16_t port() const { return listener_ ? listener_->port() : std::uint16_t{0}; }
  const DeviceRecord& record() const { return record_; }
  bool is_attached() const { return host_ != nullptr; }

 private:
  // What comes before an import.
  static Awaitable<void> greet(std::shared_ptr<Core> self, std::shared_ptr<link::Stream> stream) {
    Reader reader(stream);
    const TimePoint deadline = self->clock_.now() + patience;
    const Result<std::string> first = co_await reader.take(operation_size, deadline);
    const Result<OperationHeader> asked = first ? decode_operation(*first) : fail(first.error());
    OperationHeader answer;
    if (asked && asked->code == Operation::request_list) {
      answer.code = Operation::reply_list;
      const std::string list = encode(answer) + self->list();
      co_await stream->write_all(list, deadline);
    } else if (asked && asked->code == Operation::request_import) {
      const Result<std::string> busid = co_await reader.take(busid_size, deadline);
      answer.code = Operation::reply_import;
      const bool known = busid && decode_busid(*busid) == self->record_.busid;
      answer.status = !known ? op_no_device : self->host_ ? op_busy : op_ok;
      std::string reply = encode(answer);
      if (answer.status == op_ok) reply += encode(self->record_);
      const Result<void> sent = co_await stream->write_all(reply, deadline);
      if (sent && answer.status == op_ok) {
        self->attach(stream, &reader);
        co_return;
      }
    }
    stream->close();
  }

  std::string list() const {
    std::string out{'\0', '\0', '\0', '\1'};
    out += encode(record_);
    out += static_cast<char>(link::usbtmc::interface_class);
    out += static_cast<char>(link::usbtmc::interface_subclass);
    out += identity_.usb488 ? '\1' : '\0';
    return out + '\0';
  }

  static Awaitable<void> serve(std::shared_ptr<Core> self, std::shared_ptr<Host> host) {
    while (host->open) {
      const Result<std::string> head = co_await host->reader.take(urb_size, TimePoint::max());
      if (!head) break;
      const Result<Command> command = decode_command(*head);
      if (!command || command->length > most_transfer) break;
      if (command->kind == Kind::unlink) {
        self->unlink(*host, *command);
        continue;
      }
      std::string data;
      if (!command->in && command->length > 0) {
        const Result<std::string> bytes =
            co_await host->reader.take(command->length, TimePoint::max());
        if (!bytes) break;
        data = *bytes;
      }
      if (command->devid != self->record_.devid()) break;
      self->submit(host, *command, std::move(data));
    }
    host->close();
    for (const auto& [seqnum, number] : host->pending) self->device_.cancel(number);
    host->pending.clear();
    if (self->host_ == host) self->host_.reset();
  }

  void submit(const std::shared_ptr<Host>& host, const Command& command, std::string data) {
    UsbTransfer transfer;
    transfer.endpoint = static_cast<std::uint8_t>(command.endpoint | (command.in ? usb_in : 0U));
    transfer.setup = link::usbtmc::decode_setup(command.setup);
    transfer.out = std::move(data);
    transfer.room = command.length;
    const auto ended = std::make_shared<bool>(false);
    const std::weak_ptr<Host> to = host;
    const std::uint64_t number =
        device_.submit(std::move(transfer), [to, command, ended](UsbOutcome outcome) {
          *ended = true;
          const std::shared_ptr<Host> open = to.lock();
          if (open) answer(*open, command, std::move(outcome));
        });
    if (!*ended) host->pending.emplace(command.seqnum, number);
  }

  static void answer(Host& host, const Command& command, UsbOutcome outcome) {
    host.pending.erase(command.seqnum);
    Reply reply;
    reply.seqnum = command.seqnum;
    reply.status = outcome.status;
    if (command.in) {
      outcome.in.resize(std::min<std::size_t>(outcome.in.size(), command.length));
      reply.actual = static_cast<std::uint32_t>(outcome.in.size());
      const bool is_short = reply.actual < command.length;
      if (is_short && (command.flags & short_not_ok) != 0 && outcome.status == usb_end::done) {
        reply.status = usb_end::short_read;
      }
      host.say(reply, outcome.in);
    } else {
      reply.actual = static_cast<std::uint32_t>(outcome.accepted);
      host.say(reply);
    }
  }

  // Exactly one of two outcomes: the transfer's own answer went out before, or it never will.
  void unlink(Host& host, const Command& command) {
    Reply reply;
    reply.kind = Kind::unlinked;
    reply.seqnum = command.seqnum;
    const auto found = host.pending.find(command.unlink);
    if (found != host.pending.end() && device_.cancel(found->second)) {
      reply.status = usb_end::called_off;
      host.pending.erase(found);
    }
    host.say(reply);
  }

  std::shared_ptr<void> keep_;
  UsbDevice& device_;
  UsbIdentity identity_;
  Clock& clock_;
  DeviceRecord record_;
  std::unique_ptr<Listener> listener_;
  std::shared_ptr<Host> host_;
};

UsbipServer::UsbipServer(std::shared_ptr<Core> core) : core_(std::move(core)) {}
UsbipServer::~UsbipServer() {
  core_->stop();
}

Result<std::unique_ptr<UsbipServer>> UsbipServer::start(std::shared_ptr<void> keep,
                                                        UsbDevice& device,
                                                        const UsbIdentity& identity, Clock& clock,
                                                        UsbipServerOptions options) {
  const auto core = std::make_shared<Core>(std::move(keep), device, identity, clock, options);
  TRY(core->listen(options));
  return std::unique_ptr<UsbipServer>(new UsbipServer(core));
}

std::uint16_t UsbipServer::port() const {
  return core_->port();
}
const DeviceRecord& UsbipServer::record() const {
  return core_->record();
}
bool UsbipServer::attach(std::unique_ptr<link::Stream> stream) {
  return core_->attach(std::move(stream));
}
void UsbipServer::detach() {
  core_->detach();
}
bool UsbipServer::is_attached() const {
  return core_->is_attached();
}

}  // namespace nightbench::mock::transport
