#include "drivers/bench/bench_file.hpp"

#include <algorithm>
#include <set>

namespace nightbench::bench {

const char* name(Kind kind) {
  switch (kind) {
    case Kind::instruments:
      return "instruments";
    case Kind::simulated:
      return "simulated";
    case Kind::replay:
      return "replay";
  }
  return "?";
}

const InstrumentEntry* BenchFile::with_role(instrument::Role role) const {
  const auto found =
      std::find_if(instruments.begin(), instruments.end(),
                   [role](const InstrumentEntry& each) { return each.role == role; });
  return found == instruments.end() ? nullptr : &*found;
}

const InstrumentEntry* BenchFile::named(std::string_view wanted) const {
  const auto found =
      std::find_if(instruments.begin(), instruments.end(),
                   [wanted](const InstrumentEntry& each) { return each.name == wanted; });
  return found == instruments.end() ? nullptr : &*found;
}

std::string port_name(const Connection& connection) {
  return connection.port ? connection.instrument + "/" + std::to_string(*connection.port)
                         : connection.instrument;
}

std::vector<Connection> BenchFile::by_hand(instrument::Role role) const {
  std::vector<Connection> out;
  const InstrumentEntry* entry = with_role(role);
  if (entry == nullptr) return out;
  for (const Connection& each : connections) {
    if (each.by_hand && each.instrument == entry->name) out.push_back(each);
  }
  return out;
}

const Connection* BenchFile::where(instrument::Role role, std::string_view test_point) const {
  const InstrumentEntry* entry = with_role(role);
  if (entry == nullptr) return nullptr;
  const auto found = std::find_if(connections.begin(), connections.end(),
                                  [entry, test_point](const Connection& each) {
                                    return !each.by_hand && each.instrument == entry->name &&
                                           each.at == test_point;
                                  });
  return found == connections.end() ? nullptr : &*found;
}

std::vector<int> BenchFile::relay_channels() const {
  std::set<int> channels;
  for (const Connection& each : connections) {
    if (each.relay_channel) channels.insert(*each.relay_channel);
  }
  return {channels.begin(), channels.end()};
}

}  // namespace nightbench::bench
