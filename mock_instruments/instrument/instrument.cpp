#include "mock_instruments/instrument/instrument.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace nightbench::mock::instrument {

Latency Latency::typical(Duration settle) {
  Latency out;
  out.command = std::chrono::milliseconds(2);
  out.query = std::chrono::milliseconds(2);
  out.bytes_per_second = 1e6;
  out.settle = settle;
  out.acquires = true;
  return out;
}

Duration Latency::scaled(Duration span) const {
  return scale == 1.0 ? span : from_seconds(seconds(span) * scale);
}

Duration Latency::transfer(std::size_t bytes) const {
  if (bytes_per_second <= 0.0) return {};
  return from_seconds(scale * static_cast<double>(bytes) / bytes_per_second);
}

Instrument::Instrument(World& world, Setup setup)
    : world_(world), random_(setup.seed), setup_(std::move(setup)) {
  add_common();
}

void Instrument::power_on(TimePoint now) {
  device_clear();
  stop_operations();
  status_ = Status();
  operation_until_ = {};
  busy_until_ = {};
  restart();
  reset(now);
}

void Instrument::begin(std::string message, TimePoint now) {
  response_.reset();
  arbitrary_ = false;
  busy_until_ = std::max(busy_until_, now);
  tree_.start_message();
  parser_.emplace(std::move(message));
}

Instrument::Progress Instrument::run(TimePoint now) {
  while (parser_) {
    if (now < busy_until_) return {false, busy_until_};
    auto unit = parser_->next();
    if (!unit) {
      status_.push(std::move(unit).error());
      end_message();
    } else if (!*unit) {
      end_message();
    } else {
      step(**unit, now);
    }
  }
  return {true, now};
}

void Instrument::step(const MessageUnit& unit, TimePoint now) {
  if (opc_pending_ && now >= operation_until_) {
    opc_pending_ = false;
    status_.add_events(0x01);
  }
  update(now);
  Call call;
  call.now = now;
  call.take(setup_.latency.scaled(setup_.latency.command));
  if (unit.header.query) {
    call.take(setup_.latency.scaled(setup_.latency.query));
    if (arbitrary_) {  // IEEE 488.2, 6.5.7.5: *IDN? must be the last query of a message
      status_.push({-440, unit.header.text});
      return;
    }
  }
  const Parsed<void> ran = tree_.run(unit, call);
  busy_until_ = std::max(call.until, now + call.taken);
  if (!ran) {
    const ScpiError& error = ran.error();
    status_.push(error);
    // After a command error the rest of the message cannot be trusted (IEEE 488.2, 6.1.6, from
    // memory); execution errors leave it alone.
    if (error.number <= -100 && error.number > -200) end_message();
    return;
  }
  if (!call.response) return;
  call.response->insert(0, response_prefix(unit.header));
  if (response_)
    response_->append(1, ';').append(*call.response);
  else
    response_ = std::move(call.response);
}

std::optional<std::string> Instrument::take_response() {
  return std::exchange(response_, {});
}

void Instrument::device_clear() {
  end_message();
  response_.reset();
  opc_pending_ = false;
  busy_until_ = {};
}

