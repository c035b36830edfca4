#include "daemon/cli/recorded_operator.hpp"

#include <boost/asio/awaitable.hpp>
#include <utility>

namespace nightbench::cli {
namespace {

using engine::Answer;
using engine::Reply;
using link::Entry;
using link::Operation;

constexpr const char* kPerson = "person";
constexpr Duration kAtOnce = std::chrono::milliseconds(1);
constexpr Answer kAnswers[] = {Answer::yes, Answer::no, Answer::done, Answer::skip, Answer::redo,
                               Answer::stop};

class RecordedOperator final : public engine::Operator {
 public:
  RecordedOperator(engine::Operator& inner, std::shared_ptr<link::Recorder> recorder, Clock& clock)
      : inner_(inner), recorder_(std::move(recorder)), clock_(clock) {}

  Awaitable<Result<Reply>> ask(engine::Prompt prompt) override {
    Entry entry;
    entry.who = kPerson;
    entry.operation = Operation::answer;
    entry.bytes = prompt.id;
    const TimePoint began = clock_.now();
    Result<Reply> reply = co_await inner_.ask(std::move(prompt));
    if (reply) {
      entry.answer = engine::word(reply->answer);
      entry.remark = reply->remark;
    } else {
      entry.error = reply.error();
    }
    recorder_->note(std::move(entry), began);
    co_return reply;
  }
  void withdraw() override { inner_.withdraw(); }

 private:
  engine::Operator& inner_;
  std::shared_ptr<link::Recorder> recorder_;
  Clock& clock_;
};

class ReplayedOperator final : public engine::Operator {
 public:
  ReplayedOperator(std::shared_ptr<link::Recording> recording, Clock& clock)
      : recording_(std::move(recording)), clock_(clock) {}

  Awaitable<Result<Reply>> ask(engine::Prompt prompt) override {
    CO_TRY_ASSIGN(const Entry entry, recording_->take(kPerson, Operation::answer, prompt.id));
    // A hand of the simulated bench answers at once, and nothing else may happen meanwhile.
    if (entry.took >= kAtOnce) co_await sleep_until(clock_, TimePoint(entry.at + entry.took));
    if (entry.error) co_return fail(*entry.error);
    Reply reply;
    reply.remark = entry.remark;
    for (const Answer each : kAnswers) {
      if (entry.answer == engine::word(each)) reply.answer = each;
    }
    co_return reply;
  }
  // What ended the question then, ends it now.
  void withdraw() override {}

 private:
  std::shared_ptr<link::Recording> recording_;
  Clock& clock_;
};

}  // namespace

std::unique_ptr<engine::Operator> recorded(engine::Operator& inner,
                                           std::shared_ptr<link::Recorder> recorder,
                                           Clock& clock) {
  return std::make_unique<RecordedOperator>(inner, std::move(recorder), clock);
}

std::unique_ptr<engine::Operator> replayed(std::shared_ptr<link::Recording> recording,
                                           Clock& clock) {
  return std::make_unique<ReplayedOperator>(std::move(recording), clock);
}

}  // namespace nightbench::cli
