#include "drivers/discovery/discovery.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <map>
#include <memory>
#include <utility>

#include "drivers/link/open.hpp"
#include "drivers/link/wake.hpp"

namespace nightbench::discovery {
namespace asio = boost::asio;

namespace {

constexpr std::size_t most_identity = 1024;
constexpr std::uint16_t raw_port = 5025;  // IANA: scpi-raw

std::string lan_name(const std::string& host, const std::string& rest) {
  std::string out = "TCPIP0::";
  const bool bracketed = host.find(':') != std::string::npos;
  if (bracketed) out += '[';
  out += host;
  if (bracketed) out += ']';
  out += "::";
  return out + rest;
}

std::string socket_name(const std::string& host, std::uint16_t port) {
  return lan_name(host, std::to_string(port) + "::SOCKET");
}

// Which way to a device to prefer: those with END, status byte and device clear first.
int rank(const std::string& resource) {
  if (resource.find("::hislip") != std::string::npos) return 0;
  if (resource.ends_with("::SOCKET")) return 3;
  return resource.starts_with("USB") ? 2 : 1;
}

// What all coroutines of one search share.
struct Search {
  Search(FindOptions its_options, Clock& its_clock)
      : options(std::move(its_options)), clock(its_clock), progress(its_clock) {}
  FindOptions options;
  Clock& clock;
  link::Wake progress;
  std::size_t running = 0;
  std::vector<Candidate> all;
  std::vector<Identified> identified;
  std::vector<std::string> notes;

