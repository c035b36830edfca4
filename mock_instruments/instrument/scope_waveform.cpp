// The WAVeform family.
#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "mock_instruments/instrument/sample_bytes.hpp"
#include "mock_instruments/instrument/scope.hpp"

namespace nightbench::mock::instrument {
namespace {

constexpr double kDivisions = 8.0;
enum Format : std::size_t { byte_codes, word_codes, ascii, real };

}  // namespace

ScopeWaveform::ScopeWaveform(World& world, Setup setup, const ScopeConfig& config,
                             std::unique_ptr<WaveSource> source)
    : Scope(world, std::move(setup), config, kDivisions, std::move(source)) {
  const std::string channel = ":CHANnel" + range();
  add_channel_state(channel + ":DISPlay");
  add_full_scale(channel + ":RANGe", 1.0);
  add_full_scale(channel + ":SCALe", kDivisions);
  add_offset(channel + ":OFFSet");
  add_coupling(channel + ":COUPling");
  add_acquisition();
  add_read_out();
  reset({});
}

void ScopeWaveform::reset(TimePoint now) {
  Scope::reset(now);
  channel_ = 0;
  format_ = byte_codes;
  order_ = 0;
  unsigned_ = true;
  points_ = 0;
}

void ScopeWaveform::add_acquisition() {
  constexpr double kTimeDivisions = 10.0;
  tree_.add_number(
      ":TIMebase:SCALe", SuffixUnit::second, [](const Call&) { return Limits{1e-9, 50.0, 1e-3}; },
      [this](const Call&) {
        return static_cast<double>(front_.points()) / front_.rate_hz() / kTimeDivisions;
      },
      [this](Call&, double scale) {
        front_.set_rate(static_cast<double>(front_.points()) / (scale * kTimeDivisions));
      });
  tree_.add_word(
      ":TIMebase:REFerence", {"LEFT", "CENTer"},
      [this](const Call&) { return static_cast<std::size_t>(front_.pre_trigger > 0 ? 1 : 0); },
      [this](Call&, std::size_t which) { front_.pre_trigger = which == 1 ? 0.5 : 0.0; });
  add_rate(":ACQuire:SRATe");
  add_points(":ACQuire:POINts");
  tree_.add_word(
      ":ACQuire:TYPE", {"NORMal", "AVERage"},
      [this](const Call&) { return static_cast<std::size_t>(averaging_ ? 1 : 0); },
      [this](Call&, std::size_t which) { averaging_ = which == 1; });
  add_averages(":ACQuire:COUNt");
  tree_.add_word(
      ":TRIGger:SWEep", {"AUTO", "NORMal"},
      [this](const Call&) { return static_cast<std::size_t>(front_.trigger.normal ? 1 : 0); },
      [this](Call&, std::size_t which) { front_.trigger.normal = which == 1; });
  std::vector<std::string> sources = channel_words("CHANnel");
  sources.insert(sources.begin(), "NONE");
  tree_.add_word(
      ":TRIGger:EDGE:SOURce", sources,
      [this](const Call&) { return static_cast<std::size_t>(front_.trigger.channel); },
      [this](Call&, std::size_t which) { front_.trigger.channel = static_cast<int>(which); });
  add_level(":TRIGger:EDGE:LEVel");
  tree_.add_word(
      ":TRIGger:EDGE:SLOPe", {"POSitive", "NEGative"},
      [this](const Call&) { return static_cast<std::size_t>(front_.trigger.falling ? 1 : 0); },
      [this](Call&, std::size_t which) { front_.trigger.falling = which == 1; });
  tree_.add(":SINGle", {}, [this](Call& call) { arm(call); });
  tree_.add(":RUN", {}, [this](Call&) { front_.run(); });
  tree_.add(":STOP", {}, [this](Call& call) {
    front_.stop();
    end_operations(call.now);
  });
}

void ScopeWaveform::add_read_out() {
  tree_.add_word(
      ":WAVeform:SOURce", channel_words("CHANnel"), [this](const Call&) { return channel_; },
      [this](Call&, std::size_t which) { channel_ = which; });
  tree_.add_word(
      ":WAVeform:FORMat", {"BYTE", "WORD", "ASCii", "REAL"},
      [this](const Call&) { return format_; },
      [this](Call&, std::size_t which) {
        format_ = which;
        front_.exact = which == real;
      });
  tree_.add_word(
      ":WAVeform:BYTeorder", {"MSBFirst", "LSBFirst"}, [this](const Call&) { return order_; },
      [this](Call&, std::size_t which) { order_ = which; });
  tree_.add_boolean(
      ":WAVeform:UNSigned", [this](const Call&) { return unsigned_; },
      [this](Call&, bool on) { unsigned_ = on; });
  tree_.add_number(
      ":WAVeform:POINts", SuffixUnit::none,
      [this](const Call&) {
        const auto most = static_cast<double>(front_.config().memory);
        return Limits{1.0, most, most};
      },
      [this](const Call&) {
        return static_cast<double>(points_ == 0 ? front_.points()
                                                : std::min(points_, front_.points()));
      },
      [this](Call&, double points) { points_ = static_cast<std::size_t>(std::round(points)); });
  tree_.add(":WAVeform:PREamble?", {}, [this](Call& call) {
    const ScopeRecord* record = fetch(call, static_cast<int>(channel_) + 1);
    if (record != nullptr) call.answer(preamble(*record));
  });
  tree_.add(":WAVeform:DATA?", {}, [this](Call& call) {
    const ScopeRecord* record = fetch(call, static_cast<int>(channel_) + 1);
    if (record == nullptr) return;
    const std::string bytes = data(*record);
    if (format_ != ascii) return answer_block(call, bytes, 8);
    call.answer(bytes);
    call.take(latency().transfer(bytes.size()));
  });
}

std::size_t ScopeWaveform::points_to_send(const ScopeRecord& record) const {
  return points_ == 0 ? record.raw.size() : std::min(points_, record.raw.size());
}

std::string ScopeWaveform::preamble(const ScopeRecord& record) const {
  const bool bytes = format_ == byte_codes;
  const bool codes = bytes || format_ == word_codes;
  const double y_increment = codes ? record.volts_per_raw() * (bytes ? 256.0 : 1.0) : 1.0;
  const double y_reference = codes && unsigned_ ? (bytes ? 128.0 : 32768.0) : 0.0;
  const double x_origin = -static_cast<double>(record.trigger_index) * record.dt_s;
  const std::array<std::string, 10> fields{
      nr1(static_cast<long long>(format_)),
      record.averages > 1 ? "2" : "0",
      nr1(static_cast<long long>(points_to_send(record))),
      nr1(record.averages),
      nr3(record.dt_s),
      nr3(x_origin),
      "0",
      nr3(y_increment),
      nr3(codes ? record.offset_v : 0.0),
      nr1(static_cast<long long>(y_reference)),
  };
  std::string out;
  for (const std::string& field : fields) append_item(out, field);
  return out;
}

std::string ScopeWaveform::data(const ScopeRecord& record) const {
  std::string out;
  for (std::size_t i = 0; i < points_to_send(record); ++i) {
    const int raw = record.raw[i];
    const double volts = record.exact.size() == record.raw.size()
                             ? static_cast<double>(record.exact[i])
                             : raw * record.volts_per_raw() + record.offset_v;
    switch (format_) {
      case byte_codes:
        out += static_cast<char>(static_cast<unsigned char>((raw >> 8) + (unsigned_ ? 128 : 0)));
        break;
      case word_codes:
        append_bytes(out, static_cast<std::uint16_t>(raw + (unsigned_ ? 32768 : 0)), order_ == 1);
        break;
      case real:
        append_bytes(out, static_cast<float>(volts), order_ == 1);
        break;
      default:
        append_item(out, nr3(volts, 6));
    }
  }
  return out;
}

}  // namespace nightbench::mock::instrument
