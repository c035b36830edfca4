// Captures of a run kept as SigMF recordings in one folder, up to a size.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>

#include "sequences/engine/pair.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::cli {

class CaptureFolder {
 public:
  CaptureFolder(std::filesystem::path folder, std::uintmax_t most_bytes);

  // Writes point-<ordinal>.sigmf-meta and -data (rf32_le, I and Q, volts) and returns the meta
  // file's name; "" when the folder is full. Errors: storage.
  Result<std::string> keep(const script::Action& action, const engine::PairCapture& capture);

 private:
  std::filesystem::path folder_;
  std::uintmax_t left_bytes_;
};

}  // namespace nightbench::cli
