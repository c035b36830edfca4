// HiSLIP headers against bytes written out by hand from IVI-6.1, table 3; and a link before servers
// that break the rules.
#include "drivers/link/hislip/message.hpp"

#include <gtest/gtest.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>

#include "../../../mock_instruments/transport/world.hpp"
#include "drivers/link/hislip/channel.hpp"
#include "drivers/link/hislip/hislip_link.hpp"
#include "mock_instruments/transport/listener.hpp"

namespace nightbench::test {
namespace {
using namespace link::hislip;

TEST(HislipHeader, Layout) {
  Header header;
  header.type = Type::data_end;
  header.control = 1;
  header.parameter = 0xFFFFFF02;
  header.payload = 0x0102030405060708;
  const HeaderBytes bytes = encode(header);
  const std::string text(bytes.data(), bytes.size());
  EXPECT_EQ(text, std::string("HS\x07\x01\xFF\xFF\xFF\x02\x01\x02\x03\x04\x05\x06\x07\x08", 16));
  const auto back = decode_header(text);
  ASSERT_TRUE(back);
  EXPECT_EQ(*back, header);
  EXPECT_EQ(encode(header, "abc").substr(8), std::string("\0\0\0\0\0\0\0\3abc", 11));
}

TEST(HislipHeader, RefusesWhatIsNone) {
  EXPECT_FALSE(decode_header(""));
  EXPECT_FALSE(decode_header(std::string(15, 'H')));
  EXPECT_FALSE(decode_header("HTTP/1.1 400 Bad"));
  EXPECT_FALSE(decode_size("1234567"));
  EXPECT_EQ(*decode_size(encode_size(1U << 20)), 1U << 20);
}

// A server that is a script: what it answers to each message of the client, by type.
class BadServer : public TransportTest {
 protected:
  using Answers = std::function<std::string(bool async, const Message&)>;
  std::unique_ptr<link::HislipLink> start(Answers answers, link::HislipOptions options = {}) {
    answers_ = std::move(answers);
    listener_ = *mock::transport::Listener::open(
        clock_, "127.0.0.1", 0, [this](std::unique_ptr<link::Stream> stream) {
          boost::asio::co_spawn(context_, serve(this, std::move(stream)), boost::asio::detached);
        });
    link::HislipResource resource;
    resource.host = "127.0.0.1";
    resource.port = listener_->port();
    return std::make_unique<link::HislipLink>(resource, clock_, options);
  }
  static std::string message(Type type, std::uint8_t control, std::uint32_t parameter,
                             std::string_view payload = {}) {
    Header header;
    header.type = type;
    header.control = control;
    header.parameter = parameter;
    return encode(header, payload);
  }
  // The usual opening.
  static std::string open(const Message& got) {
    switch (got.header.type) {
      case Type::initialize:
        return message(Type::initialize_response, 0, 0x01000001);
      case Type::async_initialize:
        return message(Type::async_initialize_response, 0, 0);
      case Type::async_maximum_message_size:
        return message(Type::async_maximum_message_size_response, 0, 0, encode_size(4096));
      default:
        return {};
    }
  }
  std::vector<Header> seen_;

