// Reads lines "kind<TAB>JSON text" from standard input and answers each with "ok" or with what the
// decoder of that kind says. Kinds: script, board-type, bench, dialect, simulated-bench, service,
// match, fault-book.
// The files need not exist; paths in them are not opened.
#include <iostream>
#include <string>

#include "daemon/nightbenchd/config.hpp"
#include "drivers/base/json.hpp"
#include "drivers/bench/bench_file.hpp"
#include "drivers/bench/match_file.hpp"
#include "drivers/instrument/dialect.hpp"
#include "mock_instruments/server/bench_plan.hpp"
#include "sequences/diagnosis/fault_book.hpp"
#include "sequences/script/board_type.hpp"
#include "sequences/script/script.hpp"

namespace nightbench {
namespace {

Result<void> decode(const std::string& kind, const std::string& text) {
  TRY_ASSIGN(const json::Node root, json::parse(text, "file.json"));
  if (kind == "script") {
    TRY(script::decode_script(root, text, {}));
  } else if (kind == "board-type") {
    TRY(script::decode_board_type(root, text));
  } else if (kind == "bench") {
    TRY(bench::decode_bench(root));
  } else if (kind == "match") {
    TRY(bench::decode_match(root));
  } else if (kind == "dialect") {
    TRY(instrument::decode_dialect(root));
  } else if (kind == "simulated-bench") {
    TRY(mock::server::decode_bench(root, "."));
  } else if (kind == "service") {
    TRY(daemon::decode_config(root));
  } else if (kind == "fault-book") {
    TRY(diagnosis::decode_fault_book(root));
  } else {
    return fail(ErrorKind::internal, "there is no kind \"" + kind + "\"");
  }
  return {};
}

}  // namespace
}  // namespace nightbench

int main() {
  for (std::string line; std::getline(std::cin, line);) {
    const std::size_t tab = line.find('\t');
    const auto decoded = nightbench::decode(line.substr(0, tab), line.substr(tab + 1));
    std::cout << (decoded ? "ok" : nightbench::describe(decoded.error())) << '\n';
  }
}
