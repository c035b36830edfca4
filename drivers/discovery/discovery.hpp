// Finds instruments on the local network: those that announce themselves (mDNS), those that answer
// a VXI-11 broadcast, and what a hook adds (USB). Each candidate is asked for *IDN?, and what turns
// out to be one device in several ways is one entry.
//
// Nothing is found on serial ports: a question at a wrong speed may upset a device. Devices in use
// must be named in `leave_alone`: some serve one client only, and a question would break a run.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/discovery/mdns.hpp"
#include "drivers/discovery/vxi11_broadcast.hpp"
#include "drivers/scpi/session.hpp"

namespace nightbench::discovery {

// Something that may be an instrument.
struct Candidate {
  std::string resource;  // VISA resource name
  std::string source;    // "mdns", "vxi11-broadcast", "usb"
  std::string address;   // devices at one address are asked one after another
  std::string name;      // as announced; no identity
};

struct Found {
  std::string resource;           // the way to prefer: HiSLIP, VXI-11, USB, then a raw socket
  std::vector<std::string> also;  // the other ways to the same device
  scpi::Identity identity;        // as *IDN? answered
  std::vector<std::string> sources;
  std::string name;  // as announced, or empty
};

struct FindOptions {
  MdnsOptions mdns;
  BroadcastOptions broadcast;
  bool use_mdns = true;
  bool use_broadcast = true;
  // Further candidates, for transports that are looked up otherwise (USB by class).
  std::function<std::vector<Candidate>()> others;
  std::vector<std::string> leave_alone;         // addresses and resource names that are in use
  Duration identify = std::chrono::seconds(2);  // limit for one *IDN?
};

struct FindResult {
  std::vector<Found> found;
  // Candidates that did not answer *IDN?, with the reason; and searches that failed.
  std::vector<std::string> notes;
};

// Takes about as long as the longer of the two searches, plus the slowest *IDN?. Never fails as a
// whole.
Awaitable<FindResult> find(FindOptions options, Clock& clock);

// ---- the parts without I/O ----

// The ways that a list of announcements names. `_lxi._tcp` alone is an identity, not a way; port
// 5025 of such a device is tried.
std::vector<Candidate> candidates(const std::vector<Service>& services);
std::vector<Candidate> candidates(const std::vector<Vxi11Host>& hosts);

struct Identified {
  Candidate candidate;
  scpi::Identity identity;
};
// One entry a device: the same maker, model and serial number; devices without a serial number
// (empty or "0") are told apart by their address as well.
std::vector<Found> merge(std::vector<Identified> all);

}  // namespace nightbench::discovery
