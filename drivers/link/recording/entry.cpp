#include "drivers/link/recording/entry.hpp"

#include <openssl/evp.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <vector>

#include "drivers/base/json.hpp"
#include "drivers/base/time_text.hpp"

namespace nightbench::link {
namespace {

using Json = nlohmann::ordered_json;

constexpr int kForm = 1;
constexpr long long kLongest_ns = 366LL * 24 * 3600 * 1'000'000'000;  // a year
const std::vector<std::string> kOperations{"connect", "write", "read", "clear", "status", "answer"};
constexpr ErrorKind kKinds[] = {ErrorKind::timeout,   ErrorKind::refused, ErrorKind::device,
                                ErrorKind::bad_data,  ErrorKind::bad_input, ErrorKind::storage,
                                ErrorKind::unsafe,    ErrorKind::cancelled, ErrorKind::internal};

bool plain(std::string_view bytes) {
  return std::all_of(bytes.begin(), bytes.end(), [](char c) {
    return (c >= 0x20 && c <= 0x7e) || c == '\n' || c == '\r' || c == '\t';
  });
}

std::string to_base64(std::string_view bytes) {
  std::string out(4 * ((bytes.size() + 2) / 3), '\0');
  EVP_EncodeBlock(reinterpret_cast<unsigned char*>(out.data()),
                  reinterpret_cast<const unsigned char*>(bytes.data()),
                  static_cast<int>(bytes.size()));
  return out;
}

Result<std::string> from_base64(const json::Node& node) {
  TRY_ASSIGN(const std::string text, node.text());
  std::string out(3 * (text.size() / 4), '\0');
  const int size = EVP_DecodeBlock(reinterpret_cast<unsigned char*>(out.data()),
                                   reinterpret_cast<const unsigned char*>(text.data()),
                                   static_cast<int>(text.size()));
  if (text.size() % 4 != 0 || size < 0) return node.wrong("base64");
  // The decoder counts the padding as bytes of zero.
  std::size_t padding = 0;
  while (padding < 2 && padding < text.size() && text[text.size() - 1 - padding] == '=') ++padding;
  out.resize(static_cast<std::size_t>(size) - padding);
  return out;
}

void put_bytes(Json& out, const std::string& bytes) {
  if (plain(bytes))
    out["text"] = bytes;
  else
    out["base64"] = to_base64(bytes);
}

Result<std::string> bytes_of(json::Fields& fields) {
  const auto coded = fields.find("base64");
  if (coded) return from_base64(*coded);
  return fields.text("text");
}

Result<Error> error_from(const json::Node& node) {
  Error out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "an error"));
  TRY_ASSIGN(const json::Node kind, fields.need("kind"));
  std::vector<std::string> kinds;
  for (const ErrorKind each : kKinds) kinds.emplace_back(name(each));
  TRY_ASSIGN(const std::size_t which, kind.word(kinds));
  out.kind = kKinds[which];
  TRY_ASSIGN(out.message, fields.text("message"));
  TRY_ASSIGN(const long long number, fields.integer("number", -1'000'000'000, 1'000'000'000, 0));
  out.number = static_cast<int>(number);
  TRY(fields.finish());
  return out;
}

std::string dumped(const Json& value) {
  return value.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

}  // namespace

const char* word(Operation operation) {
  return kOperations[static_cast<std::size_t>(operation)].c_str();
}

std::string line_of(const Heading& heading) {
  return dumped({{"recording", kForm},
                 {"bench", heading.bench},
                 {"bench_kind", heading.bench_kind},
                 {"program_version", heading.program_version},
                 {"started", exact_time(heading.started)}});
}

std::string line_of(const Entry& entry) {
  Json out{{"at_ns", entry.at.count()},
           {"took_ns", entry.took.count()},
           {"who", entry.who},
           {"op", word(entry.operation)}};
  switch (entry.operation) {
    case Operation::connect:
      out["resource"] = entry.resource;
      if (entry.marks_end) out["marks_end"] = true;
      break;
    case Operation::write:
      put_bytes(out, entry.bytes);
      break;
    case Operation::read:
      if (!entry.error) put_bytes(out, entry.bytes);
      if (entry.end) out["end"] = true;
      break;
    case Operation::status:
      if (!entry.error) out["byte"] = entry.status;
      break;
    case Operation::answer:
      put_bytes(out, entry.bytes);
      if (!entry.error) out["answer"] = entry.answer;
      if (!entry.remark.empty()) out["remark"] = entry.remark;
      break;
    case Operation::clear:
      break;
  }
  if (entry.error) {
    out["error"] = {{"kind", name(entry.error->kind)}, {"message", entry.error->message}};
    if (entry.error->number != 0) out["error"]["number"] = entry.error->number;
  }
  return dumped(out);
}

Result<Heading> heading_from(std::string_view line, const std::string& file) {
  Heading out;
  TRY_ASSIGN(const json::Node node, json::parse(std::string(line), file));
  TRY_ASSIGN(auto fields, json::Fields::of(node, "the head of a recording"));
  TRY(fields.integer("recording", kForm, kForm));
  TRY_ASSIGN(out.bench, fields.text("bench"));
  TRY_ASSIGN(out.bench_kind, fields.text("bench_kind"));
  TRY_ASSIGN(out.program_version, fields.text("program_version"));
  TRY_ASSIGN(const json::Node started, fields.need("started"));
  TRY_ASSIGN(const std::string text, started.text());
  const auto time = time_from(text);
  if (!time) return started.refuse(time.error().message);
  out.started = *time;
  TRY(fields.finish());
  return out;
}

Result<Entry> entry_from(std::string_view line, const std::string& file) {
  Entry out;
  TRY_ASSIGN(const json::Node node, json::parse(std::string(line), file));
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a line of a recording"));
  TRY_ASSIGN(const long long at, fields.integer("at_ns", 0, kLongest_ns));
  TRY_ASSIGN(const long long took, fields.integer("took_ns", 0, kLongest_ns));
  out.at = Duration(at);
  out.took = Duration(took);
  TRY_ASSIGN(out.who, fields.text("who"));
  TRY_ASSIGN(const json::Node op, fields.need("op"));
  TRY_ASSIGN(const std::size_t which, op.word(kOperations));
  out.operation = static_cast<Operation>(which);
  if (const auto error = fields.find("error")) {
    TRY_ASSIGN(out.error, error_from(*error));
  }
  switch (out.operation) {
    case Operation::connect: {
      TRY_ASSIGN(out.resource, fields.text("resource"));
      TRY_ASSIGN(out.marks_end, fields.boolean("marks_end", false));
      break;
    }
    case Operation::write: {
      TRY_ASSIGN(out.bytes, bytes_of(fields));
      break;
    }
    case Operation::read: {
      if (!out.error) {
        TRY_ASSIGN(out.bytes, bytes_of(fields));
      }
      TRY_ASSIGN(out.end, fields.boolean("end", false));
      break;
    }
    case Operation::status: {
      if (!out.error) {
        TRY_ASSIGN(const long long byte, fields.integer("byte", 0, 255));
        out.status = static_cast<int>(byte);
      }
      break;
    }
    case Operation::answer: {
      TRY_ASSIGN(out.bytes, bytes_of(fields));
      if (!out.error) {
        TRY_ASSIGN(out.answer, fields.text("answer"));
      }
      TRY_ASSIGN(out.remark, fields.text("remark", ""));
      break;
    }
    case Operation::clear: break;
  }
  TRY(fields.finish());
  return out;
}

}  // namespace nightbench::link
