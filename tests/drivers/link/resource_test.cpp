// VISA resource names: grammar of VPP-4.3, 4.3.1, as given in LXI Device Specification 6.2.
#include "drivers/link/resource.hpp"

#include <gtest/gtest.h>

#include <boost/asio/io_context.hpp>

#include "drivers/link/open.hpp"

namespace nightbench::link {
namespace {

struct Good {
  const char* text;
  const char* normal;
};

class GoodNames : public testing::TestWithParam<Good> {};

TEST_P(GoodNames, HaveOneNormalFormThatReadsBackEqual) {
  const auto parsed = parse_resource(GetParam().text);
  ASSERT_TRUE(parsed) << describe(parsed.error());
  EXPECT_EQ(normalised(*parsed), GetParam().normal);
  const auto again = parse_resource(normalised(*parsed));
  ASSERT_TRUE(again) << describe(again.error());
  EXPECT_EQ(*again, *parsed);
}

INSTANTIATE_TEST_SUITE_P(
    Names, GoodNames,
    testing::Values(
        Good{"TCPIP::10.0.0.5::5025::SOCKET", "TCPIP0::10.0.0.5::5025::SOCKET"},
        Good{"tcpip2::scope.local::4000::socket", "TCPIP2::scope.local::4000::SOCKET"},
        Good{" TCPIP::10.0.0.5::5025::SOCKET\n", "TCPIP0::10.0.0.5::5025::SOCKET"},
        Good{"TCPIP::[fe80::1]::5025::SOCKET", "TCPIP0::[fe80::1]::5025::SOCKET"},
        Good{"TCPIP0::192.168.1.20::INSTR", "TCPIP0::192.168.1.20::inst0::INSTR"},
        Good{"TCPIP::192.168.1.20", "TCPIP0::192.168.1.20::inst0::INSTR"},
        Good{"TCPIP::scope.local::inst0::INSTR", "TCPIP0::scope.local::inst0::INSTR"},
        Good{"TCPIP::gw::gpib0,18::INSTR", "TCPIP0::gw::gpib0,18::INSTR"},
        Good{"TCPIP::[::1]::INSTR", "TCPIP0::[::1]::inst0::INSTR"},
        Good{"TCPIP::10.0.0.5,1024::INSTR", "TCPIP0::10.0.0.5,1024::inst0::INSTR"},
        Good{"TCPIP::10.0.0.5::hislip0::INSTR", "TCPIP0::10.0.0.5::hislip0::INSTR"},
        Good{"TCPIP::10.0.0.5::hislip0,4881::INSTR", "TCPIP0::10.0.0.5::hislip0,4881::INSTR"},
        Good{"TCPIP::10.0.0.5::HiSLIP0", "TCPIP0::10.0.0.5::HiSLIP0::INSTR"},
        Good{"TCPIP::bench@10.0.0.5::hislip0", "TCPIP0::bench@10.0.0.5::hislip0::INSTR"},
        Good{"USB0::0x1234::0x5678::SN001::INSTR", "USB0::0x1234::0x5678::SN001::INSTR"},
        Good{"usb::4660::22136::SN001", "USB0::0x1234::0x5678::SN001::INSTR"},
        Good{"USB::0x1234::0x5678::SN001::0::RAW", "USB0::0x1234::0x5678::SN001::0::RAW"},
        Good{"USB::0xabcd::0x00FF::a b::2::INSTR", "USB0::0xABCD::0x00FF::a b::2::INSTR"},
        Good{"USB::0x1::0x2::A::B::INSTR", "USB0::0x0001::0x0002::A::B::INSTR"},
        Good{"USB::0x1::0x2::::INSTR", "USB0::0x0001::0x0002::::INSTR"},
        Good{"USB::0x1::0x2::[A::INSTR", "USB0::0x0001::0x0002::[A::INSTR"},
        Good{"ASRL1::INSTR", "ASRL1::INSTR"}, Good{"ASRL", "ASRL1::INSTR"},
        Good{"asrl3", "ASRL3::INSTR"}, Good{"ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB0::INSTR"},
        Good{"GPIB0::18::INSTR", "GPIB0::18::INSTR"}, Good{"GPIB::18", "GPIB0::18::INSTR"},
        Good{"GPIB1::5::2::INSTR", "GPIB1::5::2::INSTR"}));

TEST(Resource, FieldsOfEachForm) {
  const auto socket =
      std::get<SocketResource>(*parse_resource("TCPIP1::[fe80::1%eth0]::99::SOCKET"));
  EXPECT_EQ(socket.board, 1);
  EXPECT_EQ(socket.host, "fe80::1%eth0");
  EXPECT_EQ(socket.port, 99);
  const auto vxi = std::get<Vxi11Resource>(*parse_resource("TCPIP::gw,1024::gpib0,18::INSTR"));
  EXPECT_EQ(vxi.host, "gw");
  EXPECT_EQ(vxi.port, 1024);
  EXPECT_EQ(vxi.device, "gpib0,18");
  const auto hislip =
      std::get<HislipResource>(*parse_resource("TCPIP::bench@10.0.0.5::hislip1,4881::INSTR"));
  EXPECT_EQ(hislip.credential, "bench");
  EXPECT_EQ(hislip.host, "10.0.0.5");
  EXPECT_EQ(hislip.device, "hislip1");
  EXPECT_EQ(hislip.port, 4881);
  const auto usb = std::get<UsbResource>(*parse_resource("USB::0x1234::22136::My SN::1::RAW"));
  EXPECT_EQ(usb.vendor, 0x1234);
  EXPECT_EQ(usb.product, 0x5678);
  EXPECT_EQ(usb.serial, "My SN") << "kept exactly";
  EXPECT_EQ(usb.interface, 1);
  EXPECT_TRUE(usb.raw);
  EXPECT_EQ(std::get<SerialResource>(*parse_resource("ASRL/dev/tty.x")).path, "/dev/tty.x");
  EXPECT_EQ(std::get<GpibResource>(*parse_resource("GPIB::7::3")).secondary, 3);
}

struct Bad {
  const char* text;
  const char* message;
};

class BadNames : public testing::TestWithParam<Bad> {};

TEST_P(BadNames, SayWhatWasExpected) {
  const auto parsed = parse_resource(GetParam().text);
  ASSERT_FALSE(parsed) << normalised(*parsed);
  EXPECT_EQ(parsed.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(parsed.error().message,
            "resource name '" + std::string(GetParam().text) + "': expected " + GetParam().message);
}

INSTANTIATE_TEST_SUITE_P(
    Names, BadNames,
    testing::Values(
        Bad{"", "TCPIP, USB, ASRL or GPIB at the start, found ''"},
        Bad{"PXI0::1::INSTR", "TCPIP, USB, ASRL or GPIB at the start, found 'PXI0'"},
        Bad{"TCPIPx::h::1::SOCKET", "a board number from 0 to 255, found 'x'"},
        Bad{"TCPIP", "TCPIP::host[::device][::INSTR] or TCPIP::host::port::SOCKET"},
        Bad{"TCPIP::h::70000::SOCKET", "a port number from 1 to 65535, found '70000'"},
        Bad{"TCPIP::h::0::SOCKET", "a port number from 1 to 65535, found '0'"},
        Bad{"TCPIP::h::p::SOCKET", "a port number from 1 to 65535, found 'p'"},
        Bad{"TCPIP::h::SOCKET", "TCPIP::host::port::SOCKET (IPv6 hosts in brackets)"},
        Bad{"TCPIP::fe80::1::5025::SOCKET", "TCPIP::host::port::SOCKET (IPv6 hosts in brackets)"},
        Bad{"TCPIP::h::5025", "a device name such as inst0, or the suffix SOCKET after a port"},
        Bad{"TCPIP::h::5025::RAW", "the suffix INSTR or SOCKET, found 'RAW'"},
        Bad{"TCPIP::::5025::SOCKET", "a host name or address, found ''"},
        Bad{"TCPIP::a b::5025::SOCKET", "a host name or address, found 'a b'"},
        Bad{"TCPIP::[10.0.0.5]::5025::SOCKET",
            "an IPv6 address in brackets, such as [fe80::1], found '[10.0.0.5]'"},
        Bad{"TCPIP::h::hislip0,x::INSTR", "a port number from 1 to 65535, found 'x'"},
        Bad{"TCPIP::@h::hislip0::INSTR", "a credential before '@'"},
        Bad{"USB::0x1234::0x5678", "USB::vendor::product::serial[::interface][::INSTR]"},
        Bad{"USB::0x12345::1::SN", "a vendor number from 0x0000 to 0xFFFF, found '0x12345'"},
        Bad{"USB::1::zz::SN", "a product number from 0x0000 to 0xFFFF, found 'zz'"},
        Bad{"USB::1::2::SN::SOCKET", "the suffix INSTR or RAW, found 'SOCKET'"},
        Bad{"ASRLx", "a port number or device path from 0 to 255, found 'x'"},
        Bad{"ASRL/dev/ttyUSB0:", "no ':' at the end, found 'ASRL/dev/ttyUSB0:'"},
        Bad{"USB::1::2::SN:", "no ':' at the end, found 'USB::1::2::SN:'"},
        Bad{"GPIB::31::INSTR", "a primary address from 0 to 30, found '31'"},
        Bad{"GPIB::1::31::INSTR", "a secondary address from 0 to 30, found '31'"},
        Bad{"GPIB::INSTR", "GPIB::primary[::secondary][::INSTR]"},
        Bad{"GPIB::1::SOCKET", "the suffix INSTR, found 'SOCKET'"}));

TEST(Open, ServesRawSocketsAndNamesWhatItDoesNot) {
  boost::asio::io_context context;
  RealClock clock(context);
  const auto socket = open("TCPIP::10.0.0.5::5025::SOCKET", clock);
  ASSERT_TRUE(socket) << describe(socket.error());
  EXPECT_FALSE((*socket)->is_open());
  EXPECT_FALSE((*socket)->marks_end());
  EXPECT_EQ((*socket)->resource(), "TCPIP0::10.0.0.5::5025::SOCKET");

  const auto gpib = open("GPIB::18", clock);
  ASSERT_FALSE(gpib);
  EXPECT_EQ(gpib.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(gpib.error().message.find("'GPIB0::18::INSTR' needs GPIB"), 0u) << gpib.error().message;
  EXPECT_EQ(open("nonsense", clock).error().kind, ErrorKind::bad_input);
}

}  // namespace
}  // namespace nightbench::link
