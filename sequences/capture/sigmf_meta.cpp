#include <algorithm>
#include <array>
#include <limits>
#include <nlohmann/json.hpp>

#include "drivers/base/json.hpp"
#include "sequences/capture/bytes.hpp"
#include "sequences/capture/sigmf.hpp"

namespace nightbench::capture {
namespace {

using json::Fields;
using json::Node;

constexpr long long most_index = (1LL << 53) - 1;  // whole numbers that JSON readers agree on

struct Datatype {
  const char* name;  // without "r" or "c"
  std::optional<Number> number;
};
// SigMF 1.2, "Dataset Format": all that the specification knows.
constexpr std::array datatypes{
    Datatype{"f32_le", Number::float32},
    Datatype{"f64_le", Number::float64},
    Datatype{"i16_le", Number::int16},
    Datatype{"i8", Number::int8},
    Datatype{"u8", Number::uint8},
    Datatype{"f32_be", {}},
    Datatype{"f64_be", {}},
    Datatype{"i32_le", {}},
    Datatype{"i32_be", {}},
    Datatype{"i16_be", {}},
    Datatype{"u32_le", {}},
    Datatype{"u32_be", {}},
    Datatype{"u16_le", {}},
    Datatype{"u16_be", {}},
};

Result<void> decode_datatype(const Node& node, SigmfMeta& meta) {
  constexpr const char* expected =
      "a datatype of r or c with f32_le, f64_le, i16_le, i8 or u8 (\"cf32_le\")";
  TRY_ASSIGN(meta.datatype, node.text());
  const char kind = meta.datatype.empty() ? '\0' : meta.datatype.front();
  if (kind != 'r' && kind != 'c') return node.wrong(expected);
  meta.complex = kind == 'c';
  const auto* const found =
      std::find_if(datatypes.begin(), datatypes.end(),
                   [&](const Datatype& each) { return meta.datatype.substr(1) == each.name; });
  if (found == datatypes.end()) return node.wrong(expected);
  if (!found->number) {
    return node.refuse("the datatype " + meta.datatype + " is not read here; expected " + expected);
  }
  meta.number = *found->number;
  return {};
}

Result<void> decode_version(const Node& node) {
  TRY_ASSIGN(const std::string text, node.text());
  const bool dots = std::count(text.begin(), text.end(), '.') == 2;
  const bool digits = text.find_first_not_of("0123456789.") == std::string::npos;
  if (!dots || !digits || (!text.starts_with("0.") && !text.starts_with("1."))) {
    return node.wrong("a version of SigMF up to 1.x (\"1.2.0\")");
  }
  return {};
}

Result<std::optional<std::string>> decode_hash(Fields& fields) {
  const auto node = fields.find("core:sha512");
  if (!node) return std::optional<std::string>();
  TRY_ASSIGN(std::string text, node->text());
  if (text.size() != 128 || text.find_first_not_of("0123456789abcdefABCDEF") != std::string::npos) {
    return node->wrong("128 hex digits");
  }
  for (char& c : text) c = c >= 'A' && c <= 'F' ? static_cast<char>(c - 'A' + 'a') : c;
  return std::optional<std::string>(std::move(text));
}

// Members that make a recording something that is not read here.
Result<void> refuse_the_unread(Fields& global) {
  if (const auto node = global.find("core:dataset")) {
    return node->refuse("a data file of another name is not read; expected the common stem");
  }
  if (const auto node = global.find("core:metadata_only")) {
    TRY_ASSIGN(const bool only, node->boolean());
    if (only) return node->refuse("the recording has no data file; expected one with samples");
  }
  if (const auto node = global.find("core:trailing_bytes")) {
    TRY_ASSIGN(const long long bytes, node->integer(0, most_index));
    if (bytes != 0) return node->refuse("data with trailing bytes is not read; expected 0");
  }
  if (const auto node = global.find("core:extensions")) {
    TRY_ASSIGN(const auto extensions, node->elements());
    for (const Node& each : extensions) {
      TRY_ASSIGN(auto fields, Fields::of(each, "an extension"));
      TRY_ASSIGN(const std::string name, fields.text("name"));
      TRY_ASSIGN(const bool optional, fields.boolean("optional", false));
      if (!optional) {
        return each.refuse("the extension \"" + excerpt(name) +
                           "\" is needed to understand the recording and is not read here");
      }
    }
  }
  return {};
}

Result<void> decode_global(const Node& node, SigmfMeta& meta, long long& offset) {
  TRY_ASSIGN(auto global, Fields::of(node, "the global part"));
  TRY_ASSIGN(const Node datatype, global.need("core:datatype"));
  TRY(decode_datatype(datatype, meta));
  TRY_ASSIGN(const Node version, global.need("core:version"));
  TRY(decode_version(version));
  if (const auto rate = global.find("core:sample_rate")) {
    TRY_ASSIGN(const double value, rate->number());
    if (!(value > 0) || value > highest_rate_hz) {
      return rate->wrong("a sample rate above 0 and at most 1e12 Hz");
    }
    meta.rate_hz = value;
  }
  TRY_ASSIGN(const long long channels,
             global.integer("core:num_channels", 1, static_cast<long long>(most_channels), 1));
  meta.num_channels = static_cast<std::size_t>(channels);
  TRY_ASSIGN(meta.sha512, decode_hash(global));
  TRY_ASSIGN(meta.description, global.text("core:description", ""));
  TRY_ASSIGN(offset, global.integer("core:offset", 0, most_index, 0));
  return refuse_the_unread(global);
}

Result<void> decode_segments(const Node& node, SigmfMeta& meta, long long offset) {
  TRY_ASSIGN(const auto segments, node.elements());
  if (segments.empty()) return {};
  if (segments.size() > 1) {
    return node.refuse("expected one segment of samples, found " + std::to_string(segments.size()) +
                       ": a fit must not run across a gap");
  }
  TRY_ASSIGN(auto fields, Fields::of(segments.front(), "a segment"));
  TRY_ASSIGN(const long long start, fields.integer("core:sample_start", offset, most_index));
  meta.first_sample = static_cast<std::uint64_t>(start - offset);
  meta.claimed_samples = meta.first_sample + 1;
  meta.claim = segments.front().pointer() + "/core:sample_start";
  if (const auto frequency = fields.find("core:frequency")) {
    TRY_ASSIGN(meta.centre_hz, frequency->number());
  }
  if (const auto datetime = fields.find("core:datetime")) {
    TRY_ASSIGN(meta.datetime, datetime->text());
    if (!meta.datetime.ends_with('Z') || meta.datetime.find('T') != 10) {
      return datetime->wrong("a UTC time such as \"2026-11-25T03:04:05.123Z\"");
    }
  }
  TRY_ASSIGN(const long long header, fields.integer("core:header_bytes", 0, most_index, 0));
  if (header != 0) return node.refuse("data with header bytes is not read; expected 0");
  return {};
}

Result<void> decode_annotations(const Node& node, SigmfMeta& meta, long long offset) {
  TRY_ASSIGN(const auto annotations, node.elements());
  for (const Node& each : annotations) {
    TRY_ASSIGN(auto fields, Fields::of(each, "an annotation"));
    TRY_ASSIGN(const long long start, fields.integer("core:sample_start", offset, most_index));
    TRY_ASSIGN(const long long count, fields.integer("core:sample_count", 0, most_index, 0));
    const auto end = static_cast<std::uint64_t>(start - offset) + static_cast<std::uint64_t>(count);
    if (end > meta.claimed_samples) {
      meta.claimed_samples = end;
      meta.claim = each.pointer();
    }
  }
  return {};
}

}  // namespace

Result<SigmfMeta> decode_sigmf_meta(std::string_view text, std::string name) {
  TRY_ASSIGN(const Node root, json::parse(text, std::move(name)));
  TRY_ASSIGN(auto fields, Fields::of(root, "a SigMF recording"));
  SigmfMeta meta;
  long long offset = 0;
  TRY_ASSIGN(const Node global, fields.need("global"));
  TRY(decode_global(global, meta, offset));
  TRY_ASSIGN(const Node segments, fields.need("captures"));
  TRY(decode_segments(segments, meta, offset));
  TRY_ASSIGN(const Node annotations, fields.need("annotations"));
  TRY(decode_annotations(annotations, meta, offset));
  return meta;
}

}  // namespace nightbench::capture
