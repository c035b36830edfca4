#include "drivers/link/usbtmc/libusb_bus.hpp"

#include <array>
#include <cstdio>
#include <optional>
#include <utility>

#include "drivers/link/usbtmc/message.hpp"

namespace nightbench::link::usbtmc {
namespace {

struct HandleDeleter {
  void operator()(libusb_device_handle* handle) const { libusb_close(handle); }
};
using Handle = std::unique_ptr<libusb_device_handle, HandleDeleter>;

struct ConfigDeleter {
  void operator()(libusb_config_descriptor* config) const { libusb_free_config_descriptor(config); }
};
using Config = std::unique_ptr<libusb_config_descriptor, ConfigDeleter>;

// All devices on all buses, released together.
class DeviceList {
 public:
  explicit DeviceList(libusb_context* context) : count_(libusb_get_device_list(context, &list_)) {}
  ~DeviceList() {
    if (list_ != nullptr) libusb_free_device_list(list_, 1);
  }
  DeviceList(const DeviceList&) = delete;
  DeviceList& operator=(const DeviceList&) = delete;
  libusb_device** begin() const { return list_; }
  libusb_device** end() const { return list_ + (count_ > 0 ? count_ : 0); }

 private:
  libusb_device** list_ = nullptr;
  ssize_t count_;
};

std::string place_of(libusb_device* device) {
  std::string out = std::to_string(libusb_get_bus_number(device));
  std::array<std::uint8_t, 8> ports{};
  const int count = libusb_get_port_numbers(device, ports.data(), static_cast<int>(ports.size()));
  for (int i = 0; i < count; ++i) {
    out += (i == 0 ? '-' : '.') + std::to_string(ports[static_cast<std::size_t>(i)]);
  }
  return out;
}

std::string node_of(libusb_device* device) {
  char text[40];
  std::snprintf(text, sizeof text, "/dev/bus/usb/%03d/%03d", libusb_get_bus_number(device),
                libusb_get_device_address(device));
  return text;
}

std::string ids(std::uint16_t vendor, std::uint16_t product) {
  char text[24];
  std::snprintf(text, sizeof text, "0x%04X:0x%04X", vendor, product);
  return text;
}

// "" when the device has none or does not tell.
std::string string_of(libusb_device_handle* handle, std::uint8_t index) {
  if (index == 0) return "";
  std::array<unsigned char, 256> text{};
  const int count =
      libusb_get_string_descriptor_ascii(handle, index, text.data(), static_cast<int>(text.size()));
  if (count <= 0) return "";
  return std::string(reinterpret_cast<const char*>(text.data()), static_cast<std::size_t>(count));
}

std::optional<Interface> usbtmc_in(const libusb_interface_descriptor& found) {
  const bool ours = found.bInterfaceClass == interface_class &&
                    found.bInterfaceSubClass == interface_subclass &&
                    found.bInterfaceProtocol <= protocol_usb488;
  if (!ours) return std::nullopt;
  Interface out;
  out.number = found.bInterfaceNumber;
  out.alternate = found.bAlternateSetting;
  out.protocol = found.bInterfaceProtocol;
  for (int i = 0; i < found.bNumEndpoints; ++i) {
    const libusb_endpoint_descriptor& endpoint = found.endpoint[i];
    const bool in = (endpoint.bEndpointAddress & LIBUSB_ENDPOINT_IN) != 0;
    const int kind = endpoint.bmAttributes & LIBUSB_TRANSFER_TYPE_MASK;
    if (kind == LIBUSB_TRANSFER_TYPE_BULK && in) {
      out.in = endpoint.bEndpointAddress;
      out.in_packet = endpoint.wMaxPacketSize & 0x07FFU;
    } else if (kind == LIBUSB_TRANSFER_TYPE_BULK) {
      out.out = endpoint.bEndpointAddress;
    } else if (kind == LIBUSB_TRANSFER_TYPE_INTERRUPT && in) {
      out.interrupt = endpoint.bEndpointAddress;
    }
  }
  if (out.in == 0 || out.out == 0 || out.in_packet == 0) return std::nullopt;
  return out;
}

// The USBTMC interfaces of a device, the lowest number first.
std::vector<Interface> interfaces_of(libusb_device* device) {
  std::vector<Interface> out;
  libusb_config_descriptor* raw = nullptr;
  if (libusb_get_active_config_descriptor(device, &raw) != 0 &&
      libusb_get_config_descriptor(device, 0, &raw) != 0) {
    return out;
  }
  const Config config(raw);
  for (int i = 0; i < config->bNumInterfaces; ++i) {
    const libusb_interface& each = config->interface[i];
    for (int k = 0; k < each.num_altsetting; ++k) {
      const std::optional<Interface> found = usbtmc_in(each.altsetting[k]);
      if (!found) continue;
      out.push_back(*found);
      break;
    }
  }
  return out;
}

std::string no_permission(libusb_device* device, std::uint16_t vendor, std::uint16_t product) {
  return "no permission to use the USB device " + ids(vendor, product) + " (" + node_of(device) +
         "): install the udev rule as docs/how-to/usb-instruments.md tells, then plug the "
         "instrument in again";
}

Result<std::unique_ptr<Claim>> claim_device(libusb_device* device, Handle handle,
                                            const UsbResource& resource) {
  const std::string name = ids(resource.vendor, resource.product);
  std::optional<Interface> chosen;
  for (const Interface& each : interfaces_of(device)) {
    if (!chosen && (!resource.interface || *resource.interface == each.number)) chosen = each;
  }
  if (!chosen) {
    return fail(ErrorKind::refused, "the USB device " + name + " has no USBTMC interface" +
                                        (resource.interface ? " of that number" : ""));
  }
  // Refused by systems without kernel drivers to detach, where there is nothing to detach.
  libusb_set_auto_detach_kernel_driver(handle.get(), 1);
  int code = libusb_claim_interface(handle.get(), chosen->number);
  if (code == LIBUSB_ERROR_BUSY) {
    return fail(ErrorKind::refused, "another program uses the USB device " + name);
  }
  if (code != 0) return fail(usb_error(code, "the USB device " + name + " cannot be claimed"));
  auto out = std::make_unique<Claim>(handle.release(), *chosen);
  if (chosen->alternate != 0) {
    code = libusb_set_interface_alt_setting(out->handle(), chosen->number, chosen->alternate);
    if (code != 0) return fail(usb_error(code, "the USB device " + name + " cannot be set up"));
  }
  return out;
}

}  // namespace

Error usb_error(int code, std::string what) {
  Error error;
  error.kind = ErrorKind::refused;
  error.number = code;
  error.message = std::move(what) + ": " + libusb_strerror(static_cast<libusb_error>(code));
  return error;
}

Result<Context> open_context() {
  libusb_context* context = nullptr;
  const int code = libusb_init(&context);
  if (code != 0) return fail(usb_error(code, "USB cannot be used"));
  return Context(context);
}

Claim::~Claim() {
  libusb_release_interface(handle_, interface_.number);
  libusb_close(handle_);
}

Result<std::unique_ptr<Claim>> claim(libusb_context* context, const UsbResource& resource) {
  if (resource.raw) {
    return fail(ErrorKind::bad_input, "raw USB (\"::RAW\") is not served, only USBTMC");
  }
  const DeviceList devices(context);
  std::optional<Error> denied;
  std::string others;
  for (libusb_device* device : devices) {
    libusb_device_descriptor descriptor{};
    if (libusb_get_device_descriptor(device, &descriptor) != 0) continue;
    if (descriptor.idVendor != resource.vendor || descriptor.idProduct != resource.product) {
      continue;
    }
    libusb_device_handle* raw = nullptr;
    const int code = libusb_open(device, &raw);
    if (code == LIBUSB_ERROR_ACCESS) {
      denied = usb_error(code, "");
      denied->message = no_permission(device, resource.vendor, resource.product);
      continue;
    }
    if (code != 0) continue;  // it goes away just now
    Handle handle(raw);
    const std::string serial = string_of(handle.get(), descriptor.iSerialNumber);
    if (serial == resource.serial || resource.serial == '@' + place_of(device)) {
      return claim_device(device, std::move(handle), resource);
    }
    others += (others.empty() ? "" : ", ") + ('\'' + excerpt(serial) + '\'');
  }
  if (denied) return fail(*std::move(denied));
  std::string text = "no USB device " + ids(resource.vendor, resource.product) +
                     " with the serial number '" + resource.serial + "' is there";
  if (!others.empty()) text += ", only " + others;
  return fail(ErrorKind::refused, std::move(text));
}

std::vector<UsbInstrument> list(libusb_context* context) {
  std::vector<UsbInstrument> out;
  const DeviceList devices(context);
  for (libusb_device* device : devices) {
    libusb_device_descriptor descriptor{};
    if (libusb_get_device_descriptor(device, &descriptor) != 0) continue;
    const std::vector<Interface> interfaces = interfaces_of(device);
    if (interfaces.empty()) continue;
    UsbInstrument found;
    found.resource.vendor = descriptor.idVendor;
    found.resource.product = descriptor.idProduct;
    found.place = place_of(device);
    found.resource.serial = '@' + found.place;
    libusb_device_handle* raw = nullptr;
    const int code = libusb_open(device, &raw);
    if (code == 0) {
      const Handle handle(raw);
      const std::string serial = string_of(raw, descriptor.iSerialNumber);
      if (!serial.empty()) found.resource.serial = serial;
      found.text =
          string_of(raw, descriptor.iManufacturer) + ' ' + string_of(raw, descriptor.iProduct);
    } else if (code == LIBUSB_ERROR_ACCESS) {
      found.trouble = no_permission(device, descriptor.idVendor, descriptor.idProduct);
    } else {
      found.trouble = usb_error(code, "it cannot be opened").message;
    }
    for (std::size_t i = 0; i < interfaces.size(); ++i) {
      if (i > 0) found.resource.interface = interfaces[i].number;
      out.push_back(found);
    }
  }
  return out;
}

Result<std::vector<UsbInstrument>> list_usb_instruments() {
  TRY_ASSIGN(const Context context, open_context());
  return list(context.get());
}

}  // namespace nightbench::link::usbtmc
