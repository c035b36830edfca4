// Instruments that announce themselves by multicast DNS service discovery: a one-shot query (RFC
// 6762, 5.1) for the services of instruments, and what the answers add up to.
//
// Answers are anybody's: nothing here proves who a device is. Link-local only; routers stop it.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/discovery/dns.hpp"

namespace nightbench::discovery {

struct Service {
  std::string type;      // "_hislip._tcp"
  std::string instance;  // what people see; may hold anything, is no identity
  std::string address;   // "192.168.1.20", from the answer itself or else its sender
  std::uint16_t port = 0;
  std::string maker, model, serial, firmware;  // from the TXT record; often empty
};

// Collects answers. Bounded: at most 256 instances and 1024 hosts are kept.
class ServiceCollector {
 public:
  // `sender`: the address the packet came from. Packets that are no responses are ignored.
  void take(const DnsMessage& message, const std::string& sender);
  // What is still missing: SRV and TXT of instances, addresses of hosts. At most 20 questions.
  std::vector<DnsQuestion> open_questions() const;
  // Instances with a port and an address, in order of arrival.
  std::vector<Service> services() const;

 private:
  struct Instance {
    DnsName name;
    DnsName type;
    std::string sender;
    bool has_srv = false;
    bool has_txt = false;
    Srv srv;
    Txt txt;
  };
  struct Host {
    DnsName name;
    std::string address;
    bool version_4 = false;
  };
  Instance* find_instance(const DnsName& name);
  const Host* find_host(const DnsName& name) const;
  void take_ptr(const DnsRecord& record, const Ptr& ptr, const std::string& sender);
  void take_host(const DnsName& name, std::string address, bool version_4);

  std::vector<Instance> instances_;
  std::vector<Host> hosts_;
};

struct MdnsOptions {
  std::string address = "224.0.0.251";
  std::uint16_t port = 5353;
  // IPv4 addresses of our own interfaces to ask on; empty: all that are up.
  std::vector<std::string> interfaces;
  Duration listen = std::chrono::milliseconds(1500);
  Duration repeat = std::chrono::milliseconds(500);  // ask again, and for what is missing
};

// Asks, listens and returns what answered. Errors: refused when no socket can be had; an interface
// that cannot multicast is left out.
Awaitable<Result<std::vector<Service>>> find_services(MdnsOptions options, Clock& clock);

// The IPv4 interfaces that are up.
struct Interface {
  std::string address;
  std::string broadcast;  // empty when it has none
};
std::vector<Interface> interfaces();

// Packets from a fuzzer or a test through decoder and collector: what the two make of them.
std::vector<Service> services_in(const std::vector<std::string>& packets,
                                 const std::string& sender);

}  // namespace nightbench::discovery
