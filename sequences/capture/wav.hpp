// Two-channel WAV as sound interfaces record it: left is I, right is Q.
//
// 16, 24 and 32 bit PCM and 32 bit float, decoded by libsndfile. PCM samples are codes of a
// converter, so that a code at its end counts as clipped; float samples are not. Full scale is
// ReadOptions::full_scale_v. The length that the file states must be the length that it has.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "drivers/base/error.hpp"
#include "sequences/capture/capture.hpp"

namespace nightbench::capture {

Result<Capture> decode_wav(std::string_view bytes, std::string name,
                           const ReadOptions& options = {});
Result<Capture> read_wav(const std::filesystem::path& path, const ReadOptions& options = {});

}  // namespace nightbench::capture
