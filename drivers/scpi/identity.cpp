#include <string>

#include "drivers/scpi/session.hpp"

namespace nightbench::scpi {

Identity parse_identity(std::string_view text) {
  Identity out;
  out.text = std::string(trimmed(text));
  std::string* const fields[] = {&out.maker, &out.model, &out.serial, &out.firmware};
  std::string_view rest = out.text;
  for (std::size_t i = 0; i < 4; ++i) {
    // Plain commas: quotes have no meaning here, and the last field keeps its own commas.
    const std::size_t comma = i < 3 ? rest.find(',') : std::string_view::npos;
    *fields[i] = std::string(trimmed(rest.substr(0, comma)));
    if (comma == std::string_view::npos) break;
    rest.remove_prefix(comma + 1);
  }
  return out;
}

Result<QueueEntry> parse_queue_entry(std::string_view text) {
  const std::vector<std::string> parts = split(text, ',', 1);
  QueueEntry out;
  const auto number = read_integer(parts[0]);
  if (!number || *number < -100'000'000 || *number > 100'000'000) {
    return fail(
        ErrorKind::bad_data,
        "expected an entry of the error queue such as 0,\"No error\", found '" + shown(text) + "'");
  }
  out.number = static_cast<int>(*number);
  if (parts.size() > 1) {
    // The number is what counts; a badly quoted text is taken as it is.
    out.text = read_string(parts[1]).value_or(parts[1]);
  }
  return out;
}

}  // namespace nightbench::scpi
