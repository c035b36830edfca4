// The CURVe family.
#include <algorithm>
#include <cmath>
#include <utility>

#include "mock_instruments/instrument/sample_bytes.hpp"
#include "mock_instruments/instrument/scope.hpp"

namespace nightbench::mock::instrument {
namespace {

constexpr double kDivisions = 10.0;
constexpr std::size_t kAscii = 4;

}  // namespace

ScopeCurve::ScopeCurve(World& world, Setup setup, const ScopeConfig& config,
                       std::unique_ptr<WaveSource> source)
    : Scope(world, std::move(setup), config, kDivisions, std::move(source)) {
  add_channel_state(":SELect:CH" + range());
  add_full_scale(":CH" + range() + ":SCAle", kDivisions);
  add_offset(":CH" + range() + ":OFFSet");
  add_coupling(":CH" + range() + ":COUPling");
  add_acquisition();
  add_read_out();
  reset({});
}

void ScopeCurve::reset(TimePoint now) {
  Scope::reset(now);
  single_ = false;
  channel_ = 0;
  encoding_ = 0;
  width_ = 1;
  start_ = 1;
  stop_ = 10'000;
}

std::string ScopeCurve::response_prefix(const Header& header) {
  if (!header_ || header.common) return {};
  std::string out = header.absolute ? "" : ":";
  for (const char c : header.text) {
    if (c != '?') out += c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
  }
  return out + ' ';
}

void ScopeCurve::add_acquisition() {
  constexpr double kTimeDivisions = 10.0;
  add_rate(":HORizontal:SAMPLERate");
  add_points(":HORizontal:RECOrdlength");
  tree_.add_number(
      ":HORizontal:SCAle", SuffixUnit::second, [](const Call&) { return Limits{1e-9, 50.0, 1e-3}; },
      [this](const Call&) {
        return static_cast<double>(front_.points()) / front_.rate_hz() / kTimeDivisions;
      },
      [this](Call&, double scale) {
        front_.set_rate(static_cast<double>(front_.points()) / (scale * kTimeDivisions));
      });
  tree_.add_number(
      ":HORizontal:POSition", SuffixUnit::percent,
      [](const Call&) { return Limits{0.0, 100.0, 0.0}; },
      [this](const Call&) { return 100.0 * front_.pre_trigger; },
      [this](Call&, double percent) { front_.pre_trigger = percent / 100.0; });
  tree_.add_word(
      ":ACQuire:MODe", {"SAMple", "AVErage"},
      [this](const Call&) { return static_cast<std::size_t>(averaging_ ? 1 : 0); },
      [this](Call&, std::size_t which) { averaging_ = which == 1; });
  add_averages(":ACQuire:NUMAVg");
  tree_.add_word(
      ":ACQuire:STOPAfter", {"RUNSTop", "SEQuence"},
      [this](const Call&) { return static_cast<std::size_t>(single_ ? 1 : 0); },
      [this](Call&, std::size_t which) { single_ = which == 1; });
  const auto set_state = [this](Call& call, bool on) {
    if (!on) {
      front_.stop();
      end_operations(call.now);
    } else if (single_) {
      arm(call);
    } else {
      front_.run();
    }
  };
  tree_.add(":ACQuire:STATE", {word({"RUN", "STOP", "ON", "OFF", "1", "0"})},
            [set_state](Call& call) { set_state(call, call.values[0].word % 2 == 0); });
  const auto busy = [this](Call& call) {
    call.answer(front_.running() || front_.armed(call.now) ? "1" : "0");
  };
  tree_.add(":ACQuire:STATE?", {}, busy);
  tree_.add(":BUSY?", {}, busy);
  tree_.add_word(
      ":TRIGger:A:MODe", {"AUTO", "NORMal"},
      [this](const Call&) { return static_cast<std::size_t>(front_.trigger.normal ? 1 : 0); },
      [this](Call&, std::size_t which) { front_.trigger.normal = which == 1; });
  tree_.add_word(
      ":TRIGger:A:EDGE:SOUrce", channel_words("CH"),
      [this](const Call&) { return static_cast<std::size_t>(front_.trigger.channel) - 1; },
      [this](Call&, std::size_t which) { front_.trigger.channel = static_cast<int>(which) + 1; });
  tree_.add_word(
      ":TRIGger:A:EDGE:SLOpe", {"RISe", "FALL"},
      [this](const Call&) { return static_cast<std::size_t>(front_.trigger.falling ? 1 : 0); },
      [this](Call&, std::size_t which) { front_.trigger.falling = which == 1; });
  add_level(":TRIGger:A:LEVel");
}

void ScopeCurve::add_read_out() {
  tree_.add_boolean(
      ":HEADer", [this](const Call&) { return header_; }, [this](Call&, bool on) { header_ = on; });
  tree_.add_word(
      ":DATa:SOUrce", channel_words("CH"), [this](const Call&) { return channel_; },
      [this](Call&, std::size_t which) { channel_ = which; });
  tree_.add_word(
      ":DATa:ENCdg", {"RIBinary", "RPBinary", "SRIbinary", "SRPbinary", "ASCIi"},
      [this](const Call&) { return encoding_; },
      [this](Call&, std::size_t which) { encoding_ = which; });
  const auto add_integer = [this](const char* pattern, double most, auto get, auto set) {
    tree_.add(pattern, {number()}, [most, set](Call& call) {
      const double wanted = std::round(call.values[0].number);
      if (!(wanted >= 1 && wanted <= most)) return call.error(-222);
      set(wanted);
    });
    tree_.add(std::string(pattern) + '?', {},
              [get](Call& call) { call.answer(nr1(static_cast<long long>(get()))); });
  };
  add_integer(
      ":DATa:WIDth", 2.0, [this] { return width_; },
      [this](double value) { width_ = static_cast<int>(value); });
  const auto most = static_cast<double>(front_.config().memory);
  add_integer(
      ":DATa:STARt", most, [this] { return start_; },
      [this](double value) { start_ = static_cast<std::size_t>(value); });
  add_integer(
      ":DATa:STOP", most, [this] { return stop_; },
      [this](double value) { stop_ = static_cast<std::size_t>(value); });

  for (const char* field : {"BYT_NR", "BIT_NR", "ENCDG", "BN_FMT", "BYT_OR", "NR_PT", "XINCR",
                            "XZERO", "PT_OFF", "YMULT", "YOFF", "YZERO"}) {
    tree_.add(":WFMOutpre:" + std::string(field) + '?', {}, [this, field](Call& call) {
      const ScopeRecord* record = fetch(call, static_cast<int>(channel_) + 1);
      if (record == nullptr) return;
      for (const Field& each : preamble(*record)) {
        if (each.name == field) call.answer(each.value);
      }
    });
  }
  tree_.add(":WFMOutpre?", {}, [this](Call& call) {
    const ScopeRecord* record = fetch(call, static_cast<int>(channel_) + 1);
    if (record == nullptr) return;
    std::string out;
    for (const Field& each : preamble(*record)) {
      append_item(out, header_ ? each.name + ' ' + each.value : each.value, ';');
    }
    call.answer(out);
  });
  tree_.add(":CURVe?", {}, [this](Call& call) {
    const ScopeRecord* record = fetch(call, static_cast<int>(channel_) + 1);
    if (record == nullptr) return;
    const std::string bytes = curve(*record);
    if (encoding_ != kAscii) return answer_block(call, bytes);
    call.answer(bytes);
    call.take(latency().transfer(bytes.size()));
  });
}

std::pair<std::size_t, std::size_t> ScopeCurve::selected(const ScopeRecord& record) const {
  const std::size_t first = std::min(start_, record.raw.size()) - 1;
  const std::size_t last = std::min(std::max(stop_, start_), record.raw.size());
  return {first, last - first};
}

std::vector<ScopeCurve::Field> ScopeCurve::preamble(const ScopeRecord& record) const {
  const auto [first, count] = selected(record);
  const bool narrow = width_ == 1;
  const double middle = positive() ? (narrow ? 128.0 : 32768.0) : 0.0;
  return {
      {"BYT_NR", nr1(width_)},
      {"BIT_NR", nr1(8LL * width_)},
      {"ENCDG", encoding_ == kAscii ? "ASC" : "BIN"},
      {"BN_FMT", positive() ? "RP" : "RI"},
      {"BYT_OR", little() ? "LSB" : "MSB"},
      {"NR_PT", nr1(static_cast<long long>(count))},
      {"XINCR", nr3(record.dt_s)},
      {"XZERO", nr3(0.0, 4)},
      {"PT_OFF", nr1(static_cast<long long>(record.trigger_index) - static_cast<long long>(first))},
      {"YMULT", nr3(record.volts_per_raw() * (narrow ? 256.0 : 1.0))},
      {"YOFF", nr3(middle, 6)},
      {"YZERO", nr3(record.offset_v)},
  };
}

std::string ScopeCurve::curve(const ScopeRecord& record) const {
  const auto [first, count] = selected(record);
  std::string out;
  for (std::size_t i = first; i < first + count; ++i) {
    const int code = width_ == 1 ? record.raw[i] >> 8 : record.raw[i];
    const int middle = positive() ? (width_ == 1 ? 128 : 32768) : 0;
    if (encoding_ == kAscii)
      append_item(out, nr1(code));
    else if (width_ == 1)
      out += static_cast<char>(static_cast<unsigned char>(code + middle));
    else
      append_bytes(out, static_cast<std::uint16_t>(code + middle), little());
  }
  return out;
}

}  // namespace nightbench::mock::instrument