void Instrument::add_common() {
  const auto add_register = [this](const char* pattern, auto get, auto set) {
    tree_.add(pattern, {number()}, [set](Call& call) {
      const double wanted = std::round(call.values[0].number);
      if (!(wanted >= 0 && wanted <= 255)) return call.error(-222);
      set(static_cast<std::uint8_t>(wanted));
    });
    tree_.add(std::string(pattern) + '?', {}, [get](Call& call) { call.answer(nr1(get())); });
  };
  tree_.add("*CLS", {}, [this](Call&) {
    status_.clear();
    opc_pending_ = false;
  });
  add_register(
      "*ESE", [this] { return status_.event_enable; },
      [this](std::uint8_t mask) { status_.event_enable = mask; });
  add_register(
      "*SRE", [this] { return status_.service_enable(); },
      [this](std::uint8_t mask) { status_.set_service_enable(mask); });
  tree_.add("*ESR?", {}, [this](Call& call) { call.answer(nr1(status_.take_events())); });
  tree_.add("*IDN?", {}, [this](Call& call) {
    arbitrary_ = true;
    const Identity& id = setup_.identity;
    call.answer(id.maker + ',' + id.model + ',' + id.serial + ',' + id.firmware);
  });
  tree_.add("*OPC", {}, [this](Call& call) {
    opc_pending_ = operation_until_ > call.now;
    if (!opc_pending_) status_.add_events(0x01);
  });
  tree_.add("*OPC?", {}, [this](Call& call) {
    call.answer("1");
    call.wait_until(operation_until_);
  });
  tree_.add("*WAI", {}, [this](Call& call) { call.wait_until(operation_until_); });
  tree_.add("*RST", {}, [this](Call& call) {
    opc_pending_ = false;
    stop_operations();
    operation_until_ = {};
    reset(call.now);
  });
  tree_.add("*STB?", {},
            [this](Call& call) { call.answer(nr1(status_.byte(response_.has_value()))); });
  tree_.add("*TST?", {}, [this](Call& call) { call.answer(nr1(self_test())); });
  tree_.add(":SYSTem:ERRor[:NEXT]?", {},
            [this](Call& call) { call.answer(Status::entry(status_.take())); });
  tree_.add(":SYSTem:ERRor:COUNt?", {},
            [this](Call& call) { call.answer(nr1(static_cast<long long>(status_.errors()))); });
  const auto add_all = [this](const char* pattern, bool code_only) {
    tree_.add(pattern, {}, [this, code_only](Call& call) {
      do {
        const ScpiError error = status_.take();
        call.answer(code_only ? nr1(error.number) : Status::entry(error));
      } while (status_.errors() > 0);
    });
  };
  add_all(":SYSTem:ERRor:ALL?", false);
  add_all(":SYSTem:ERRor:CODE:ALL?", true);
  tree_.add(":SYSTem:ERRor:CODE[:NEXT]?", {},
            [this](Call& call) { call.answer(nr1(status_.take().number)); });
  tree_.add(":SYSTem:VERSion?", {}, [](Call& call) { call.answer("1999.0"); });
  tree_.add(":STATus:PRESet", {}, [this](Call&) {
    status_.operation.preset();
    status_.questionable.preset();
  });
  add_status("OPERation", status_.operation);
  add_status("QUEStionable", status_.questionable);
}

void Instrument::add_status(const std::string& which, StatusRegister& of) {
  const std::string root = ":STATus:" + which;
  tree_.add(root + "[:EVENt]?", {}, [&of](Call& call) { call.answer(nr1(of.read_event())); });
  tree_.add(root + ":CONDition?", {}, [&of](Call& call) { call.answer(nr1(of.condition())); });
  const auto add_mask = [this](const std::string& pattern, auto get, auto set) {
    tree_.add(pattern, {number()}, [set](Call& call) {
      const double wanted = std::round(call.values[0].number);
      if (!(wanted >= 0 && wanted <= 65535)) return call.error(-222);
      set(static_cast<std::uint16_t>(wanted));
    });
    tree_.add(pattern + '?', {}, [get](Call& call) { call.answer(nr1(get())); });
  };
  add_mask(
      root + ":ENABle", [&of] { return of.enable(); },
      [&of](std::uint16_t mask) { of.set_enable(mask); });
  add_mask(
      root + ":PTRansition", [&of] { return of.positive(); },
      [&of](std::uint16_t mask) { of.set_positive(mask); });
  add_mask(
      root + ":NTRansition", [&of] { return of.negative(); },
      [&of](std::uint16_t mask) { of.set_negative(mask); });
}

}  // namespace nightbench::mock::instrument
