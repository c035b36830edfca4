// XDR, RPC and the VXI-11 layouts against bytes written out by hand from RFC 4506, RFC 5531 and the
// RPCL listing of VXI-11 revision 1.0, appendix C.
#include "drivers/link/vxi11/rpc.hpp"

#include <gtest/gtest.h>

#include <random>

#include "drivers/link/vxi11/messages.hpp"
#include "drivers/link/vxi11/xdr.hpp"

namespace nightbench::link::vxi11 {
namespace {

// "00000001 61620000" -> bytes.
std::string hex(std::string_view text) {
  std::string digits;
  for (const char c : text) {
    if (c != ' ') digits += c;
  }
  std::string out;
  for (std::size_t i = 0; i + 1 < digits.size(); i += 2) {
    out += static_cast<char>(std::stoi(digits.substr(i, 2), nullptr, 16));
  }
  return out;
}

TEST(Xdr, OpaqueDataIsPaddedToWords) {  // RFC 4506, 4.10
  EXPECT_EQ(XdrWriter().opaque("").take(), hex("00000000"));
  EXPECT_EQ(XdrWriter().opaque("a").take(), hex("00000001 61000000"));
  EXPECT_EQ(XdrWriter().opaque("abcd").take(), hex("00000004 61626364"));
}

TEST(Xdr, ReaderIsBounded) {
  EXPECT_FALSE(XdrReader("abc").word());
  const std::string five = hex("00000005 6162636465000000");
  EXPECT_EQ(*XdrReader(five).opaque(5), "abcde");
  EXPECT_FALSE(XdrReader(five).opaque(4));
  EXPECT_FALSE(XdrReader(five.substr(0, 11)).opaque(5)) << "padding is missing";
  EXPECT_FALSE(XdrReader(hex("FFFFFFFF")).opaque(0xFFFFFFFF));
}

TEST(Rpc, CallLayout) {  // RFC 5531, clause 9
  RpcCall call;
  call.xid = 0x11223344;
  call.program = core_program;
  call.version = 1;
  call.procedure = 10;
  const std::string arguments = hex("0000002A");
  call.arguments = arguments;
  EXPECT_EQ(encode(call), hex("11223344 00000000 00000002 000607AF 00000001 0000000A"
                              "00000000 00000000 00000000 00000000 0000002A"));
}

TEST(Rpc, CredentialsAndVerifiersAreSkipped) {  // clause 8.2
  const auto call =
      decode_call(hex("00000001 00000000 00000002 000186A0 00000002 00000003"
                      "00000001 00000005 AABBCCDDEE000000 00000000 00000000 DEADBEEF"));
  ASSERT_TRUE(call) << call.error().message;
  EXPECT_EQ(call->program, 100000U);
  EXPECT_EQ(call->procedure, 3U);
  EXPECT_EQ(call->arguments, hex("DEADBEEF"));
  std::string too_long =
      hex("00000001 00000000 00000002 000186A0 00000002 00000003 00000001 00000194");
  too_long += std::string(404, 'x') + hex("00000000 00000000");
  EXPECT_FALSE(decode_call(too_long)) << "404 bytes, at most 400";
}

TEST(Rpc, ReplyLayouts) {
  const auto success =
      decode_reply(hex("00000007 00000001 00000000 00000000 00000000 00000000 0000006F"));
  ASSERT_TRUE(success);
  EXPECT_EQ(success->xid, 7U);
  EXPECT_EQ(success->results, hex("0000006F"));
  const auto mismatch =
      decode_reply(hex("00000007 00000001 00000000 00000000 00000000 00000002 00000001 00000003"));
  ASSERT_TRUE(mismatch);
  EXPECT_EQ(mismatch->status, RpcStatus::program_mismatch);
  EXPECT_EQ(mismatch->high, 3U);
  const auto denied = decode_reply(hex("00000007 00000001 00000001 00000000 00000002 00000002"));
  ASSERT_TRUE(denied);
  EXPECT_EQ(denied->status, RpcStatus::rpc_mismatch);
  const auto auth = decode_reply(hex("00000007 00000001 00000001 00000001 00000005"));
  ASSERT_TRUE(auth);
  EXPECT_EQ(auth->status, RpcStatus::authentication_error);
  EXPECT_FALSE(decode_reply(hex("00000007 00000000")));
  EXPECT_FALSE(decode_reply(hex("00000007 00000001 00000002")));
  EXPECT_FALSE(decode_reply(hex("00000007 00000001 00000000 00000000 00000000 00000009")));
  for (const RpcStatus status :
       {RpcStatus::success, RpcStatus::program_unavailable, RpcStatus::program_mismatch,
        RpcStatus::procedure_unavailable, RpcStatus::garbage_arguments, RpcStatus::system_error,
        RpcStatus::rpc_mismatch, RpcStatus::authentication_error}) {
    RpcReply reply;
    reply.xid = 5;
    reply.status = status;
    const auto back = decode_reply(encode(reply));
    ASSERT_TRUE(back);
    EXPECT_EQ(back->status, status);
  }
}

TEST(Record, JoinsFragmentsFedInAnyPieces) {  // RFC 5531, clause 11
  const std::string wire = hex("00000003 616263 00000000 80000002 6465");
  const auto seed = std::random_device()();
  SCOPED_TRACE("seed " + std::to_string(seed));
  std::mt19937 random(seed);
  for (int round = 0; round < 200; ++round) {
    RecordReader reader(5);
    std::string_view left = wire;
    while (!reader.done()) {
      const std::size_t most = std::min(reader.wants(), left.size());
      const std::size_t count = 1 + random() % most;
      ASSERT_TRUE(reader.feed(left.substr(0, count)));
      left.remove_prefix(count);
    }
    EXPECT_TRUE(left.empty());
    EXPECT_EQ(reader.take(), "abcde");
    EXPECT_EQ(reader.wants(), 4U);
  }
}

TEST(Record, IsBoundedBeforeAnythingIsAllocated) {
  RecordReader one(100);
  EXPECT_FALSE(one.feed(hex("FFFFFFFF")));
  RecordReader two(100);
  ASSERT_TRUE(two.feed(hex("00000040")));
  ASSERT_TRUE(two.feed(std::string(64, 'x')));
  EXPECT_FALSE(two.feed(hex("80000040"))) << "together more than allowed";
  RecordReader endless(100);
  Result<void> fed;
  for (int i = 0; i < 100'000 && fed; ++i) fed = endless.feed(hex("00000000"));
  EXPECT_FALSE(fed) << "empty fragments without end";
}

TEST(Vxi11Layout, ArgumentsAndResults) {  // VXI-11, appendix C
  EXPECT_EQ(encode(CreateLink{1, true, 5000, "inst0"}),
            hex("00000001 00000001 00001388 00000005 696E737430000000"));
  EXPECT_EQ(encode(CreatedLink{DeviceError::none, 3, 0x1234, 0x10000}),
            hex("00000000 00000003 00001234 00010000"));
  EXPECT_EQ(encode(Write{3, 2000, 0, flag::end, "*IDN?"}),
            hex("00000003 000007D0 00000000 00000008 00000005 2A49444E3F000000"));
  EXPECT_EQ(encode(Written{DeviceError::none, 5}), hex("00000000 00000005"));
  EXPECT_EQ(encode(Read{3, 1024, 2000, 10, flag::termination_character, '\n'}),
            hex("00000003 00000400 000007D0 0000000A 00000080 0000000A"));
  EXPECT_EQ(encode(ReadResult{DeviceError::none, reason::end, "1\n"}),
            hex("00000000 00000004 00000002 310A0000"));
  EXPECT_EQ(encode(Generic{3, 1, 11, 22}), hex("00000003 00000001 0000000B 00000016"))
      << "lock time-out before I/O time-out here";
  EXPECT_EQ(encode(Lock{3, 1, 11}), hex("00000003 00000001 0000000B"));
  EXPECT_EQ(encode(StatusByte{DeviceError::none, 0x50}), hex("00000000 00000050"));
  EXPECT_EQ(encode(Mapping{core_program, 1, protocol_tcp, 0}),
            hex("000607AF 00000001 00000006 00000000"));
}

TEST(Vxi11Layout, DecodersReadWhatTheEncodersWrite) {
  const auto created = decode_created_link(hex("00000000 FFFFFFFF 00011234 00000000"));
  ASSERT_TRUE(created);
  EXPECT_EQ(created->link, -1);
  EXPECT_EQ(created->abort_port, 0x1234U) << "16 bits in a word";
  const auto read = decode_read(encode(Read{3, 1024, 2000, 10, 0x81, '\xFE'}));
  ASSERT_TRUE(read);
  EXPECT_EQ(read->size, 1024U);
  EXPECT_EQ(read->io_timeout_ms, 2000U);
  EXPECT_EQ(read->lock_timeout_ms, 10U);
  EXPECT_EQ(read->termination_character, '\xFE');
  const auto generic = decode_generic(encode(Generic{3, 1, 11, 22}));
  ASSERT_TRUE(generic);
  EXPECT_EQ(generic->lock_timeout_ms, 11U);
  EXPECT_EQ(generic->io_timeout_ms, 22U);
  EXPECT_FALSE(decode_read_result(encode(ReadResult{DeviceError::none, 0, "12345"}), 4));
  EXPECT_FALSE(decode_port(hex("00010000")));
  EXPECT_EQ(*decode_port(hex("0000FFFF")), 65535);
}

}  // namespace
}  // namespace nightbench::link::vxi11
