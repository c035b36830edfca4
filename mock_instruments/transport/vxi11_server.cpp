#include "mock_instruments/transport/vxi11_server.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <deque>
#include <map>
#include <utility>
#include <vector>

#include "mock_instruments/transport/listener.hpp"
#include "mock_instruments/transport/rpc_server.hpp"

namespace nightbench::mock::transport {
namespace asio = boost::asio;
using namespace link::vxi11;
using Outcome = RpcConnection::Outcome;
using Connection = std::shared_ptr<RpcConnection>;

namespace {

Outcome garbage() {
  return {RpcStatus::garbage_arguments, {}};
}
Outcome error_only(DeviceError error) {
  return {RpcStatus::success, encode_error(error)};
}
Outcome success(std::string results) {
  return {RpcStatus::success, std::move(results)};
}

// The error in the shape of the procedure's own result.
Outcome error_result(Procedure procedure, DeviceError error) {
  switch (procedure) {
    case Procedure::create_link:
      return success(encode(CreatedLink{error, 0, 0, 0}));
    case Procedure::device_write:
      return success(encode(Written{error, 0}));
    case Procedure::device_read:
      return success(encode(ReadResult{error, 0, {}}));
    case Procedure::device_readstb:
      return success(encode(StatusByte{error, 0}));
    case Procedure::device_docmd:
      return success(encode_error(error) + std::string(4, '\0'));
    default:
      return error_only(error);
  }
}

Duration ms(std::uint32_t count) {
  return std::chrono::milliseconds(count);
}

}  // namespace

// The device behind its channels. Every wait ends at changed_, which rings for anything.
class Vxi11Server::Core : public std::enable_shared_from_this<Vxi11Server::Core> {
 public:
  Core(std::shared_ptr<Device> device, Clock& clock, Vxi11ServerOptions options)
      : options_(std::move(options)), device_(std::move(device)), clock_(clock), changed_(clock) {}

  Result<void> listen() {
    const std::weak_ptr<Core> self = weak_from_this();
    if (options_.serves_abort) {
      TRY_ASSIGN(abort_listener_, Listener::open(clock_, options_.address, 0, [self](auto stream) {
                   if (const auto core = self.lock()) core->admit(std::move(stream), true);
                 }));
    }
    TRY_ASSIGN(core_listener_,
               Listener::open(clock_, options_.address, options_.port, [self](auto stream) {
                 if (const auto core = self.lock()) core->admit(std::move(stream), false);
               }));
    return {};
  }

  void stop() {
    core_listener_.reset();
    abort_listener_.reset();
    drop_clients();
  }
  void drop_clients() {
    const std::vector<Connection> all = connections_;
    for (const Connection& each : all) each->close();
  }

  std::uint16_t core_port() const { return core_listener_ ? core_listener_->port() : 0; }
  std::uint16_t abort_port() const { return abort_listener_ ? abort_listener_->port() : 0; }
  std::size_t links() const { return links_.size(); }
  std::uint64_t aborts() const { return aborts_; }
  bool locked() const { return holder_.has_value(); }

 private:
  struct Link {
    Connection owner;
    std::string input;        // of the message under way
    bool discarding = false;  // it has grown too long
    bool busy = false;        // a call of this link runs
    bool aborted = false;     // and is to end
  };

  void admit(std::unique_ptr<link::Stream> stream, bool for_abort);
  void forget(const Connection& connection);
  Awaitable<Outcome> run(Connection from, std::uint32_t procedure, std::string_view arguments);
  Awaitable<Outcome> run_abort(std::uint32_t procedure, std::string_view arguments);
  Outcome abort(std::string_view arguments);

  Awaitable<Outcome> create(Connection from, std::string_view arguments);
  Awaitable<Outcome> write(Connection from, std::string_view arguments);
  Awaitable<Outcome> read(Connection from, std::string_view arguments);
  Awaitable<Outcome> generic(Connection from, Procedure procedure, std::string_view arguments);
  Awaitable<Outcome> lock(Connection from, std::string_view arguments);
  Outcome unlock(const Connection& from, std::string_view arguments);
  Outcome destroy(const Connection& from, std::string_view arguments);

  // The link of a call, or nothing (error 4).
  Link* find(const Connection& from, std::int32_t number) {
    const auto found = links_.find(number);
    if (found == links_.end() || found->second.owner != from) return nullptr;
    return &found->second;
  }
  // Waits for changed_; not none when the wait is over for another reason.
  Awaitable<DeviceError> wait(Connection from, std::int32_t number, TimePoint until,
                              DeviceError at_end);
  Awaitable<DeviceError> pass_lock(Connection from, std::int32_t number, std::uint32_t flags,
                                   std::uint32_t timeout_ms);
  void remove_link(std::int32_t number);
  void input(std::string message);
  void clear();
  static Awaitable<void> work(std::shared_ptr<Core> self);