 private:
  static Awaitable<void> serve(BadServer* self, std::shared_ptr<link::Stream> stream) {
    bool async = false;
    std::string input;
    for (;;) {
      const Result<std::string> bytes = co_await stream->read_some(65536, TimePoint::max());
      if (!bytes) co_return;
      input += *bytes;
      while (input.size() >= header_size) {
        const Result<Header> header = decode_header(input);
        if (!header || input.size() < header_size + header->payload) break;
        Message got{*header, input.substr(header_size, header->payload)};
        input.erase(0, header_size + got.payload.size());
        if (got.header.type == Type::async_initialize) async = true;
        self->seen_.push_back(got.header);
        const std::string answer = self->answers_(async, got);
        const Result<void> sent = co_await stream->write_all(answer, TimePoint::max());
        if (!sent) co_return;
      }
    }
  }
  Answers answers_;
  std::unique_ptr<mock::transport::Listener> listener_;
};

TEST_F(BadServer, AnswersWithAnotherIdAreThrownAwayUnlessToldOtherwise) {  // 3.1.2
  const auto answers = [](bool, const Message& got) {
    if (got.header.type != Type::data_end) return open(got);
    return message(Type::data_end, 0, got.header.parameter + 6, "other\n") +
           message(Type::data_end, 0, got.header.parameter, "mine\n");
  };
  const auto strict = start(answers);
  connect(*strict);
  EXPECT_EQ(ask(*strict, "A?"), "mine\n");
  link::HislipOptions options;
  options.check_message_ids = false;
  const auto lenient = start(answers, options);
  connect(*lenient);
  EXPECT_EQ(ask(*lenient, "A?"), "other\n");
}

TEST_F(BadServer, MessageIdsStartAndStepAsTheStandardSays) {  // 3.1.2
  const auto link = start([](bool, const Message& got) {
    if (got.header.type == Type::async_status_query) {
      return message(Type::async_status_response, 0, 0);
    }
    if (got.header.type != Type::data_end) return open(got);
    return message(Type::data_end, 0, got.header.parameter, "x");
  });
  connect(*link);
  ASSERT_TRUE(run(link->status_byte(later())));
  EXPECT_EQ(ask(*link, "A?"), "x");
  EXPECT_EQ(ask(*link, "B?"), "x");
  ASSERT_TRUE(run(link->status_byte(later())));
  write(*link, "C");
  wait_for([this] { return seen_.size() >= 8; });
  std::vector<std::pair<std::uint32_t, int>> ids;
  for (const Header& each : seen_) {
    const bool counts = each.type == Type::data_end || each.type == Type::async_status_query;
    if (counts) ids.emplace_back(each.parameter, each.control);
  }
  EXPECT_EQ(
      ids,
      (std::vector<std::pair<std::uint32_t, int>>{
          {0xFFFFFEFE, 0}, {0xFFFFFF00, 0}, {0xFFFFFF02, 1}, {0xFFFFFF02, 1}, {0xFFFFFF04, 0}}))
      << "RMT-delivered exactly once after each answer (3.1)";
}

TEST_F(BadServer, EmptyDataMessagesMeanNothingAndAnEmptyEndEnds) {
  const auto link = start([](bool, const Message& got) {
    if (got.header.type != Type::data_end) return open(got);
    const std::uint32_t id = got.header.parameter;
    return message(Type::data, 0, id) + message(Type::data, 0, id, "x") +
           message(Type::data, 0, id) + message(Type::data_end, 0, id);
  });
  connect(*link);
  EXPECT_EQ(ask(*link, "A?"), "x");
  EXPECT_EQ(ask(*link, "A?"), "x");
}

TEST_F(BadServer, NonsenseOnEitherChannelClosesTheLink) {
  const auto sync = start([](bool, const Message& got) {
    return got.header.type == Type::data_end ? std::string("HTTP/1.1 400 Bad Request") : open(got);
  });
  connect(*sync);
  write(*sync, "A?");
  EXPECT_EQ(kind_of_read(*sync, later()), ErrorKind::bad_data);
  EXPECT_FALSE(sync->is_open());

  const auto async = start([](bool, const Message& got) {
    return got.header.type == Type::async_status_query ? std::string("HTTP/1.1 400 Bad Request")
                                                       : open(got);
  });
  connect(*async);
  const auto status = run(async->status_byte(later()));
  ASSERT_FALSE(status);
  EXPECT_EQ(status.error().kind, ErrorKind::bad_data);
}

TEST_F(BadServer, UnknownMessagesAreComplainedAboutAndSkipped) {  // table 16
  const auto link = start([](bool, const Message& got) {
    if (got.header.type != Type::data_end) return open(got);
    return message(static_cast<Type>(99), 0, 0, std::string(100'000, 'x')) +
           message(Type::data_end, 0, got.header.parameter, "x");
  });
  connect(*link);
  EXPECT_EQ(ask(*link, "A?"), "x");
  wait_for([this] {
    for (const Header& each : seen_) {
      if (each.type == Type::error && each.control == 1) return true;
    }
    return false;
  });
}

TEST_F(BadServer, AnErrorIsReportedOnceAndTheSessionGoesOn) {
  int errors = 1;
  const auto link = start([&errors](bool, const Message& got) {
    if (got.header.type != Type::data_end) return open(got);
    if (errors-- > 0) return message(Type::error, 4, 0, "too big for me");
    return message(Type::data_end, 0, got.header.parameter, "x");
  });
  connect(*link);
  write(*link, "A?");
  const auto refused = run(link->read(10, later()));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().kind, ErrorKind::bad_data);
  EXPECT_EQ(refused.error().message, "HiSLIP: message too large (error 4): too big for me");
  EXPECT_EQ(ask(*link, "A?"), "x");
}

TEST_F(BadServer, SilenceIsATimeoutInEveryPhaseOfOpening) {
  for (const Type silent :
       {Type::initialize, Type::async_initialize, Type::async_maximum_message_size}) {
    const auto link = start([silent](bool, const Message& got) {
      return got.header.type == silent ? std::string() : open(got);
    });
    const auto late = run(link->connect(soon()));
    ASSERT_FALSE(late);
    EXPECT_EQ(late.error().kind, ErrorKind::timeout) << name(silent);
    EXPECT_FALSE(link->is_open());
  }
}

TEST_F(BadServer, ALateStatusIsNotTakenForTheNext) {
  int queries = 0;
  const auto link = start([&queries](bool, const Message& got) {
    if (got.header.type != Type::async_status_query) return open(got);
    if (++queries == 1) return std::string();
    std::string both;
    if (queries == 2) both = message(Type::async_status_response, 0x11, 0);
    return both + message(Type::async_status_response, 0x22, 0);
  });
  connect(*link);
  EXPECT_EQ(run(link->status_byte(soon())).error().kind, ErrorKind::timeout);
  EXPECT_EQ(run(link->status_byte(later())).value_or(0), 0x22);
  EXPECT_EQ(run(link->status_byte(later())).value_or(0), 0x22);
}

}  // namespace
}  // namespace nightbench::test
