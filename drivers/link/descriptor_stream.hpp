// A Stream over a serial port or any other descriptor that can be waited for (pseudo-terminals).
// Errors as in stream.hpp; an unplugged port is `refused`.
#pragma once

#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/serial_port.hpp>
#include <memory>

#include "drivers/link/stream.hpp"

namespace nightbench::link {

std::unique_ptr<Stream> descriptor_stream(boost::asio::posix::stream_descriptor descriptor,
                                          Clock& clock);
std::unique_ptr<Stream> descriptor_stream(boost::asio::serial_port port, Clock& clock);

}  // namespace nightbench::link
