#include "drivers/link/recording/recorder.hpp"

#include <boost/asio/awaitable.hpp>
#include <cerrno>
#include <cstring>
#include <utility>

namespace nightbench::link {
namespace {

class RecordedLink final : public Link {
 public:
  RecordedLink(std::unique_ptr<Link> inner, std::string who, std::shared_ptr<Recorder> recorder,
               Clock& clock)
      : inner_(std::move(inner)),
        who_(std::move(who)),
        recorder_(std::move(recorder)),
        clock_(clock) {}

  Awaitable<Result<void>> write(std::string_view message, TimePoint deadline) override {
    Entry entry = begin(Operation::write);
    entry.bytes = message;
    const TimePoint began = clock_.now();
    Result<void> done = co_await inner_->write(message, deadline);
    keep(std::move(entry), began, done);
    co_return done;
  }

  Awaitable<Result<Chunk>> read(std::size_t most, TimePoint deadline) override {
    Entry entry = begin(Operation::read);
    const TimePoint began = clock_.now();
    Result<Chunk> chunk = co_await inner_->read(most, deadline);
    if (chunk) {
      entry.bytes = chunk->bytes;
      entry.end = chunk->end;
    }
    keep(std::move(entry), began, chunk);
    co_return chunk;
  }

  Awaitable<Result<void>> clear(TimePoint deadline) override {
    const TimePoint began = clock_.now();
    Result<void> done = co_await inner_->clear(deadline);
    keep(begin(Operation::clear), began, done);
    co_return done;
  }

  Awaitable<Result<std::uint8_t>> status_byte(TimePoint deadline) override {
    Entry entry = begin(Operation::status);
    const TimePoint began = clock_.now();
    Result<std::uint8_t> byte = co_await inner_->status_byte(deadline);
    if (byte) entry.status = *byte;
    keep(std::move(entry), began, byte);
    co_return byte;
  }

  Awaitable<Result<void>> connect(TimePoint deadline) override {
    Entry entry = begin(Operation::connect);
    const TimePoint began = clock_.now();
    Result<void> done = co_await inner_->connect(deadline);
    entry.resource = inner_->resource();
    entry.marks_end = inner_->marks_end();
    keep(std::move(entry), began, done);
    co_return done;
  }

  void close() override { inner_->close(); }
  bool is_open() const override { return inner_->is_open(); }
  bool marks_end() const override { return inner_->marks_end(); }
  const std::string& resource() const override { return inner_->resource(); }

 private:
  Entry begin(Operation operation) const {
    Entry entry;
    entry.who = who_;
    entry.operation = operation;
    return entry;
  }

  template <typename T>
  void keep(Entry entry, TimePoint began, const Result<T>& result) {
    if (!result) entry.error = result.error();
    recorder_->note(std::move(entry), began);
  }

  std::unique_ptr<Link> inner_;
  std::string who_;
  std::shared_ptr<Recorder> recorder_;
  Clock& clock_;
};

Error storage(const std::filesystem::path& file, const std::string& what, int code) {
  Error error;
  error.kind = ErrorKind::storage;
  error.file = file.string();
  error.number = code;
  error.message = what + ": " + std::strerror(code);
  return error;
}

}  // namespace

Recorder::Recorder(std::filesystem::path file, std::FILE* stream, Clock& clock)
    : file_(std::move(file)), stream_(stream), clock_(clock), start_(clock.now()) {}

Recorder::~Recorder() {
  if (stream_ != nullptr) std::fclose(stream_);
}

Result<std::shared_ptr<Recorder>> Recorder::create(const std::filesystem::path& file,
                                                   Heading heading, Clock& clock) {
  std::FILE* const stream = std::fopen(file.c_str(), "wbxe");
  if (stream == nullptr && errno == EEXIST) {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = file.string();
    error.message = "there is such a file already, and a recording is never written over";
    return fail(std::move(error));
  }
  if (stream == nullptr) {
    return fail(storage(file, "the recording cannot be made", errno));
  }
  heading.started = clock.wall();
  std::shared_ptr<Recorder> out(new Recorder(file, stream, clock));
  out->put(line_of(heading));
  if (out->failure_) return fail(*out->failure_);
  return out;
}

void Recorder::put(const std::string& line) {
  if (failure_) return;
  // One write for the line, so that only the last one can be cut short when the program is killed.
  const std::string whole = line + "\n";
  const bool good = std::fwrite(whole.data(), 1, whole.size(), stream_) == whole.size() &&
                    std::fflush(stream_) == 0;
  if (!good) failure_ = storage(file_, "the recording ends here, it cannot be written", errno);
}

void Recorder::note(Entry entry, TimePoint began) {
  entry.at = began - start_;
  entry.took = clock_.now() - began;
  put(line_of(entry));
}

std::optional<Error> Recorder::failure() {
  if (!failure_ && std::fflush(stream_) != 0) {
    failure_ = storage(file_, "the end of the recording cannot be written", errno);
  }
  return failure_;
}

std::unique_ptr<Link> recorded(std::unique_ptr<Link> inner, std::string who,
                               std::shared_ptr<Recorder> recorder, Clock& clock) {
  return std::make_unique<RecordedLink>(std::move(inner), std::move(who), std::move(recorder),
                                        clock);
}

}  // namespace nightbench::link