  Vxi11ServerOptions options_;
  std::shared_ptr<Device> device_;
  Clock& clock_;
  link::Wake changed_;
  std::unique_ptr<Listener> core_listener_;
  std::unique_ptr<Listener> abort_listener_;
  std::vector<Connection> connections_;
  std::map<std::int32_t, Link> links_;
  std::int32_t next_link_ = 1;
  std::optional<std::int32_t> holder_;  // of the lock
  std::uint64_t aborts_ = 0;

  std::deque<std::string> messages_;  // not begun yet
  bool working_ = false;
  std::uint64_t clears_ = 0;
  std::string output_;
  std::size_t output_read_ = 0;
};

void Vxi11Server::Core::admit(std::unique_ptr<link::Stream> stream, bool for_abort) {
  RpcConnection::Program program;
  program.number = for_abort ? abort_program : core_program;
  program.version = program_version;
  program.most_record = options_.most_receive + 4096;
  program.fragment = options_.fragment;
  const auto connection = std::make_shared<RpcConnection>(std::move(stream), program, clock_);
  connections_.push_back(connection);
  const std::shared_ptr<Core> self = shared_from_this();
  const std::weak_ptr<RpcConnection> weak = connection;
  const auto ended = [self, weak] {
    if (const Connection gone = weak.lock()) self->forget(gone);
  };
  const auto gone = [self] { self->changed_.ring(); };
  const auto procedures = [self, for_abort](Connection from, std::uint32_t procedure,
                                            std::string_view arguments) {
    return for_abort ? self->run_abort(procedure, arguments)
                     : self->run(std::move(from), procedure, arguments);
  };
  connection->start(procedures, gone, ended);
}

void Vxi11Server::Core::forget(const Connection& connection) {
  std::erase(connections_, connection);
  std::vector<std::int32_t> gone;
  for (const auto& [number, link] : links_) {
    if (link.owner == connection) gone.push_back(number);
  }
  for (const std::int32_t number : gone) remove_link(number);
}

void Vxi11Server::Core::remove_link(std::int32_t number) {
  links_.erase(number);
  if (holder_ == number) holder_.reset();
  // What an instrument was asked by the last link is nobody's any more.
  if (links_.empty()) clear();
  changed_.ring();
}

void Vxi11Server::Core::clear() {
  ++clears_;
  messages_.clear();
  output_.clear();
  output_read_ = 0;
  for (auto& [number, link] : links_) {
    link.input.clear();
    link.discarding = false;
  }
  if (working_) device_->device_clear();
}

Awaitable<Outcome> Vxi11Server::Core::run_abort(std::uint32_t procedure,
                                                std::string_view arguments) {
  if (procedure == 0) co_return Outcome();
  if (procedure != device_abort) co_return Outcome{RpcStatus::procedure_unavailable, {}};
  co_return abort(arguments);
}

Outcome Vxi11Server::Core::abort(std::string_view arguments) {
  const Result<std::int32_t> number = decode_link(arguments);
  if (!number) return garbage();
  const auto found = links_.find(*number);
  if (found == links_.end()) return error_only(DeviceError::invalid_link);
  ++aborts_;
  if (found->second.busy) found->second.aborted = true;
  changed_.ring();
  return error_only(DeviceError::none);
}

Awaitable<Outcome> Vxi11Server::Core::run(Connection from, std::uint32_t number,
                                          std::string_view arguments) {
  const auto procedure = static_cast<Procedure>(number);
  if (options_.fail) {
    const std::optional<DeviceError> failure = options_.fail(procedure);
    if (failure) co_return error_result(procedure, *failure);
  }
  switch (procedure) {
    case Procedure::null:
      co_return Outcome();
    case Procedure::create_link:
      co_return co_await create(from, arguments);
    case Procedure::device_write:
      co_return co_await write(from, arguments);
    case Procedure::device_read:
      co_return co_await read(from, arguments);
    case Procedure::device_readstb:
    case Procedure::device_trigger:
    case Procedure::device_clear:
    case Procedure::device_remote:
    case Procedure::device_local:
      co_return co_await generic(from, procedure, arguments);
    case Procedure::device_lock:
      co_return co_await lock(from, arguments);
    case Procedure::device_unlock:
      co_return unlock(from, arguments);
    case Procedure::destroy_link:
      co_return destroy(from, arguments);
    case Procedure::device_enable_srq:
    case Procedure::device_docmd:
    case Procedure::create_intr_chan:
    case Procedure::destroy_intr_chan:
      co_return error_result(procedure, DeviceError::not_supported);
  }
  co_return Outcome{RpcStatus::procedure_unavailable, {}};
}

Awaitable<DeviceError> Vxi11Server::Core::wait(Connection from, std::int32_t number,
                                               TimePoint until, DeviceError at_end) {
  Link* link = find(from, number);
  if (link == nullptr) co_return DeviceError::invalid_link;
  link->busy = true;
  const link::Wake::Why why = co_await changed_.wait(until);
  link = find(from, number);
  if (link == nullptr || !from->is_open()) co_return DeviceError::io_error;
  link->busy = false;
  if (std::exchange(link->aborted, false)) co_return DeviceError::aborted;
  if (why != link::Wake::Why::rung) co_return at_end;
  co_return DeviceError::none;
}

Awaitable<DeviceError> Vxi11Server::Core::pass_lock(Connection from, std::int32_t number,
                                                    std::uint32_t flags, std::uint32_t timeout_ms) {
  if (find(from, number) == nullptr) co_return DeviceError::invalid_link;
  const TimePoint until = clock_.now() + ms(timeout_ms);
  while (holder_ && holder_ != number) {
    if ((flags & flag::wait_lock) == 0) co_return DeviceError::locked_by_another;
    const DeviceError why = co_await wait(from, number, until, DeviceError::locked_by_another);
    if (why != DeviceError::none) co_return why;
  }
  co_return DeviceError::none;
}

Awaitable<Outcome> Vxi11Server::Core::create(Connection from, std::string_view arguments) {
  const Result<CreateLink> wanted = decode_create_link(arguments);
  if (!wanted) co_return garbage();
  constexpr Procedure mine = Procedure::create_link;
  if (wanted->device != options_.device_name) {
    co_return error_result(mine, DeviceError::not_accessible);
  }
  if (links_.size() >= options_.most_links) {
    co_return error_result(mine, DeviceError::out_of_resources);
  }
  const std::int32_t number = next_link_++;
  links_[number].owner = from;
  if (wanted->lock) {
    const DeviceError locked =
        co_await pass_lock(from, number, flag::wait_lock, wanted->lock_timeout_ms);
    if (locked != DeviceError::none) {
      remove_link(number);
      co_return error_result(mine, locked);
    }
    holder_ = number;
  }
  CreatedLink made;
  made.link = number;
  made.abort_port = abort_port();
  made.most_receive = options_.most_receive;
  co_return success(encode(made));
}

Awaitable<Outcome> Vxi11Server::Core::write(Connection from, std::string_view arguments) {
  const Result<Write> call = decode_write(arguments, arguments.size());
  if (!call) co_return garbage();
  constexpr Procedure mine = Procedure::device_write;
  const DeviceError locked =
      co_await pass_lock(from, call->link, call->flags, call->lock_timeout_ms);
  if (locked != DeviceError::none) co_return error_result(mine, locked);
  if (call->data.size() > options_.most_receive) {
    co_return error_result(mine, DeviceError::parameter);
  }
  Link& link = *find(from, call->link);
  if (link.input.size() + call->data.size() > options_.most_message) {
    link.input.clear();
    link.discarding = true;
    device_->overrun();
  }
  if (!link.discarding) link.input += call->data;
  if ((call->flags & flag::end) != 0 || ends_by_itself(link.input)) {
    std::string message = std::exchange(link.input, {});
    const bool lost = std::exchange(link.discarding, false);
    if (!lost) {
      for (std::string& each : program_messages(std::move(message))) input(std::move(each));
    }
  }
  Written written;
  written.size = static_cast<std::uint32_t>(call->data.size());
  co_return success(encode(written));
}

void Vxi11Server::Core::input(std::string message) {
  if (output_read_ < output_.size()) {
    device_->interrupted();
    output_.clear();
    output_read_ = 0;
  }
  messages_.push_back(std::move(message));
  if (working_) return;
  working_ = true;
  asio::co_spawn(clock_.context(), work(shared_from_this()), asio::detached);
}

Awaitable<void> Vxi11Server::Core::work(std::shared_ptr<Core> self) {
  while (!self->messages_.empty()) {
    std::string message = std::move(self->messages_.front());
    self->messages_.pop_front();
    const std::uint64_t clears = self->clears_;
    std::optional<std::string> response = co_await self->device_->take(std::move(message));
    if (clears != self->clears_ || !response) continue;
    if (!self->messages_.empty()) {
      self->device_->interrupted();
      continue;
    }
    self->output_ = *std::move(response);
    self->output_ += '\n';
    self->output_read_ = 0;
    self->changed_.ring();
  }
  self->working_ = false;
}

Awaitable<Outcome> Vxi11Server::Core::read(Connection from, std::string_view arguments) {
  const Result<Read> call = decode_read(arguments);
  if (!call) co_return garbage();
  constexpr Procedure mine = Procedure::device_read;
  const DeviceError locked =
      co_await pass_lock(from, call->link, call->flags, call->lock_timeout_ms);
  if (locked != DeviceError::none) co_return error_result(mine, locked);
  ReadResult result;
  if (call->size == 0) {
    result.reason = reason::request_count;
    co_return success(encode(result));
  }
  const bool idle = !working_ && messages_.empty();
  if (output_read_ == output_.size() && idle) device_->unterminated();
  const TimePoint until = clock_.now() + ms(call->io_timeout_ms);
  while (output_read_ == output_.size()) {
    const DeviceError why = co_await wait(from, call->link, until, DeviceError::io_timeout);
    if (why != DeviceError::none) co_return error_result(mine, why);
  }
  const std::size_t room = options_.read_buffer == 0
                               ? call->size
                               : std::min<std::size_t>(options_.read_buffer, call->size);
  result.data = std::string_view(output_).substr(output_read_, room);
  if ((call->flags & flag::termination_character) != 0) {
    const std::size_t found = result.data.find(call->termination_character);
    if (found != std::string_view::npos) {
      result.data = result.data.substr(0, found + 1);
      result.reason |= reason::character;
    }
  }
  if (result.data.size() == call->size) result.reason |= reason::request_count;
  output_read_ += result.data.size();
  if (output_read_ == output_.size()) result.reason |= reason::end;
  std::string results = encode(result);
  if (output_read_ == output_.size()) {
    output_.clear();
    output_.shrink_to_fit();
    output_read_ = 0;
  }
  co_return success(std::move(results));
}

Awaitable<Outcome> Vxi11Server::Core::generic(Connection from, Procedure procedure,
                                              std::string_view arguments) {
  const Result<Generic> call = decode_generic(arguments);
  if (!call) co_return garbage();
  const DeviceError locked =
      co_await pass_lock(from, call->link, call->flags, call->lock_timeout_ms);
  if (locked != DeviceError::none) co_return error_result(procedure, locked);
  if (procedure == Procedure::device_readstb) {
    StatusByte status;
    status.byte = device_->status_byte(output_read_ < output_.size());
    co_return success(encode(status));
  }
  if (procedure == Procedure::device_clear) {
    clear();
    device_->device_clear();
  }
  if (procedure == Procedure::device_trigger) device_->trigger();
  co_return error_only(DeviceError::none);
}

Awaitable<Outcome> Vxi11Server::Core::lock(Connection from, std::string_view arguments) {
  const Result<Lock> call = decode_lock(arguments);
  if (!call) co_return garbage();
  // No nesting: the same link again is refused like any other.
  if (holder_ == call->link) co_return error_only(DeviceError::locked_by_another);
  const DeviceError locked =
      co_await pass_lock(from, call->link, call->flags, call->lock_timeout_ms);
  if (locked == DeviceError::none) holder_ = call->link;
  co_return error_only(locked);
}

Outcome Vxi11Server::Core::unlock(const Connection& from, std::string_view arguments) {
  const Result<std::int32_t> number = decode_link(arguments);
  if (!number) return garbage();
  if (find(from, *number) == nullptr) return error_only(DeviceError::invalid_link);
  if (holder_ != *number) return error_only(DeviceError::no_lock_held);
  holder_.reset();
  changed_.ring();
  return error_only(DeviceError::none);
}

Outcome Vxi11Server::Core::destroy(const Connection& from, std::string_view arguments) {
  const Result<std::int32_t> number = decode_link(arguments);
  if (!number) return garbage();
  if (find(from, *number) == nullptr) return error_only(DeviceError::invalid_link);
  remove_link(*number);
  return error_only(DeviceError::none);
}

Result<std::unique_ptr<Vxi11Server>> Vxi11Server::start(std::shared_ptr<Device> device,
                                                        Clock& clock, Vxi11ServerOptions options) {
  const auto core = std::make_shared<Core>(std::move(device), clock, std::move(options));
  TRY(core->listen());
  return std::unique_ptr<Vxi11Server>(new Vxi11Server(core));
}

Vxi11Server::Vxi11Server(std::shared_ptr<Core> core) : core_(std::move(core)) {}
Vxi11Server::~Vxi11Server() {
  core_->stop();
}
std::uint16_t Vxi11Server::core_port() const {
  return core_->core_port();
}
std::uint16_t Vxi11Server::abort_port() const {
  return core_->abort_port();
}
std::size_t Vxi11Server::links() const {
  return core_->links();
}
std::uint64_t Vxi11Server::aborts() const {
  return core_->aborts();
}
bool Vxi11Server::locked() const {
  return core_->locked();
}
void Vxi11Server::drop_clients() {
  core_->drop_clients();
}

}  // namespace nightbench::mock::transport
