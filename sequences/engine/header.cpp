#include "sequences/engine/header.hpp"

#include <openssl/evp.h>

#include <array>
#include <cstdio>

namespace nightbench::engine {
namespace {

std::string compact_time(WallTime time) {
  std::string out;  // 20261125T030405Z, the basic format of ISO 8601
  for (const char c : iso8601(time).substr(0, 19)) {
    if (c != '-' && c != ':') out += c;
  }
  return out + "Z";
}

std::string file_safe(const std::string& text) {
  std::string out;
  for (const char c : text) {
    const bool plain = (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') ||
                       c == '-' || c == '_' || c == '.';
    out += plain ? c : '_';
  }
  return out.substr(0, 60);
}

}  // namespace

std::string sha256_hex(std::string_view bytes) {
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned int size = 0;
  EVP_Digest(bytes.data(), bytes.size(), digest.data(), &size, EVP_sha256(), nullptr);
  std::string out;
  for (unsigned int i = 0; i < size; ++i) {
    std::array<char, 3> pair{};
    std::snprintf(pair.data(), pair.size(), "%02x", digest[i]);
    out += pair.data();
  }
  return out;
}

record::Header make_header(const script::Plan& plan, bench::Bench& bench,
                           const RunIdentity& identity) {
  const script::Script& script = plan.script();
  const script::BoardType& type = plan.board_type();
  record::Header header;
  header.started = bench.clock().wall();
  header.board = identity.board;
  header.person = identity.person;
  header.program_version = identity.program_version;
  header.board_type = type.name;
  header.board_type_title = type.title;
  header.board_type_text = type.text;
  header.script = script.name;
  header.script_file = script.file;
  header.script_text = script.text;
  header.script_sha256 = sha256_hex(script.text);
  header.parameters = script.parameters;
  header.bench = bench.file().name;
  header.bench_kind = bench::name(bench.file().kind);
  header.planned_points = plan.points();
  for (instrument::Instrument* each : bench.all()) {
    record::Instrument entry;
    entry.name = each->name();
    entry.resource = each->session().resource();
    entry.identity = each->identity().text;
    entry.dialect = each->dialect().name();
    entry.role = instrument::name(each->dialect().role());
    if (const bench::InstrumentEntry* listed = bench.file().named(each->name())) {
      entry.calibrated = listed->calibrated;
      entry.calibration_due = listed->calibration_due;
    }
    header.instruments.push_back(std::move(entry));
  }
  const std::string unique = identity.board + '\n' + header.script_sha256 + '\n' + header.bench +
                             '\n' + std::to_string(header.started.time_since_epoch().count());
  header.run_id = compact_time(header.started) + "-" + file_safe(identity.board) + "-" +
                  sha256_hex(unique).substr(0, 6);
  return header;
}

}  // namespace nightbench::engine
