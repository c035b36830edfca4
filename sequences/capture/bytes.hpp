// Whole files in and out, their SHA-512, and the checks that all readers share. Inner part of this
// folder.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <span>
#include <string>
#include <string_view>

#include "drivers/base/error.hpp"
#include "sequences/capture/capture.hpp"

namespace nightbench::capture {

// A bad_input error about `file`.
std::unexpected<Error> refuse(const std::string& file, std::string message);

// A file's bytes, aligned for any sample type.
struct Bytes {
  std::shared_ptr<std::byte[]> data;
  std::size_t size = 0;
  std::string_view text() const { return {reinterpret_cast<const char*>(data.get()), size}; }
};

// Refuses what is missing, no regular file, empty, or larger than `most`.
Result<Bytes> read_bytes(const std::filesystem::path& path, std::uint64_t most);

// 128 lower-case hex digits.
Result<std::string> sha512(std::string_view bytes);

// `text` in a new file beside `path`, flushed to the disk; `commit` puts it in the place of `path`.
// Without commit it is removed again.
class NewFile {
 public:
  static Result<NewFile> write(const std::filesystem::path& path, std::string_view text);
  NewFile(NewFile&& other) noexcept;
  NewFile& operator=(NewFile&&) = delete;
  ~NewFile();
  Result<void> commit();

 private:
  NewFile(std::filesystem::path path, std::filesystem::path temporary)
      : path_(std::move(path)), temporary_(std::move(temporary)) {}
  std::filesystem::path path_;
  std::filesystem::path temporary_;
};

// The rate that counts, from what the file states and what was asked for.
Result<double> agreed_rate(const std::string& file, std::optional<double> stated_hz,
                           const ReadOptions& options);

// What every capture must be: channels of one length, enough samples, none of them NaN or infinite.
Result<Capture> checked(Capture capture);

}  // namespace nightbench::capture
