// The fault book: what is known about the ways in which a kind of board can be wrong, as a JSON
// file. For every fault what it predicts at each reading, how common it is, how it is mended and
// what to mind. Schema: docs/reference/schema/fault-book.schema.json; docs/reference/fault-book.md
// tells how its numbers are meant.
#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/error.hpp"
#include "drivers/base/json.hpp"
#include "sequences/diagnosis/expectation.hpp"

namespace nightbench::diagnosis {

// One reading that faults speak of.
struct BookReading {
  std::string id;     // "gain_balance", "via_0", "lo.phase"
  std::string title;  // for people
  Scale scale = Scale::db;
  // Nothing: a good board stays inside its board type's limits, wherever.
  std::optional<Expectation> healthy;
};

// Where a level is predicted to be absent, what needs that level (phase and balance of its pair; of
// I and Q the balance, the quadrature and what they do at a high IF) is unknown unless it is
// predicted itself.
//
// What a fault does to one reading, for intermediate frequencies from `if_from_hz` to `if_to_hz`.
struct Prediction {
  std::string reading;
  double if_from_hz = 0, if_to_hz = 0;   // 0 to 0: at any
  std::vector<Expectation> by_size;      // one, or one for each size of the fault
  const Expectation& at(std::size_t size) const { return by_size[by_size.size() == 1 ? 0 : size]; }
};

struct Fault {
  std::string id;     // "via_open_6"
  std::string title;  // "Wire of switch pin 6 open"
  std::string about;  // how it makes itself felt
  double prior = 1;   // how common, relative to the others
  std::vector<std::string> sizes;  // what it can amount to: "5 deg late"; at least one, "" alone
  std::vector<Prediction> predictions;
  std::string repair;
  std::vector<std::string> cautions;
  // The prediction for a reading at an IF (0: the reading has none); null: as on a good board.
  const Prediction* find(const std::string& reading, double if_hz) const;
};

struct FaultBook {
  std::string name, title;
  double prior_healthy = 0.5;  // of a board that comes to the bench
  double prior_pair = 0.05;    // that two things are wrong at once
  double prior_unknown = 0.01;  // that it is something the book does not know
  std::map<std::string, BookReading> readings;
  std::vector<Fault> faults;
  const Fault* find(std::string_view id) const;
};

// Errors: bad_input with file, pointer and expectation. Entries that stand for several faults
// ("each") are spread out; an error in such an entry names the values that were put in.
Result<FaultBook> read_fault_book(const std::filesystem::path& path);
Result<FaultBook> decode_fault_book(const json::Node& root);

}  // namespace nightbench::diagnosis
