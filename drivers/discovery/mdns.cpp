#include "drivers/discovery/mdns.hpp"

#include <ifaddrs.h>
#include <net/if.h>

#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/address.hpp>
#include <optional>
#include <random>

#include "drivers/discovery/udp_query.hpp"

namespace nightbench::discovery {
namespace asio = boost::asio;

namespace {

constexpr std::size_t most_instances = 256;
constexpr std::size_t most_hosts = 1024;
constexpr std::size_t most_questions = 20;

const std::vector<std::string>& service_types() {
  // LXI Device Specification 10.4.3, VXI-11 and HiSLIP extended functions.
  static const std::vector<std::string> types = {"_hislip._tcp", "_vxi-11._tcp", "_scpi-raw._tcp",
                                                 "_lxi._tcp"};
  return types;
}

std::string type_text(const DnsName& type) {
  return type.size() < 2 ? std::string() : type[0] + "." + type[1];
}

}  // namespace

ServiceCollector::Instance* ServiceCollector::find_instance(const DnsName& name) {
  for (Instance& each : instances_) {
    if (same_name(each.name, name)) return &each;
  }
  return nullptr;
}

const ServiceCollector::Host* ServiceCollector::find_host(const DnsName& name) const {
  for (const Host& each : hosts_) {
    if (same_name(each.name, name)) return &each;
  }
  return nullptr;
}

void ServiceCollector::take_ptr(const DnsRecord& record, const Ptr& ptr,
                                const std::string& sender) {
  const bool ours = std::any_of(
      service_types().begin(), service_types().end(),
      [&](const std::string& type) { return same_name(record.name, dns_name(type + ".local")); });
  // An instance is one label in front of its type (RFC 6763, 4.1).
  if (!ours || ptr.target.size() != record.name.size() + 1) return;
  if (!same_name(DnsName(ptr.target.begin() + 1, ptr.target.end()), record.name)) return;
  if (find_instance(ptr.target) != nullptr || instances_.size() >= most_instances) return;
  Instance instance;
  instance.name = ptr.target;
  instance.type = record.name;
  instance.sender = sender;
  instances_.push_back(std::move(instance));
}

void ServiceCollector::take_host(const DnsName& name, std::string address, bool version_4) {
  for (Host& each : hosts_) {
    if (!same_name(each.name, name)) continue;
    // The first IPv4 address counts; IPv6 link-local ones need a scope that we do not know.
    if (!each.version_4 && version_4) {
      each.address = std::move(address);
      each.version_4 = true;
    }
    return;
  }
  if (hosts_.size() >= most_hosts) return;
  Host host;
  host.name = name;
  host.address = std::move(address);
  host.version_4 = version_4;
  hosts_.push_back(std::move(host));
}

void ServiceCollector::take(const DnsMessage& message, const std::string& sender) {
  if (!message.response) return;
  // Pointers first: what they point at may stand before them.
  for (const DnsRecord& record : message.records) {
    if (record.ttl_s == 0) continue;
    if (const Ptr* ptr = std::get_if<Ptr>(&record.data)) take_ptr(record, *ptr, sender);
  }
  for (const DnsRecord& record : message.records) {
    if (record.ttl_s == 0) {
      std::erase_if(instances_, [&](const Instance& each) {
        const Ptr* ptr = std::get_if<Ptr>(&record.data);
        return ptr != nullptr && same_name(each.name, ptr->target);
      });
      continue;
    }
    if (const auto* four = std::get_if<Address4>(&record.data)) {
      take_host(record.name, asio::ip::address_v4(four->bytes).to_string(), true);
    } else if (const auto* six = std::get_if<Address6>(&record.data)) {
      take_host(record.name, asio::ip::address_v6(six->bytes).to_string(), false);
    }
    Instance* const instance = find_instance(record.name);
    if (instance == nullptr) continue;
    if (const auto* srv = std::get_if<Srv>(&record.data)) {
      instance->srv = *srv;
      instance->has_srv = true;
    } else if (const auto* txt = std::get_if<Txt>(&record.data)) {
      instance->txt = *txt;
      instance->has_txt = true;
    }
  }
}

std::vector<DnsQuestion> ServiceCollector::open_questions() const {
  std::vector<DnsQuestion> out;
  for (const Instance& each : instances_) {
    if (!each.has_srv) out.push_back({each.name, DnsType::srv});
    if (!each.has_txt) out.push_back({each.name, DnsType::txt});
    if (each.has_srv && find_host(each.srv.host) == nullptr) {
      out.push_back({each.srv.host, DnsType::a});
    }
    if (out.size() + 3 > most_questions) break;
  }
  return out;
}

std::vector<Service> ServiceCollector::services() const {
  std::vector<Service> out;
  for (const Instance& each : instances_) {
    if (!each.has_srv || each.srv.port == 0) continue;
    const Host* const host = find_host(each.srv.host);
    Service service;
    service.type = type_text(each.type);
    service.instance = each.name.front();
    const bool known = host != nullptr && host->version_4;
    service.address = known ? host->address : each.sender;
    service.port = each.srv.port;
    service.maker = text_value(each.txt, "Manufacturer");
    service.model = text_value(each.txt, "Model");
    service.serial = text_value(each.txt, "SerialNumber");
    service.firmware = text_value(each.txt, "FirmwareVersion");
    out.push_back(std::move(service));
  }
  return out;
}

std::vector<Interface> interfaces() {
  std::vector<Interface> out;
  ifaddrs* all = nullptr;
  if (::getifaddrs(&all) != 0) return out;
  for (const ifaddrs* each = all; each != nullptr; each = each->ifa_next) {
    if (each->ifa_addr == nullptr || each->ifa_addr->sa_family != AF_INET) continue;
    if ((each->ifa_flags & IFF_UP) == 0) continue;
    const auto text = [](const sockaddr* address) {
      const auto* in = reinterpret_cast<const sockaddr_in*>(address);
      return asio::ip::address_v4(ntohl(in->sin_addr.s_addr)).to_string();
    };
    Interface interface;
    interface.address = text(each->ifa_addr);
    const bool broadcasts = (each->ifa_flags & IFF_BROADCAST) != 0;
    if (broadcasts && each->ifa_broadaddr != nullptr) {
      interface.broadcast = text(each->ifa_broadaddr);
    }
    out.push_back(std::move(interface));
  }
  ::freeifaddrs(all);
  return out;
}

std::vector<Service> services_in(const std::vector<std::string>& packets,
                                 const std::string& sender) {
  ServiceCollector collector;
  for (const std::string& packet : packets) {
    const Result<DnsMessage> message = decode_dns(packet);
    if (message) collector.take(*message, sender);
  }
  return collector.services();
}

Awaitable<Result<std::vector<Service>>> find_services(MdnsOptions options, Clock& clock) {
  std::vector<std::string> from = options.interfaces;
  if (from.empty()) {
    for (const Interface& each : interfaces()) from.push_back(each.address);
  }
  std::vector<UdpSocket> sockets;
  std::optional<Error> first;
  for (const std::string& address : from) {
    Result<UdpSocket> socket = UdpSocket::open(clock, address);
    if (socket) {
      sockets.push_back(*std::move(socket));
    } else if (!first) {
      first = socket.error();
    }
  }
  if (sockets.empty()) {
    if (first) co_return fail(*first);
    co_return fail(ErrorKind::refused, "no network interface is up");
  }
  const auto id = static_cast<std::uint16_t>(std::random_device()());
  std::vector<DnsQuestion> types;
  for (const std::string& type : service_types()) {
    types.push_back({dns_name(type + ".local"), DnsType::ptr});
  }
  ServiceCollector collector;
  const auto take = [&](std::string_view packet, const std::string& sender) {
    const Result<DnsMessage> message = decode_dns(packet);
    if (message) collector.take(*message, sender);  // nonsense from the network is no failure
  };
  const TimePoint end = clock.now() + options.listen;
  while (clock.now() < end) {
    std::vector<DnsQuestion> questions = types;
    const std::vector<DnsQuestion> missing = collector.open_questions();
    questions.insert(questions.end(), missing.begin(), missing.end());
    const std::string query = encode_dns_query(id, questions);
    const TimePoint until = std::min(end, clock.now() + options.repeat);
    co_await ask_and_listen(sockets, query, options.address, options.port, take, until, clock);
  }
  co_return collector.services();
}

}  // namespace nightbench::discovery
