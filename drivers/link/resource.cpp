#include "drivers/link/resource.hpp"

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cstdio>
#include <vector>

namespace nightbench::link {
namespace {

std::string upper(std::string_view text) {
  std::string out(text);
  for (char& c : out) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  return out;
}

bool starts_with_word(std::string_view text, std::string_view word) {
  return text.size() >= word.size() && upper(text.substr(0, word.size())) == word;
}

std::string_view trimmed(std::string_view text) {
  const auto blank = [](char c) { return static_cast<unsigned char>(c) <= ' '; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

// Cuts at "::", but not inside the brackets of an IPv6 address.
std::vector<std::string> cut(std::string_view text) {
  std::vector<std::string> fields(1);
  bool bracket = false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '[' && fields.back().empty()) bracket = text.find(']', i) != text.npos;
    if (text[i] == ']') bracket = false;
    if (!bracket && text[i] == ':' && i + 1 < text.size() && text[i + 1] == ':') {
      fields.emplace_back();
      ++i;
    } else {
      fields.back() += text[i];
    }
  }
  return fields;
}

// The name under way and how to complain about it.
struct Parse {
  std::string_view text;
  std::vector<std::string> fields;  // without class and suffix
  std::string suffix;               // INSTR, SOCKET, RAW

  std::unexpected<Error> wrong(const std::string& expected, const std::string& found) const {
    return fail(ErrorKind::bad_input, "resource name '" + std::string(text) + "': expected " +
                                          expected + ", found '" + found + "'");
  }
  std::unexpected<Error> wrong(const std::string& expected) const {
    return fail(ErrorKind::bad_input,
                "resource name '" + std::string(text) + "': expected " + expected);
  }

  Result<int> number(const std::string& field, int least, int most, const std::string& what) const {
    int value = 0;
    const auto [end, failed] = std::from_chars(field.data(), field.data() + field.size(), value);
    if (failed != std::errc() || end != field.data() + field.size() || value < least ||
        value > most) {
      return wrong(what + " from " + std::to_string(least) + " to " + std::to_string(most), field);
    }
    return value;
  }

  Result<std::uint16_t> port(const std::string& field) const {
    TRY_ASSIGN(const int value, number(field, 1, 65535, "a port number"));
    return static_cast<std::uint16_t>(value);
  }

  // Decimal, or hexadecimal with 0x.
  Result<std::uint16_t> usb_id(const std::string& field, const std::string& what) const {
    const bool hex = starts_with_word(field, "0X");
    const std::string digits = hex ? field.substr(2) : field;
    unsigned value = 0;
    const auto [end, failed] =
        std::from_chars(digits.data(), digits.data() + digits.size(), value, hex ? 16 : 10);
    if (failed != std::errc() || end != digits.data() + digits.size() || value > 0xFFFF) {
      return wrong(what + " from 0x0000 to 0xFFFF", field);
    }
    return static_cast<std::uint16_t>(value);
  }

