#include "sequences/capture/capture.hpp"

#include <algorithm>
#include <string_view>

#include "sequences/capture/bytes.hpp"
#include "sequences/capture/csv.hpp"
#include "sequences/capture/sigmf.hpp"
#include "sequences/capture/wav.hpp"

namespace nightbench::capture {

const char* formats() {
  return "SigMF (.sigmf-meta with .sigmf-data), CSV (.csv), WAV (.wav)";
}

Result<Capture> read_capture(const std::filesystem::path& path, const ReadOptions& options) {
  std::string ending = path.extension().string();
  std::transform(ending.begin(), ending.end(), ending.begin(), [](char c) {
    return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
  });
  if (ending == ".csv") return read_csv(path, options);
  if (ending == ".wav") return read_wav(path, options);
  if (ending == ".sigmf-meta" || ending == ".sigmf-data") return read_sigmf(path, options);
  if (ending == ".sigmf" || ending == ".sigmf-collection") {
    return refuse(path.string(),
                  "SigMF archives and collections are not read; expected one of their recordings, "
                  "unpacked: a .sigmf-meta file with its .sigmf-data");
  }
  std::error_code ignored;
  if (std::filesystem::exists(path.string() + ".sigmf-meta", ignored)) {
    return read_sigmf(path, options);
  }
  if (!std::filesystem::exists(path, ignored))
    return refuse(path.string(), "there is no such file");
  return refuse(path.string(), std::string("expected ") + formats() + ", found the ending \"" +
                                   excerpt(path.extension().string()) + "\"");
}

}  // namespace nightbench::capture
