#include "daemon/service/remote_operator.hpp"

#include <gtest/gtest.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <nlohmann/json.hpp>

namespace nightbench::service {
namespace {

using engine::Answer;
using engine::Reply;

struct Asking : ::testing::Test {
  boost::asio::io_context io;
  VirtualClock clock{io};
  EventHub events{io};
  RemoteOperator person{clock, events};
  std::optional<Result<Reply>> got;

  static engine::Prompt prompt() {
    engine::Prompt out;
    out.kind = engine::PromptKind::move;
    out.id = "lo";
    out.title = "Scope probe 1";
    out.answers = {Answer::done, Answer::skip, Answer::redo, Answer::stop};
    return out;
  }
  void ask() {
    got.reset();
    boost::asio::co_spawn(io, person.ask(prompt()),
                          [&](const std::exception_ptr&, Result<Reply> reply) { got = reply; });
    turn();
  }
  void turn() {
    io.restart();
    io.poll();
  }
  std::string last_event() {
    const auto batch = events.since(events.last() - 1);
    return batch.events.empty() ? "" : batch.events.back()->type + batch.events.back()->data;
  }
};

TEST_F(Asking, AQuestionIsAnEventAndStaysOpenUntilAnswered) {
  ask();
  ASSERT_TRUE(person.open());
  EXPECT_EQ(person.open()->prompt.title, "Scope probe 1");
  const auto batch = events.since(0);
  ASSERT_EQ(batch.events.size(), 1U);
  EXPECT_EQ(batch.events[0]->type, "question");
  const auto data = nlohmann::json::parse(batch.events[0]->data);
  EXPECT_EQ(data["id"], person.open()->id);
  EXPECT_EQ(data["answers"], (nlohmann::json{"done", "skip", "redo", "stop"}));
  ASSERT_TRUE(person.answer(person.open()->id, {Answer::skip, "no room"}));
  turn();
  ASSERT_TRUE(got && *got);
  EXPECT_EQ((*got)->answer, Answer::skip);
  EXPECT_EQ((*got)->remark, "no room");
  EXPECT_FALSE(person.open());
  EXPECT_NE(last_event().find("answered"), std::string::npos);
}

TEST_F(Asking, OnlyTheOpenQuestionTakesOnlyItsAnswersOnce) {
  EXPECT_EQ(person.answer(1, {Answer::done, ""}).error().kind, ErrorKind::bad_input);
  ask();
  const std::uint64_t id = person.open()->id;
  EXPECT_FALSE(person.answer(id + 1, {Answer::done, ""}));
  EXPECT_FALSE(person.answer(id, {Answer::yes, ""}));
  EXPECT_TRUE(person.answer(id, {Answer::done, std::string(5000, 'x')}));
  EXPECT_FALSE(person.answer(id, {Answer::stop, ""}));
  turn();
  EXPECT_EQ((*got)->answer, Answer::done);
  EXPECT_EQ((*got)->remark.size(), 1000U);
  ask();
  EXPECT_NE(person.open()->id, id);
  EXPECT_FALSE(person.answer(id, {Answer::done, ""}));
}

TEST_F(Asking, AWithdrawnQuestionIsOverAndLaterOnesAreRefused) {
  ask();
  person.withdraw();
  turn();
  EXPECT_EQ(got->error().kind, ErrorKind::cancelled);
  EXPECT_FALSE(person.open());
  ask();
  EXPECT_EQ(got->error().kind, ErrorKind::cancelled);
  person.renew();
  ask();
  EXPECT_TRUE(person.open());
}

}  // namespace
}  // namespace nightbench::service