  Result<std::string> host(const std::string& field) const {
    if (!field.empty() && field.front() == '[') {
      if (field.size() < 4 || field.back() != ']' || field.find(':') == std::string::npos) {
        return wrong("an IPv6 address in brackets, such as [fe80::1]", field);
      }
      return field.substr(1, field.size() - 2);
    }
    const bool good = !field.empty() && std::all_of(field.begin(), field.end(), [](char c) {
      return std::isalnum(static_cast<unsigned char>(c)) != 0 || c == '.' || c == '-' || c == '_';
    });
    if (!good) return wrong("a host name or address", field);
    return field;
  }
};

Result<Resource> parse_socket(const Parse& parse, int board) {
  if (parse.fields.size() != 2) {
    return parse.wrong("TCPIP::host::port::SOCKET (IPv6 hosts in brackets)");
  }
  SocketResource out;
  out.board = board;
  TRY_ASSIGN(out.host, parse.host(parse.fields[0]));
  TRY_ASSIGN(out.port, parse.port(parse.fields[1]));
  return Resource(std::move(out));
}

// "name,number" cut in two; the number is "" when there is none.
std::pair<std::string, std::string> at_comma(const std::string& field) {
  const std::size_t comma = field.rfind(',');
  if (comma == std::string::npos) return {field, ""};
  return {field.substr(0, comma), field.substr(comma + 1)};
}

Result<Resource> parse_hislip(const Parse& parse, int board) {
  HislipResource out;
  out.board = board;
  std::string host = parse.fields[0];
  if (const std::size_t at = host.find('@'); at != std::string::npos) {
    out.credential = host.substr(0, at);
    host = host.substr(at + 1);
    if (out.credential.empty()) return parse.wrong("a credential before '@'");
  }
  TRY_ASSIGN(out.host, parse.host(host));
  const auto [device, port] = at_comma(parse.fields[1]);
  out.device = device;
  if (parse.fields[1].find(',') != std::string::npos) {
    TRY_ASSIGN(out.port, parse.port(port));
  }
  return Resource(std::move(out));
}

Result<Resource> parse_tcpip(const Parse& parse, int board) {
  if (parse.suffix == "SOCKET") return parse_socket(parse, board);
  if (parse.suffix == "RAW") return parse.wrong("the suffix INSTR or SOCKET", "RAW");
  if (parse.fields.empty() || parse.fields.size() > 2) {
    return parse.wrong("TCPIP::host[::device][::INSTR] or TCPIP::host::port::SOCKET");
  }
  if (parse.fields.size() == 2 && starts_with_word(parse.fields[1], "HISLIP")) {
    return parse_hislip(parse, board);
  }
  Vxi11Resource out;
  out.board = board;
  if (parse.fields.size() == 2) {
    const std::string& device = parse.fields[1];
    if (device.empty()) return parse.wrong("a device name such as inst0", device);
    const bool digits = std::all_of(device.begin(), device.end(), [](char c) {
      return std::isdigit(static_cast<unsigned char>(c)) != 0;
    });
    // A lone number can only be a port whose SOCKET was forgotten.
    if (digits)
      return parse.wrong("a device name such as inst0, or the suffix SOCKET after a port");
    out.device = device;
  }
  const auto [host, port] = at_comma(parse.fields[0]);
  TRY_ASSIGN(out.host, parse.host(host));
  if (parse.fields[0].find(',') != std::string::npos) {
    TRY_ASSIGN(out.port, parse.port(port));
  }
  return Resource(std::move(out));
}

Result<Resource> parse_usb(Parse parse, int board) {
  if (parse.suffix == "SOCKET") return parse.wrong("the suffix INSTR or RAW", "SOCKET");
  if (parse.fields.size() < 3) {
    return parse.wrong("USB::vendor::product::serial[::interface][::INSTR]");
  }
  UsbResource out;
  out.board = board;
  out.raw = parse.suffix == "RAW";
  TRY_ASSIGN(out.vendor, parse.usb_id(parse.fields[0], "a vendor number"));
  TRY_ASSIGN(out.product, parse.usb_id(parse.fields[1], "a product number"));
  // A serial number may hold "::"; the last field is an interface only when it is a small number.
  if (parse.fields.size() > 3) {
    if (const auto interface = parse.number(parse.fields.back(), 0, 255, "an interface number")) {
      out.interface = *interface;
      parse.fields.pop_back();
    }
  }
  out.serial = parse.fields[2];
  for (std::size_t i = 3; i < parse.fields.size(); ++i) out.serial += "::" + parse.fields[i];
  return Resource(std::move(out));
}

Result<Resource> parse_gpib(const Parse& parse, int board) {
  if (parse.suffix != "INSTR") return parse.wrong("the suffix INSTR", parse.suffix);
  if (parse.fields.empty() || parse.fields.size() > 2) {
    return parse.wrong("GPIB::primary[::secondary][::INSTR]");
  }
  GpibResource out;
  out.board = board;
  TRY_ASSIGN(out.primary, parse.number(parse.fields[0], 0, 30, "a primary address"));
  if (parse.fields.size() == 2) {
    TRY_ASSIGN(out.secondary, parse.number(parse.fields[1], 0, 30, "a secondary address"));
  }
  return Resource(std::move(out));
}

Result<Resource> parse_serial(const Parse& parse, const std::string& after_class) {
  if (parse.suffix != "INSTR") return parse.wrong("the suffix INSTR", parse.suffix);
  if (!parse.fields.empty()) {
    return parse.wrong("ASRL[board][::INSTR] or ASRL/dev/ttyUSB0[::INSTR]");
  }
  SerialResource out;
  if (!after_class.empty() && after_class.front() == '/') {
    out.path = after_class;
    out.board = 0;
  } else if (!after_class.empty()) {
    TRY_ASSIGN(out.board, parse.number(after_class, 0, 255, "a port number or device path"));
  }
  return Resource(std::move(out));
}

struct Writer {
  static std::string begin(const char* name, int board) {
    std::string out(name);
    out += std::to_string(board);
    out += "::";
    return out;
  }
  static void add_host(std::string& out, const std::string& name) {
    const bool bracketed = name.find(':') != std::string::npos;
    if (bracketed) out += '[';
    out += name;
    if (bracketed) out += ']';
  }
  static void add_number(std::string& out, const char* before, int value) {
    out += before;
    out += std::to_string(value);
  }

