// The thread that asks libusb: jobs one after another, events in between. One device at a time.
// The methods may be called from the io_context thread; results are posted to it.
#pragma once

#include <boost/asio/io_context.hpp>
#include <condition_variable>
#include <cstdint>
#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <string>
#include <thread>
#include <vector>

#include "drivers/link/usbtmc/libusb_bus.hpp"
#include "drivers/link/usbtmc/pipes.hpp"

namespace nightbench::link::usbtmc {

class LibusbThread {
 public:
  using Ended = std::function<void(Transfer)>;
  using Opened = std::function<void(Result<Interface>)>;

  explicit LibusbThread(boost::asio::io_context& context) : io_(context) {}
  // Closes the device, ends every transfer and waits for the thread. Results that are on their way
  // are still posted.
  ~LibusbThread();
  LibusbThread(const LibusbThread&) = delete;
  LibusbThread& operator=(const LibusbThread&) = delete;

  // Closes what is open, then finds and claims.
  void open(UsbResource resource, Opened opened);
  void close();
  // A number for cancel(). `bytes`: OUT data; `room`: of an IN transfer.
  std::uint64_t bulk(std::uint8_t endpoint, std::string bytes, std::size_t room, Ended ended);
  std::uint64_t interrupt(std::uint8_t endpoint, std::size_t room, Ended ended);
  std::uint64_t control(Setup setup, Ended ended);
  // Nothing when it has ended already; its own `ended` is called all the same.
  void cancel(std::uint64_t flight);
  void clear_halt(std::uint8_t endpoint, Ended ended);

 private:
  // One libusb transfer in the air; belongs to the thread.
  struct Flight {
    LibusbThread* owner = nullptr;
    std::uint64_t number = 0;
    libusb_transfer* transfer = nullptr;
    std::vector<unsigned char> buffer;
    std::size_t head = 0;  // bytes of setup before the data
    bool in = false;
    Ended ended;
  };

  void post_job(std::function<void()> job);
  void run();
  void take_jobs();
  void do_close();
  std::uint64_t launch(std::uint8_t endpoint, int kind, std::vector<unsigned char> buffer,
                       std::size_t head, bool in, Ended ended);
  void submit(std::unique_ptr<Flight> flight, std::uint8_t endpoint, int kind);
  static void LIBUSB_CALL landed(libusb_transfer* transfer);
  void finish(Flight& flight, Transfer outcome);

  boost::asio::io_context& io_;
  std::thread thread_;
  std::mutex mutex_;
  std::condition_variable woken_;
  std::deque<std::function<void()>> jobs_;   // guarded by mutex_
  bool quit_ = false;                        // guarded by mutex_
  libusb_context* interruptible_ = nullptr;  // guarded by mutex_: the context, while there is one
  std::uint64_t numbers_ = 0;                // of the io_context thread
  // Of the thread alone.
  Context context_;
  std::unique_ptr<Claim> claim_;
  std::map<std::uint64_t, std::unique_ptr<Flight>> flights_;
};

}  // namespace nightbench::link::usbtmc
