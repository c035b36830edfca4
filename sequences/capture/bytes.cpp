#include "sequences/capture/bytes.hpp"

#include <fcntl.h>
#include <openssl/evp.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cmath>
#include <cstring>

#include "drivers/base/quantity.hpp"

namespace nightbench::capture {
namespace {

class Descriptor {
 public:
  explicit Descriptor(int number) : number_(number) {}
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  ~Descriptor() {
    if (number_ >= 0) ::close(number_);
  }
  int number() const { return number_; }

 private:
  int number_;
};

std::unexpected<Error> storage(const std::filesystem::path& path, const char* doing, int number) {
  Error error;
  error.kind = ErrorKind::storage;
  error.file = path.string();
  error.number = number;
  error.message = std::string("cannot ") + doing + ": " + std::strerror(number);
  return fail(std::move(error));
}

Result<void> write_all(int descriptor, std::string_view text, const std::filesystem::path& path) {
  while (!text.empty()) {
    const ssize_t wrote = ::write(descriptor, text.data(), text.size());
    if (wrote < 0 && errno == EINTR) continue;
    if (wrote < 0) return storage(path, "write", errno);
    text.remove_prefix(static_cast<std::size_t>(wrote));
  }
  if (::fsync(descriptor) != 0) return storage(path, "flush", errno);
  return {};
}

}  // namespace

std::unexpected<Error> refuse(const std::string& file, std::string message) {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = file;
  error.message = std::move(message);
  return fail(std::move(error));
}

Result<Bytes> read_bytes(const std::filesystem::path& path, std::uint64_t most) {
  const Descriptor file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  if (file.number() < 0) {
    if (errno == ENOENT || errno == ENOTDIR) return refuse(path.string(), "there is no such file");
    return storage(path, "open", errno);
  }
  struct stat status{};
  if (::fstat(file.number(), &status) != 0) return storage(path, "look at", errno);
  if (!S_ISREG(status.st_mode)) return refuse(path.string(), "expected a regular file");
  const auto size = static_cast<std::uint64_t>(status.st_size);
  if (size == 0) return refuse(path.string(), "the file is empty");
  if (size > most) {
    return refuse(path.string(), "the file has " + std::to_string(size) + " bytes, at most " +
                                     std::to_string(most) + " are read");
  }
  Bytes bytes;
  bytes.data = std::make_shared_for_overwrite<std::byte[]>(size);
  while (bytes.size < size) {
    const ssize_t got = ::read(file.number(), bytes.data.get() + bytes.size, size - bytes.size);
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return storage(path, "read", errno);
    if (got == 0) {
      return refuse(path.string(),
                    "the file became shorter while it was read: " + std::to_string(bytes.size) +
                        " bytes of " + std::to_string(size));
    }
    bytes.size += static_cast<std::size_t>(got);
  }
  return bytes;
}

Result<std::string> sha512(std::string_view bytes) {
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned int size = 0;
  if (EVP_Digest(bytes.data(), bytes.size(), digest.data(), &size, EVP_sha512(), nullptr) != 1) {
    return fail(ErrorKind::internal, "the SHA-512 could not be computed");
  }
  constexpr std::string_view digits = "0123456789abcdef";
  std::string text;
  for (unsigned int i = 0; i < size; ++i) {
    text += digits[digest[i] >> 4];
    text += digits[digest[i] & 15];
  }
  return text;
}

Result<NewFile> NewFile::write(const std::filesystem::path& path, std::string_view text) {
  std::string name = path.string() + ".XXXXXX";
  const Descriptor file(::mkostemp(name.data(), O_CLOEXEC));
  if (file.number() < 0) return storage(path, "create a file beside it", errno);
  NewFile made(path, name);
  if (::fchmod(file.number(), 0644) != 0) return storage(path, "set the mode", errno);
  TRY(write_all(file.number(), text, path));
  return made;
}

NewFile::NewFile(NewFile&& other) noexcept
    : path_(std::move(other.path_)), temporary_(std::move(other.temporary_)) {
  other.temporary_.clear();
}

NewFile::~NewFile() {
  if (!temporary_.empty()) ::unlink(temporary_.c_str());
}

Result<void> NewFile::commit() {
  if (::rename(temporary_.c_str(), path_.c_str()) != 0)
    return storage(path_, "put in place", errno);
  temporary_.clear();
  std::filesystem::path folder = path_.parent_path();
  if (folder.empty()) folder = ".";
  const Descriptor opened(::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (opened.number() < 0) return storage(folder, "open", errno);
  if (::fsync(opened.number()) != 0) return storage(folder, "flush", errno);
  return {};
}

Result<double> agreed_rate(const std::string& file, std::optional<double> stated_hz,
                           const ReadOptions& options) {
  const std::optional<double> rate = stated_hz ? stated_hz : options.rate_hz;
  if (!rate) return refuse(file, "the file does not state its sample rate, and none was given");
  if (!(*rate > 0) || !(*rate <= highest_rate_hz)) {
    return refuse(file, "expected a sample rate above 0 and at most 1e12 Hz, found " +
                            (std::isnan(*rate) ? "one that is not a number" : shortest(*rate)));
  }
  // A CSV's rate comes from printed times, so that equal rates may differ by rounding.
  if (stated_hz && options.rate_hz && !(std::fabs(*stated_hz / *options.rate_hz - 1) < 1e-3)) {
    return refuse(file, "the file states a sample rate of " + format(*stated_hz, Unit::hertz) +
                            ", " + format(*options.rate_hz, Unit::hertz) + " was given");
  }
  return *rate;
}

Result<Capture> checked(Capture capture) {
  if (capture.channels.empty()) return refuse(capture.file, "the file has no channel");
  for (std::size_t k = 0; k < capture.channels.size(); ++k) {
    const signal::Trace& trace = capture.channels[k];
    if (trace.size != capture.samples()) {
      return refuse(capture.file, "channel " + std::to_string(k + 1) + " has " +
                                      std::to_string(trace.size) + " samples, channel 1 has " +
                                      std::to_string(capture.samples()));
    }
    if (trace.size < fewest_samples) {
      return refuse(capture.file,
                    "expected at least 2 samples a channel, found " + std::to_string(trace.size));
    }
    const std::size_t bad = signal::extremes(trace).first_bad;
    if (bad < trace.size) {
      return refuse(capture.file, "sample " + std::to_string(bad) + " of channel " +
                                      std::to_string(k + 1) + " is no finite number");
    }
  }
  return capture;
}

}  // namespace nightbench::capture
