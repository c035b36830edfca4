#include "daemon/service/remote_operator.hpp"

#include <algorithm>
#include <array>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <nlohmann/json.hpp>

#include "daemon/service/forms.hpp"

namespace nightbench::service {
namespace asio = boost::asio;

using engine::Answer;

namespace {
constexpr std::size_t kLongestRemark = 1000;
}

std::optional<Answer> answer_from(std::string_view word) {
  constexpr std::array kAll{Answer::yes,  Answer::no,   Answer::done,
                            Answer::skip, Answer::redo, Answer::stop};
  for (const Answer each : kAll) {
    if (word == engine::word(each)) return each;
  }
  return std::nullopt;
}

RemoteOperator::RemoteOperator(Clock& clock, EventHub& events)
    : clock_(clock),
      events_(events),
      answered_(clock.context(), asio::steady_timer::time_point::max()) {}

Awaitable<Result<engine::Reply>> RemoteOperator::ask(engine::Prompt prompt) {
  if (withdrawn_) co_return fail(ErrorKind::cancelled, "the question was withdrawn");
  reply_.reset();
  OpenQuestion question;
  question.id = next_++;
  question.prompt = std::move(prompt);
  question.asked = clock_.wall();
  const std::uint64_t id = question.id;
  events_.publish("question", json_of(question).dump());
  open_ = std::move(question);
  while (!reply_ && !withdrawn_) {
    boost::system::error_code woken;
    co_await answered_.async_wait(asio::redirect_error(asio::use_awaitable, woken));
  }
  open_.reset();
  nlohmann::ordered_json over{{"id", id}};
  if (reply_) over["answer"] = engine::word(reply_->answer);
  events_.publish("answered", over.dump());
  if (!reply_) co_return fail(ErrorKind::cancelled, "the question was withdrawn");
  co_return *reply_;
}

void RemoteOperator::withdraw() {
  withdrawn_ = true;
  answered_.cancel();
}

Result<void> RemoteOperator::answer(std::uint64_t id, engine::Reply reply) {
  if (!open_ || open_->id != id || reply_) {
    return fail(ErrorKind::bad_input, "question " + std::to_string(id) + " is not open");
  }
  const auto& allowed = open_->prompt.answers;
  if (std::find(allowed.begin(), allowed.end(), reply.answer) == allowed.end()) {
    std::string message = std::string("\"") + engine::word(reply.answer) +
                          "\" is no answer to this question; it takes";
    for (const Answer each : allowed) message += std::string(" ") + engine::word(each);
    return fail(ErrorKind::bad_input, message);
  }
  reply.remark = reply.remark.substr(0, kLongestRemark);
  reply_ = std::move(reply);
  answered_.cancel();
  return {};
}

}  // namespace nightbench::service
