// Asks the person at the terminal: drawing, text, the answers that are possible; an answer is a
// word or enough of it to be told, and what follows it is a remark for the record.
#pragma once

#include <boost/asio/io_context.hpp>
#include <cstdio>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "sequences/engine/operator.hpp"

namespace nightbench::cli {

// Whether to use bold and colour: `out` is a terminal that can, and NO_COLOR (no-color.org) is
// unset or empty.
bool wants_colour(std::FILE* out);

// The prompt as it is shown, ending in "> ". Colour adds emphasis only: nothing is said by colour
// alone.
std::string prompt_text(const engine::Prompt& prompt, bool colour);

// "n, the notch is on the left" is no, with the rest as remark. An empty line is done for a move
// and nothing for a question: what keeps the power off is answered by a word. Nothing when the
// first word is none of the answers or not enough of one.
std::optional<engine::Reply> read_answer(std::string_view line, const engine::Prompt& prompt);

class TerminalOperator final : public engine::Operator {
 public:
  // Reads `input` (a descriptor, not closed), writes `out`; both must outlive this. `before` is
  // called before anything is written, for whoever else writes there.
  TerminalOperator(boost::asio::io_context& io, int input, std::FILE* out,
                   std::function<void()> before = {});
  ~TerminalOperator() override;

  Awaitable<Result<engine::Reply>> ask(engine::Prompt prompt) override;
  void withdraw() override;
  // Takes questions again after withdraw(): for the next run.
  void renew();

 private:
  struct Input;
  std::unique_ptr<Input> input_;
  std::FILE* out_;
  bool colour_;
  std::function<void()> before_;
};

}  // namespace nightbench::cli