  std::string operator()(const SocketResource& r) const {
    std::string out = begin("TCPIP", r.board);
    add_host(out, r.host);
    add_number(out, "::", r.port);
    return out + "::SOCKET";
  }
  std::string operator()(const Vxi11Resource& r) const {
    std::string out = begin("TCPIP", r.board);
    add_host(out, r.host);
    if (r.port) add_number(out, ",", *r.port);
    return out + "::" + r.device + "::INSTR";
  }
  std::string operator()(const HislipResource& r) const {
    std::string out = begin("TCPIP", r.board);
    if (!r.credential.empty()) out += r.credential + "@";
    add_host(out, r.host);
    out += "::" + r.device;
    if (r.port != HislipResource{}.port) add_number(out, ",", r.port);
    return out + "::INSTR";
  }
  std::string operator()(const UsbResource& r) const {
    char ids[32];
    std::snprintf(ids, sizeof ids, "0x%04X::0x%04X::", unsigned{r.vendor}, unsigned{r.product});
    std::string out = begin("USB", r.board) + ids + r.serial;
    if (r.interface) add_number(out, "::", *r.interface);
    return out + (r.raw ? "::RAW" : "::INSTR");
  }
  std::string operator()(const SerialResource& r) const {
    if (r.path.empty()) return begin("ASRL", r.board) + "INSTR";
    return "ASRL" + r.path + "::INSTR";
  }
  std::string operator()(const GpibResource& r) const {
    std::string out = begin("GPIB", r.board);
    add_number(out, "", r.primary);
    if (r.secondary) add_number(out, "::", *r.secondary);
    return out + "::INSTR";
  }
};

}  // namespace

Result<Resource> parse_resource(std::string_view text) {
  Parse parse;
  parse.text = trimmed(text);
  parse.fields = cut(parse.text);
  const std::string head = parse.fields.front();
  parse.fields.erase(parse.fields.begin());
  parse.suffix = "INSTR";
  if (!parse.fields.empty()) {
    const std::string last = upper(parse.fields.back());
    if (last == "INSTR" || last == "SOCKET" || last == "RAW") {
      parse.suffix = last;
      parse.fields.pop_back();
    }
  }
  // Followed by "::", a last ':' would move to the next field.
  if (parse.text.ends_with(':') && !parse.text.ends_with("::")) {
    return parse.wrong("no ':' at the end", std::string(parse.text));
  }
  if (starts_with_word(head, "ASRL")) return parse_serial(parse, head.substr(4));
  for (const std::string_view known : {"TCPIP", "USB", "GPIB"}) {
    if (!starts_with_word(head, known)) continue;
    const std::string digits = head.substr(known.size());
    int board = 0;
    if (!digits.empty()) {
      TRY_ASSIGN(board, parse.number(digits, 0, 255, "a board number"));
    }
    if (known == "TCPIP") return parse_tcpip(parse, board);
    if (known == "USB") return parse_usb(parse, board);
    return parse_gpib(parse, board);
  }
  return parse.wrong("TCPIP, USB, ASRL or GPIB at the start", head);
}

std::string normalised(const Resource& resource) {
  return std::visit(Writer{}, resource);
}

}  // namespace nightbench::link
