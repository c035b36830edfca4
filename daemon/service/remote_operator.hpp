// The operator seam for a person at a page or another program: a question is an event and a
// resource; the answer comes whenever the person gives it. On the I/O thread only.
#pragma once

#include <boost/asio/steady_timer.hpp>
#include <cstdint>
#include <optional>
#include <string>

#include "daemon/service/event_hub.hpp"
#include "sequences/engine/operator.hpp"

namespace nightbench::service {

struct OpenQuestion {
  std::uint64_t id = 0;  // new for every question of this process
  engine::Prompt prompt;
  WallTime asked;
};

class RemoteOperator final : public engine::Operator {
 public:
  // Both must outlive this.
  RemoteOperator(Clock& clock, EventHub& events);

  // Publishes "question" when it asks and "answered" when it is over.
  Awaitable<Result<engine::Reply>> ask(engine::Prompt prompt) override;
  void withdraw() override;
  // Questions may be asked again after withdraw(): a new run begins.
  void renew() { withdrawn_ = false; }

  const std::optional<OpenQuestion>& open() const { return open_; }
  // bad_input: no such question is open, or the answer is none that it takes. A remark is cut at
  // 1000 bytes.
  Result<void> answer(std::uint64_t id, engine::Reply reply);

 private:
  Clock& clock_;
  EventHub& events_;
  boost::asio::steady_timer answered_;
  std::optional<OpenQuestion> open_;
  std::optional<engine::Reply> reply_;
  std::uint64_t next_ = 1;
  bool withdrawn_ = false;
};

std::optional<engine::Answer> answer_from(std::string_view word);

}  // namespace nightbench::service
