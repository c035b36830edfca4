// The USBTMC side of a simulated USB device (USBTMC 1.0, USB488 1.0): bulk transfers, halts,
// aborts, device clear, status byte and service requests. Strict about what hosts send, with
// switches for what real devices do wrong. What the messages mean is the owner's business.
//
// On the clock's io_context thread of whoever calls; makes no calls of its own accord.
#pragma once

#include <cstdint>
#include <deque>
#include <map>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/link/usbtmc/message.hpp"
#include "mock_instruments/transport/usb_descriptors.hpp"
#include "mock_instruments/transport/usb_device.hpp"

namespace nightbench::mock::transport {

// Who is behind the function. Called while a transfer is handled; may call the function.
class UsbtmcOwner {
 public:
  virtual ~UsbtmcOwner() = default;
  // Whether more of a message can be taken now; UsbtmcFunction::room() tells when that changes.
  virtual bool wants_more() = 0;
  // A new message begins while an answer waits or is under way; the answer is thrown away.
  virtual void interrupted() {}
  virtual void take(std::string_view bytes, bool end) = 0;
  // What has come of a message that has not ended is void.
  virtual void forget() {}
  // The host asks for an answer and none is there.
  virtual void asked() {}
  virtual void cleared() {}
  virtual void triggered() {}
  virtual std::uint8_t status_byte(bool message_available) = 0;
};

// What devices do wrong, and injected trouble.
struct UsbtmcFlaws {
  bool no_short_packet = false;  // none behind a full last packet
  bool header_alone = false;     // the answer's header in a packet of its own
  bool one_request = false;      // a second REQUEST for the same answer is never served
  bool no_padding = false;       // answers end where they end
  std::size_t odd_padding = 0;   // bytes of 0xEE behind each answer, fewer than a packet
  bool wrong_tag = false;        // answers carry tag + 1
  std::int32_t size_error = 0;   // added to TransferSize of answers
  bool no_abort = false;         // INITIATE_ABORT_... is stalled
  bool no_clear = false;         // INITIATE_CLEAR is stalled
  int pending_checks = 0;        // CHECK_... answers PENDING so often
  int busy_status = 0;           // READ_STATUS_BYTE answers INTERRUPT_IN_BUSY so often
  bool status_in_reply = false;  // gives the status byte on endpoint 0 in spite of its pipe
};

class UsbtmcFunction final : public UsbDevice {
 public:
  UsbtmcFunction(UsbtmcOwner& owner, UsbIdentity identity, UsbtmcFlaws flaws = {});

  std::uint64_t submit(UsbTransfer transfer, Done done) override;
  bool cancel(std::uint64_t number) override;
  void unplug() override;
  bool is_plugged() const override { return plugged_; }
  const std::string& device_descriptor() const override { return device_; }
  const std::string& configuration_descriptor() const override { return configuration_; }

  // More of an answer; `end` with its last byte.
  void say(std::string_view bytes, bool end);
  // The owner wants more again.
  void room();
  // Sends the status byte on the interrupt pipe, with RQS set; forgotten where there is no pipe.
  void request_service();
  // Halts a pipe, as a device in trouble does: usbtmc_out or usbtmc_in.
  void halt(std::uint8_t endpoint);

  bool has_output() const { return !output_.empty() || in_.has_value(); }
  // Whether all of what was said has left the device.
  bool is_quiet() const { return output_.empty() && wire_.empty(); }
  UsbtmcFlaws& flaws() { return flaws_; }
  // How often each class request came, for tests.
  int count(link::usbtmc::Request request) const;

 private:
  struct Pending {
    std::uint64_t number = 0;
    UsbTransfer transfer;
    Done done;
  };
  struct Asked {  // the REQUEST that is being served
    std::uint8_t tag = 0;
    std::uint32_t most = 0;
    bool begun = false;
    std::uint32_t sent = 0;  // bytes, header and padding included
  };
  struct Incoming {  // the OUT transfer under way
    std::uint8_t tag = 0;
    std::size_t payload = 0;  // still to come
    std::size_t padding = 0;
    std::uint32_t received = 0;
    bool end = false;
  };

  // Endpoint 0: nothing means stall.
  std::optional<std::string> control(const link::usbtmc::Setup& setup);
  std::optional<std::string> standard_request(const link::usbtmc::Setup& setup);
  std::optional<std::string> class_request(const link::usbtmc::Setup& setup);
  std::string initiate_abort_out(std::uint8_t tag);
  std::string initiate_abort_in(std::uint8_t tag);
  std::string read_status(std::uint8_t tag);
  void clear();
  void reset();
  void unhalt(std::uint8_t endpoint);

  void serve_out();
  void serve_in();
  void serve_interrupt();
  // What one OUT transfer of the host holds; false halts the pipe.
  bool take_out(std::string_view bytes);
  bool begin_out(std::string_view& bytes);
  void begin_answer();
  static void end(Pending pending, UsbOutcome outcome);
  void end_all(std::deque<Pending>& queue, int status);

  UsbtmcOwner& owner_;
  UsbIdentity identity_;
  UsbtmcFlaws flaws_;
  std::string device_;
  std::string configuration_;
  std::size_t packet_;
  bool plugged_ = true;
  bool serving_out_ = false;
  bool serving_in_ = false;
  std::uint64_t numbers_ = 0;
  std::deque<Pending> out_pending_, in_pending_, interrupt_pending_;
  bool out_halted_ = false, in_halted_ = false, interrupt_halted_ = false;

  std::optional<Incoming> incoming_;
  bool in_message_ = false;  // between the first transfer of a message and its EOM
  std::uint8_t last_out_tag_ = 0;
  std::string output_;  // of the answer, not yet asked for
  bool output_end_ = false;
  bool answer_begun_ = false;  // part of it has been sent
  std::optional<Asked> in_;
  std::string wire_;        // of the IN transfer under way, not yet sent
  bool short_due_ = false;  // the next IN transfer of the host ends at once, empty

  std::optional<link::usbtmc::Request> split_;  // an INITIATE that waits for its CHECK
  int checks_ = 0;
  std::uint32_t aborted_bytes_ = 0;
  std::deque<std::string> notifications_;
  std::map<std::uint8_t, int> counts_;
};

}  // namespace nightbench::mock::transport
