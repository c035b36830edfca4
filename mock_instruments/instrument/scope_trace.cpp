// The SCPI-1999 digitizer: INITiate, TRACe?, FORMat.
#include <algorithm>
#include <cmath>
#include <utility>

#include "mock_instruments/instrument/sample_bytes.hpp"
#include "mock_instruments/instrument/scope.hpp"

namespace nightbench::mock::instrument {
namespace {

enum Format : std::size_t { ascii, real, integer };

}  // namespace

ScopeTrace::ScopeTrace(World& world, Setup setup, const ScopeConfig& config,
                       std::unique_ptr<WaveSource> source)
    : Scope(world, std::move(setup), config, 1.0, std::move(source)) {
  const std::string sense = "[:SENSe" + range() + ']';
  add_channel_state(sense + ":STATe");
  add_full_scale(sense + ":VOLTage[:DC]:RANGe[:UPPer]", 1.0);
  add_offset(sense + ":VOLTage[:DC]:RANGe:OFFSet");
  add_coupling(":INPut" + range() + ":COUPling");
  add_acquisition();
  add_read_out();
  reset({});
}

void ScopeTrace::reset(TimePoint now) {
  Scope::reset(now);
  front_.trigger.channel = 0;
  format_ = ascii;
  length_ = 0;
  order_ = 0;
  source_word_ = 0;
  waits_for_bus_ = false;
}

void ScopeTrace::stop_operations() {
  waits_for_bus_ = false;
  Scope::stop_operations();
}

void ScopeTrace::initiate(Call& call) {
  if (waits_for_bus_ || front_.armed(call.now)) return call.error(-213);
  const auto bus = static_cast<std::size_t>(front_.config().channels) + 1;
  if (source_word_ != bus) return arm(call);
  waits_for_bus_ = true;
  operate_until(TimePoint::max());
}

void ScopeTrace::add_acquisition() {
  const std::string sense = "[:SENSe" + range() + ']';
  add_points(sense + ":SWEep:POINts");
  tree_.add_number(
      sense + ":SWEep:TINTerval", SuffixUnit::second,
      [this](const Call&) {
        return Limits{1.0 / front_.config().most_rate_hz, 1.0 / front_.config().least_rate_hz,
                      1e-6};
      },
      [this](const Call&) { return 1.0 / front_.rate_hz(); },
      [this](Call&, double interval) { front_.set_rate(1.0 / interval); });
  tree_.add(sense + ":SWEep:TIME?", {}, [this](Call& call) {
    call.answer(nr3(static_cast<double>(front_.points()) / front_.rate_hz()));
  });
  tree_.add_number(
      sense + ":SWEep:OREFerence:LOCation", SuffixUnit::none,
      [](const Call&) { return Limits{0.0, 1.0, 0.0}; },
      [this](const Call&) { return front_.pre_trigger; },
      [this](Call&, double part) { front_.pre_trigger = part; });
  tree_.add_boolean(
      sense + ":AVERage[:STATe]", [this](const Call&) { return averaging_; },
      [this](Call&, bool on) { averaging_ = on; });
  add_averages(sense + ":AVERage:COUNt");

  std::vector<std::string> sources = channel_words("INTernal");
  sources.insert(sources.begin(), "IMMediate");
  sources.emplace_back("BUS");
  const std::size_t bus = sources.size() - 1;
  tree_.add_word(
      ":TRIGger:SOURce", sources, [this](const Call&) { return source_word_; },
      [this, bus](Call&, std::size_t which) {
        source_word_ = which;
        front_.trigger.channel = which == bus ? 0 : static_cast<int>(which);
        front_.trigger.normal = which != 0 && which != bus;
      });
  add_level(":TRIGger:LEVel");
  tree_.add_word(
      ":TRIGger:SLOPe", {"POSitive", "NEGative"},
      [this](const Call&) { return static_cast<std::size_t>(front_.trigger.falling ? 1 : 0); },
      [this](Call&, std::size_t which) { front_.trigger.falling = which == 1; });
  tree_.add(":INITiate[:IMMediate]", {}, [this](Call& call) { initiate(call); });
  tree_.add_boolean(
      ":INITiate:CONTinuous", [this](const Call&) { return front_.running(); },
      [this](Call&, bool on) { on ? front_.run() : front_.stop(); });
  tree_.add(":ABORt", {}, [this](Call& call) {
    stop_operations();
    end_operations(call.now);
  });
  tree_.add("*TRG", {}, [this](Call& call) {
    if (!waits_for_bus_) return call.error(-211);
    waits_for_bus_ = false;
    arm(call);
  });
}

void ScopeTrace::add_read_out() {
  tree_.add(":FORMat[:DATA]", {word({"ASCii", "REAL", "INTeger"}), optional(number())},
            [this](Call& call) {
              const std::size_t format = call.values[0].word;
              const int usual = format == ascii ? 0 : format == real ? 32 : 16;
              const int length =
                  call.has(1) ? static_cast<int>(std::round(call.values[1].number)) : usual;
              const bool known =
                  format == ascii || length == usual || (format == real && length == 64);
              if (!known) return call.error(-224);
              format_ = format;
              length_ = format == ascii ? 0 : length;
            });
  tree_.add(":FORMat[:DATA]?", {}, [this](Call& call) {
    call.answer(format_ == ascii ? "ASC" : format_ == real ? "REAL" : "INT");
    call.answer(nr1(length_));
  });
  tree_.add_word(
      ":FORMat:BORDer", {"NORMal", "SWAPped"}, [this](const Call&) { return order_; },
      [this](Call&, std::size_t which) { order_ = which; });
  tree_.add(":TRACe[:DATA]?", {word(channel_words("CH"))},
            [this](Call& call) { answer(call, static_cast<int>(call.values[0].word) + 1); });
  tree_.add(":FETCh" + range() + '?', {}, [this](Call& call) { answer(call, call.suffix()); });
  tree_.add(":READ" + range() + '?', {}, [this](Call& call) {
    stop_operations();
    arm(call);
    const TimePoint end = operations_end();
    if (end == TimePoint::max()) return call.wait_until(end);
    Call later = call;
    later.now = std::max(end, call.now);
    answer(later, call.suffix());
    later.until = std::max(later.until, end + later.taken);
    call = later;
  });
}

void ScopeTrace::answer(Call& call, int channel) {
  const ScopeRecord* record = fetch(call, channel);
  if (record == nullptr) return;
  std::string out;
  for (const int raw : record->raw) {
    const double volts = raw * record->volts_per_raw() + record->offset_v;
    if (format_ == ascii)
      append_item(out, nr3(volts, 6));
    else if (format_ == integer)
      append_bytes(out, static_cast<std::int16_t>(raw), order_ == 1);
    else if (length_ == 64)
      append_bytes(out, volts, order_ == 1);
    else
      append_bytes(out, static_cast<float>(volts), order_ == 1);
  }
  if (format_ != ascii) return answer_block(call, out);
  call.answer(out);
  call.take(latency().transfer(out.size()));
}

}  // namespace nightbench::mock::instrument
