#include "mock_instruments/transport/usb_descriptors.hpp"

#include <initializer_list>

namespace nightbench::mock::transport {
namespace {

// Descriptor types (USB 2.0, table 9-5).
constexpr unsigned device_type = 1;
constexpr unsigned configuration_type = 2;
constexpr unsigned string_type = 3;
constexpr unsigned interface_type = 4;
constexpr unsigned endpoint_type = 5;
constexpr unsigned qualifier_type = 6;

constexpr unsigned bulk = 2;
constexpr unsigned interrupt = 3;
constexpr unsigned english = 0x0409;

std::string bytes(std::initializer_list<unsigned> values) {
  std::string out;
  for (const unsigned value : values) out += static_cast<char>(value & 0xFFU);
  return out;
}

std::string endpoint(unsigned address, unsigned kind, std::size_t packet, unsigned interval) {
  const auto size = static_cast<unsigned>(packet);
  return bytes({7, endpoint_type, address, kind, size, size >> 8, interval});
}

}  // namespace

std::size_t bulk_packet(UsbSpeed speed) {
  return speed == UsbSpeed::high ? 512 : 64;
}

std::string device_descriptor(const UsbIdentity& identity) {
  const unsigned vendor = identity.vendor;
  const unsigned product = identity.product;
  return bytes({18, device_type, 0x00, 0x02, 0, 0, 0, 64, vendor, vendor >> 8, product,
                product >> 8, 0x00, 0x01, 1, 2, identity.serial.empty() ? 0U : 3U, 1});
}

std::string configuration_descriptor(const UsbIdentity& identity) {
  const std::size_t packet = bulk_packet(identity.speed);
  const unsigned pipes = identity.interrupt_pipe ? 3 : 2;
  std::string rest = bytes({9, interface_type, 0, 0, pipes, link::usbtmc::interface_class,
                            link::usbtmc::interface_subclass, identity.usb488 ? 1U : 0U, 0});
  rest += endpoint(usbtmc_out, bulk, packet, 0);
  rest += endpoint(usbtmc_in, bulk, packet, 0);
  if (identity.interrupt_pipe) {
    // 8 ms: 2^(7-1) microframes at high speed, frames at full speed.
    rest += endpoint(usbtmc_interrupt, interrupt, 2, identity.speed == UsbSpeed::high ? 7 : 8);
  }
  const auto total = static_cast<unsigned>(9 + rest.size());
  // Self-powered, 2 mA.
  return bytes({9, configuration_type, total, total >> 8, 1, 1, 0, 0xC0, 1}) + rest;
}

std::optional<std::string> string_descriptor(const UsbIdentity& identity, std::uint8_t index) {
  if (index == 0) return bytes({4, string_type, english, english >> 8});
  if (index > 3) return std::nullopt;
  const std::string& text = index == 1   ? identity.maker
                            : index == 2 ? identity.model
                                         : identity.serial;
  std::string out = bytes({static_cast<unsigned>(2 + 2 * text.size()), string_type});
  for (const char c : text) out += {c, '\0'};  // ASCII as UTF-16LE
  return out;
}

std::optional<std::string> answer_descriptor(const UsbIdentity& identity,
                                             const link::usbtmc::Setup& setup) {
  std::optional<std::string> out;
  switch (setup.value >> 8U) {
    case device_type:
      out = device_descriptor(identity);
      break;
    case configuration_type:
      if ((setup.value & 0xFFU) == 0) out = configuration_descriptor(identity);
      break;
    case string_type:
      out = string_descriptor(identity, static_cast<std::uint8_t>(setup.value & 0xFFU));
      break;
    case qualifier_type:
      // At the other speed the device is the same.
      if (identity.speed == UsbSpeed::high) {
        out = bytes({10, qualifier_type, 0x00, 0x02, 0, 0, 0, 64, 1, 0});
      }
      break;
    default:
      break;
  }
  if (out && out->size() > setup.length) out->resize(setup.length);
  return out;
}

}  // namespace nightbench::mock::transport
