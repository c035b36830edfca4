#include "sequences/report/markup.hpp"

#include <array>
#include <cstdio>

#include "sequences/record/text.hpp"

namespace nightbench::report {

std::string escaped(std::string_view text) {
  std::string out;
  for (const char c : record::printable(text)) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&#39;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string escaped_prose(std::string_view text) {
  std::string out;
  const std::string plain = escaped(text);
  const auto is_digit = [](char c) { return c >= '0' && c <= '9'; };
  for (std::size_t i = 0; i < plain.size(); ++i) {
    const bool after_number = plain[i] == ' ' && i > 0 && is_digit(plain[i - 1]);
    const bool before_word = i + 1 < plain.size() && !is_digit(plain[i + 1]) && plain[i + 1] != '-';
    out += after_number && before_word ? std::string("\u00a0") : std::string(1, plain[i]);
  }
  return out;
}

std::string attribute(std::string_view name, std::string_view value) {
  std::string out(" ");
  out.append(name).append("=\"").append(escaped(value)).append("\"");
  return out;
}

std::string css_string(std::string_view text) {
  constexpr std::string_view kPlain = " -_.:";
  std::string out = "\"";
  for (const char c : record::printable(text)) {
    const bool letter = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
    const bool beyond_ascii = static_cast<unsigned char>(c) >= 0x80;
    if (letter || beyond_ascii || kPlain.find(c) != std::string_view::npos) {
      out += c;
    } else {
      std::array<char, 12> code{};
      std::snprintf(code.data(), code.size(), "\\%06x", static_cast<unsigned char>(c));
      out += code.data();
    }
  }
  return out + "\"";
}

std::string scrolling(const std::string& name) {
  return "<div class=\"scroll\" role=\"region\" tabindex=\"0\"" + attribute("aria-label", name) +
         ">";
}

}  // namespace nightbench::report
