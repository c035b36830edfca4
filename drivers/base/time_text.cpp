#include "drivers/base/time_text.hpp"

#include <charconv>
#include <cstdio>

namespace nightbench {

std::string exact_time(WallTime time) {
  using namespace std::chrono;
  const auto day = floor<days>(time);
  const year_month_day date(day);
  const hh_mm_ss<nanoseconds> clock(time - day);
  char text[80];
  std::snprintf(
      text, sizeof text, "%04d-%02u-%02uT%02d:%02d:%02d.%09dZ", static_cast<int>(date.year()),
      static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()),
      static_cast<int>(clock.hours().count()), static_cast<int>(clock.minutes().count()),
      static_cast<int>(clock.seconds().count()), static_cast<int>(clock.subseconds().count()));
  return text;
}

Result<WallTime> time_from(std::string_view text) {
  using namespace std::chrono;
  const auto refused = [&] {
    return fail(ErrorKind::bad_input,
                "expected a time such as \"2026-11-25T03:04:05.123456789Z\", found \"" +
                    std::string(text) + "\"");
  };
  constexpr std::string_view kForm = "dddd-dd-ddTdd:dd:dd";
  if (text.size() < kForm.size() + 1 || text.back() != 'Z') return refused();
  for (std::size_t i = 0; i < kForm.size(); ++i) {
    const bool digit = text[i] >= '0' && text[i] <= '9';
    if (kForm[i] == 'd' ? !digit : text[i] != kForm[i]) return refused();
  }
  const auto part = [&](std::size_t at, std::size_t size) {
    int value = 0;
    std::from_chars(text.data() + at, text.data() + at + size, value);
    return value;
  };
  const year_month_day date(year(part(0, 4)), month(static_cast<unsigned>(part(5, 2))),
                            std::chrono::day(static_cast<unsigned>(part(8, 2))));
  const int hour = part(11, 2);
  const int minute = part(14, 2);
  const int second = part(17, 2);
  // The years that 64 bits of nanoseconds reach, less a margin.
  if (!date.ok() || part(0, 4) < 1678 || part(0, 4) > 2261) return refused();
  if (hour > 23 || minute > 59 || second > 59) return refused();
  std::string_view fraction = text.substr(kForm.size(), text.size() - kForm.size() - 1);
  long long fraction_ns = 0;
  if (!fraction.empty()) {
    if (fraction.front() != '.' || fraction.size() < 2 || fraction.size() > 10) return refused();
    fraction.remove_prefix(1);
    for (std::size_t i = 0; i < 9; ++i) {
      const char digit = i < fraction.size() ? fraction[i] : '0';
      if (digit < '0' || digit > '9') return refused();
      fraction_ns = fraction_ns * 10 + (digit - '0');
    }
  }
  const Duration since = sys_days(date).time_since_epoch() + hours(hour) + minutes(minute) +
                         std::chrono::seconds(second) + nanoseconds(fraction_ns);
  return WallTime(since);
}

}  // namespace nightbench
