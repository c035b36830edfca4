#include "sequences/report/write_files.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <cstring>
#include <utility>

#include "sequences/record/json_form.hpp"
#include "sequences/report/correction.hpp"
#include "sequences/report/csv.hpp"
#include "sequences/report/junit.hpp"

namespace nightbench::report {
namespace {

std::unexpected<Error> failed(const std::filesystem::path& path, const std::string& what,
                              int code) {
  Error error;
  error.kind = ErrorKind::storage;
  error.file = path.string();
  error.number = code;
  const bool full = code == ENOSPC || code == EDQUOT || code == EFBIG;
  error.message = full ? "the disk is full, or the file may not grow further: nothing was replaced"
                       : what + ": " + std::strerror(code);
  return fail(std::move(error));
}

// A file descriptor that is closed, and a temporary file that is removed unless it was kept.
class Temporary {
 public:
  Temporary(std::filesystem::path path, int handle) : path_(std::move(path)), handle_(handle) {}
  Temporary(const Temporary&) = delete;
  Temporary& operator=(const Temporary&) = delete;
  ~Temporary() {
    if (handle_ >= 0) ::close(handle_);
    if (!kept_) ::unlink(path_.c_str());
  }
  int handle() const { return handle_; }
  int close() { return ::close(std::exchange(handle_, -1)); }
  void keep() { kept_ = true; }
  const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
  int handle_;
  bool kept_ = false;
};

Result<void> put(const Temporary& file, std::string_view text, const std::filesystem::path& path) {
  while (!text.empty()) {
    const ssize_t written = ::write(file.handle(), text.data(), text.size());
    if (written < 0 && errno == EINTR) continue;
    if (written < 0) return failed(path, "cannot be written", errno);
    text.remove_prefix(static_cast<std::size_t>(written));
  }
  if (::fsync(file.handle()) != 0) return failed(path, "cannot be flushed to the disk", errno);
  return {};
}

Result<void> flush_folder(const std::filesystem::path& folder) {
  const int handle = ::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (handle < 0) return failed(folder, "the folder cannot be opened", errno);
  const int code = ::fsync(handle) == 0 ? 0 : errno;
  ::close(handle);
  // Some network file systems cannot flush a folder and say so with EINVAL.
  if (code != 0 && code != EINVAL) return failed(folder, "the folder cannot be flushed", code);
  return {};
}

}  // namespace

Result<void> write_file(const std::filesystem::path& path, std::string_view text) {
  static std::atomic<unsigned> count{0};
  const std::filesystem::path folder = path.has_parent_path() ? path.parent_path() : ".";
  std::error_code made;
  std::filesystem::create_directories(folder, made);
  if (made) return failed(folder, "the folder cannot be made", made.value());
  const std::filesystem::path name =
      folder / ("." + path.filename().string().substr(0, 200) + "." + std::to_string(::getpid()) +
                "." + std::to_string(count++) + ".part");
  const int handle = ::open(name.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
  if (handle < 0) return failed(path, "no file can be made beside it", errno);
  Temporary file(name, handle);
  TRY(put(file, text, path));
  if (file.close() != 0) return failed(path, "cannot be closed", errno);
  if (::rename(name.c_str(), path.c_str()) != 0) return failed(path, "cannot be replaced", errno);
  file.keep();
  return flush_folder(folder);
}

std::string file_name(std::string_view text) {
  constexpr std::size_t kMostBytes = 120;
  std::string out;
  for (const char c : text.substr(0, kMostBytes)) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                       c == '.' || c == '-' || c == '_';
    out += plain ? c : '_';
  }
  if (out.empty()) return "_";
  if (out.front() == '.') out.front() = '_';
  if (out.front() == '-') out.front() = '_';  // would read as an option
  return out;
}

Result<Written> write_run_files(const std::filesystem::path& folder, const record::Run& run,
                                const ReportOptions& options) {
  const std::string stem = file_name(run.header.board + "-" + run.header.run_id);
  Written out{.results = folder / (stem + ".results.json"),
              .report = folder / (stem + ".report.html"),
              .csv = folder / (stem + ".readings.csv"),
              .junit = folder / (stem + ".junit.xml"),
              .correction = folder / (stem + ".correction.json"),
              .correction_csv = folder / (stem + ".correction.csv")};
  TRY(write_file(out.results, record::json_text(run)));
  TRY(write_file(out.csv, readings_csv(run)));
  TRY(write_file(out.junit, junit_xml({run})));
  TRY(write_file(out.correction, correction_json(run)));
  TRY(write_file(out.correction_csv, correction_csv(run)));
  TRY(write_file(out.report, response_report_html(run, options)));
  return out;
}

}  // namespace nightbench::report
