// A bench in use: every instrument of a bench file opened, and reached by role.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/bench/bench_file.hpp"
#include "drivers/bench/match_file.hpp"
#include "drivers/instrument/lo_source.hpp"
#include "drivers/instrument/meter.hpp"
#include "drivers/instrument/relays.hpp"
#include "drivers/instrument/rf_source.hpp"
#include "drivers/instrument/scope.hpp"
#include "drivers/instrument/supply.hpp"
#include "drivers/link/link.hpp"

namespace nightbench::bench {

// Gives the (closed) link of an instrument: link::open for real ones, a simulated or replayed one
// else. `resource` is "" when the bench file names none.
using LinkMaker = std::function<Result<std::unique_ptr<link::Link>>(const std::string& instrument,
                                                                    const std::string& resource)>;
// Links by resource name.
LinkMaker real_links(Clock& clock);

// Called for every message of every instrument.
using BenchObserver =
    std::function<void(const std::string& instrument, const scpi::Traffic& traffic)>;

// What make_safe() could not do.
struct NotSafe {
  std::string instrument;
  Error error;
};

class Bench {
 public:
  // Makes the links, opens all instruments one after the other, checks identities. When one fails,
  // those opened are made safe and closed, and the first error is returned.
  static Awaitable<Result<std::unique_ptr<Bench>>> open(BenchFile file, Clock& clock,
                                                        LinkMaker links,
                                                        std::filesystem::path dialect_folder,
                                                        BenchObserver observer = {});
  ~Bench();

  const BenchFile& file() const { return file_; }
  Clock& clock() { return clock_; }

  // Null when the bench has none.
  instrument::RfSource* rf_source() { return rf_source_.get(); }
  instrument::LoSource* lo_source() { return lo_source_.get(); }
  instrument::Scope* scope() { return scope_.get(); }
  instrument::Meter* meter() { return meter_.get(); }
  instrument::Supply* supply() { return supply_.get(); }
  instrument::Relays* relays() { return relays_.get(); }
  // All, in the order in which make_safe() visits them.
  std::vector<instrument::Instrument*> all();

  // bad_input that lists the roles this bench lacks, if any.
  Result<void> require(const std::vector<instrument::Role>& roles) const;

  // The scope channel wired to a test point; bad_input when there is none.
  Result<int> scope_channel(std::string_view test_point) const;
  // Connects the meter to a test point: other channels in use are opened first, then its relay
  // closed. Without a relay nothing is to be done. Errors: bad_input when the meter is not wired
  // there.
  Awaitable<Result<void>> connect_meter(std::string test_point);
  // The wiring of the file, else a probe that place() says is there; null when there is neither.
  const Connection* where(instrument::Role role, std::string_view test_point) const;
  // A probe moved by hand ("scope/1") stands at a test point now; "" for nowhere.
  void place(const std::string& port, const std::string& test_point);

  // The measured match of the scope's channels; null when there is none that may be used.
  const MatchFile* match() const { return match_ ? &*match_ : nullptr; }
  // What it is and how old, or why none is used. One sentence.
  const std::string& match_remark() const { return match_remark_; }
  // From now on this one, which was just measured.
  void use_match(MatchFile match);

  // RF off, LO off, supply off, relays open: each attempted even when others fail, each within
  // `each_most`; an operation that is still pending is cancelled first, a closed connection opened
  // again. Returns what could not be switched off; empty is good.
  Awaitable<std::vector<NotSafe>> make_safe(Duration each_most = std::chrono::seconds(5));
  // Closes every link at once; pending operations end with `cancelled`. make_safe() still works.
  void close();

 private:
  Bench(BenchFile file, Clock& clock);
  Result<instrument::Instrument*> add(const InstrumentEntry& entry, const LinkMaker& links,
                                      const std::filesystem::path& dialect_folder,
                                      const BenchObserver& observer);
  Awaitable<Result<void>> switch_off(instrument::Instrument* one, Duration most);

  BenchFile file_;
  Clock& clock_;
  // Takes the kept match when it was made with this scope and is not too old.
  void consider_match(std::optional<MatchFile> kept);

  std::vector<Connection> placed_;
  std::optional<MatchFile> match_;
  std::string match_remark_;
  std::unique_ptr<instrument::RfSource> rf_source_;
  std::unique_ptr<instrument::LoSource> lo_source_;
  std::unique_ptr<instrument::Scope> scope_;
  std::unique_ptr<instrument::Meter> meter_;
  std::unique_ptr<instrument::Supply> supply_;
  std::unique_ptr<instrument::Relays> relays_;
};

}  // namespace nightbench::bench