  void begin() { ++running; }
  void end() {
    --running;
    progress.ring();
  }
  bool is_left_alone(const Candidate& candidate) const {
    const auto& names = options.leave_alone;
    return std::any_of(names.begin(), names.end(), [&](const std::string& name) {
      return name == candidate.address || name == candidate.resource;
    });
  }
};

Awaitable<void> search_mdns(std::shared_ptr<Search> search) {
  const Result<std::vector<Service>> services =
      co_await find_services(search->options.mdns, search->clock);
  if (services) {
    for (Candidate& each : candidates(*services)) search->all.push_back(std::move(each));
  } else {
    search->notes.push_back("mDNS: " + services.error().message);
  }
  search->end();
}

Awaitable<void> search_broadcast(std::shared_ptr<Search> search) {
  const Result<std::vector<Vxi11Host>> hosts =
      co_await find_vxi11(search->options.broadcast, search->clock);
  if (hosts) {
    for (Candidate& each : candidates(*hosts)) search->all.push_back(std::move(each));
  } else {
    search->notes.push_back("VXI-11 broadcast: " + hosts.error().message);
  }
  search->end();
}

Awaitable<Result<std::string>> read_identity(link::Link& link, TimePoint deadline) {
  CO_TRY(co_await link.connect(deadline));
  CO_TRY(co_await link.write("*IDN?\n", deadline));
  std::string text;
  for (;;) {
    Result<link::Chunk> chunk = co_await link.read(most_identity, deadline);
    if (!chunk) co_return fail(std::move(chunk).error());
    text += chunk->bytes;
    if (chunk->end || text.find('\n') != std::string::npos) co_return text;
    if (text.size() > most_identity) co_return fail(ErrorKind::bad_data, "an endless *IDN? answer");
  }
}

// The candidates of one address, one after another: many devices serve one client at a time.
Awaitable<void> identify(std::shared_ptr<Search> search, std::vector<Candidate> group) {
  for (Candidate& candidate : group) {
    const TimePoint deadline = search->clock.now() + search->options.identify;
    Result<std::unique_ptr<link::Link>> link = link::open(candidate.resource, search->clock);
    Result<std::string> answer = fail(ErrorKind::internal, "");
    if (link) {
      answer = co_await read_identity(**link, deadline);
    } else {
      answer = fail(link.error());
    }
    if (!answer) {
      search->notes.push_back(candidate.resource + ": " + answer.error().message);
      continue;
    }
    Identified identified;
    identified.candidate = std::move(candidate);
    identified.identity = scpi::parse_identity(*answer);
    search->identified.push_back(std::move(identified));
  }
  search->end();
}

Awaitable<void> all_ended(std::shared_ptr<Search> search) {
  while (search->running > 0) co_await search->progress.wait(TimePoint::max());
}

std::string key_of(const Identified& each) {
  const scpi::Identity& id = each.identity;
  std::string key = id.maker + '\n' + id.model + '\n' + id.serial;
  if (id.serial.empty() || id.serial == "0") key += '\n' + each.candidate.address;
  return key;
}

}  // namespace

std::vector<Candidate> candidates(const std::vector<Service>& services) {
  std::vector<Candidate> out;
  const auto add = [&](const Service& service, std::string resource) {
    Candidate candidate;
    candidate.resource = std::move(resource);
    candidate.source = "mdns";
    candidate.address = service.address;
    candidate.name = service.instance;
    const bool known = std::any_of(out.begin(), out.end(), [&](const Candidate& each) {
      return each.resource == candidate.resource;
    });
    if (!known) out.push_back(std::move(candidate));
  };
  for (const Service& each : services) {
    if (each.type == "_hislip._tcp") {
      const std::string port = each.port == 4880 ? "" : "," + std::to_string(each.port);
      add(each, lan_name(each.address, "hislip0" + port + "::INSTR"));
    } else if (each.type == "_vxi-11._tcp") {
      // The port that is announced is the port mapper's; 111 always.
      add(each, lan_name(each.address, "inst0::INSTR"));
    } else if (each.type == "_scpi-raw._tcp") {
      add(each, socket_name(each.address, each.port));
    }
  }
  for (const Service& each : services) {
    const bool reachable = std::any_of(
        out.begin(), out.end(), [&](const Candidate& way) { return way.address == each.address; });
    if (!reachable) add(each, socket_name(each.address, raw_port));
  }
  return out;
}

std::vector<Candidate> candidates(const std::vector<Vxi11Host>& hosts) {
  std::vector<Candidate> out;
  for (const Vxi11Host& each : hosts) {
    Candidate candidate;
    // Without the port: it is another after the device's next start.
    candidate.resource = lan_name(each.address, "inst0::INSTR");
    candidate.source = "vxi11-broadcast";
    candidate.address = each.address;
    out.push_back(std::move(candidate));
  }
  return out;
}

std::vector<Found> merge(std::vector<Identified> all) {
  std::stable_sort(all.begin(), all.end(), [](const Identified& a, const Identified& b) {
    return rank(a.candidate.resource) < rank(b.candidate.resource);
  });
  std::vector<Found> out;
  std::map<std::string, std::size_t> places;
  for (Identified& each : all) {
    const auto [place, fresh] = places.emplace(key_of(each), out.size());
    if (fresh) {
      Found found;
      found.resource = each.candidate.resource;
      found.identity = each.identity;
      out.push_back(std::move(found));
    }
    Found& found = out[place->second];
    const auto add = [](std::vector<std::string>& to, const std::string& text) {
      if (std::find(to.begin(), to.end(), text) == to.end()) to.push_back(text);
    };
    if (each.candidate.resource != found.resource) add(found.also, each.candidate.resource);
    add(found.sources, each.candidate.source);
    if (found.name.empty()) found.name = each.candidate.name;
  }
  return out;
}

Awaitable<FindResult> find(FindOptions options, Clock& clock) {
  const auto search = std::make_shared<Search>(std::move(options), clock);
  if (search->options.use_mdns) {
    search->begin();
    asio::co_spawn(clock.context(), search_mdns(search), asio::detached);
  }
  if (search->options.use_broadcast) {
    search->begin();
    asio::co_spawn(clock.context(), search_broadcast(search), asio::detached);
  }
  co_await all_ended(search);
  if (search->options.others) {
    for (Candidate& each : search->options.others()) search->all.push_back(std::move(each));
  }
  std::map<std::string, std::vector<Candidate>> groups;
  std::vector<Candidate> twice;  // found in a second way under the same name
  for (Candidate& each : search->all) {
    if (search->is_left_alone(each)) {
      search->notes.push_back(each.resource + ": in use, left alone");
      continue;
    }
    std::vector<Candidate>& group = groups[each.address.empty() ? each.resource : each.address];
    const bool known = std::any_of(group.begin(), group.end(), [&](const Candidate& other) {
      return other.resource == each.resource;
    });
    (known ? twice : group).push_back(std::move(each));
  }
  for (auto& [address, group] : groups) {
    search->begin();
    asio::co_spawn(clock.context(), identify(search, std::move(group)), asio::detached);
  }
  co_await all_ended(search);
  for (Candidate& each : twice) {
    const auto same = std::find_if(
        search->identified.begin(), search->identified.end(),
        [&](const Identified& one) { return one.candidate.resource == each.resource; });
    if (same == search->identified.end()) continue;
    Identified again;
    again.candidate = std::move(each);
    again.identity = same->identity;
    search->identified.push_back(std::move(again));
  }
  FindResult result;
  result.found = merge(std::move(search->identified));
  result.notes = std::move(search->notes);
  co_return result;
}

}  // namespace nightbench::discovery
