#include "daemon/cli/terminal_operator.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <boost/asio/buffer.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cstdlib>

namespace nightbench::cli {
namespace asio = boost::asio;

using engine::Answer;
using engine::Prompt;
using engine::PromptKind;
using engine::Reply;

namespace {

constexpr std::size_t kLongestLine = 2000;
constexpr std::size_t kWidth = 78;

std::string wrapped(const std::string& text) {
  std::string out;
  std::size_t column = 0;
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t end = std::min(text.find(' ', at), text.size());
    const std::size_t length = end - at;
    if (column > 0 && column + 1 + length > kWidth) {
      out += '\n';
      column = 0;
    } else if (column > 0) {
      out += ' ';
      ++column;
    }
    out += text.substr(at, length);
    column += length;
    at = end + 1;
  }
  return out + "\n";
}

char lower(char c) {
  return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
}

}  // namespace

bool wants_colour(std::FILE* out) {
  const char* refused = std::getenv("NO_COLOR");
  if (refused != nullptr && *refused != '\0') return false;
  const char* kind = std::getenv("TERM");
  if (kind == nullptr || *kind == '\0' || std::string_view(kind) == "dumb") return false;
  return isatty(fileno(out)) != 0;
}

std::string prompt_text(const Prompt& prompt, bool colour) {
  const auto put = [colour](const char* code, const std::string& text) {
    return colour ? std::string("\x1b[") + code + "m" + text + "\x1b[0m" : text;
  };
  std::string out = "\n" + put("1", "== " + prompt.title);
  if (prompt.powered) out += "  " + put("1;31", "[board under power]");
  out += "\n";
  if (!prompt.doubt.empty()) {
    std::string doubt = wrapped("Not measured yet: " + prompt.doubt + ".");
    doubt.pop_back();
    out += put("33", doubt) + "\n";
  }
  if (!prompt.drawing.empty()) out += prompt.drawing;
  out += wrapped(prompt.text);
  std::string words;
  for (const Answer each : prompt.answers) {
    words += (words.empty() ? "" : ", ") + std::string(engine::word(each));
  }
  if (prompt.kind == PromptKind::move) words += "; Enter is done";
  return out + "(" + words + "; a remark may follow) > ";
}

std::optional<Reply> read_answer(std::string_view line, const Prompt& prompt) {
  std::string text;
  for (const char c : line) {
    const auto byte = static_cast<unsigned char>(c);
    text += byte < 0x20 || byte == 0x7f ? ' ' : c;
  }
  const std::size_t begin = text.find_first_not_of(' ');
  Reply reply;
  if (begin == std::string::npos) {
    if (prompt.kind != PromptKind::move) return std::nullopt;
    reply.answer = Answer::done;
    return reply;
  }
  std::size_t end = begin;
  std::string word;
  while (end < text.size() && std::string_view(" ,;:.").find(text[end]) == std::string_view::npos) {
    word += lower(text[end++]);
  }
  std::optional<Answer> found;
  for (const Answer each : prompt.answers) {
    if (word.empty() || !std::string_view(engine::word(each)).starts_with(word)) continue;
    if (found) return std::nullopt;  // "s" is skip or stop
    found = each;
  }
  if (!found) return std::nullopt;
  reply.answer = *found;
  const std::size_t rest = text.find_first_not_of(" ,;:.", end);
  if (rest != std::string::npos) {
    reply.remark = text.substr(rest, text.find_last_not_of(' ') + 1 - rest);
  }
  return reply;
}

struct TerminalOperator::Input {
  explicit Input(asio::io_context& io) : descriptor(io) {}
  asio::posix::stream_descriptor descriptor;
  std::string pending;
  int flags = -1;  // of the open file, which its other users share: put back at the end
  bool asking = false;
  bool withdrawn = false;
};

TerminalOperator::TerminalOperator(asio::io_context& io, int input, std::FILE* out,
                                   std::function<void()> before)
    : input_(std::make_unique<Input>(io)),
      out_(out),
      colour_(wants_colour(out)),
      before_(std::move(before)) {
  // A descriptor of our own: closing it leaves the caller's open.
  const int own = dup(input);
  if (own >= 0) input_->flags = fcntl(own, F_GETFL);
  boost::system::error_code failed;
  if (own >= 0) input_->descriptor.assign(own, failed);
  if (own >= 0 && failed) ::close(own);
}

TerminalOperator::~TerminalOperator() {
  if (input_->flags >= 0 && input_->descriptor.is_open()) {
    fcntl(input_->descriptor.native_handle(), F_SETFL, input_->flags);
  }
}

void TerminalOperator::withdraw() {
  input_->withdrawn = true;
  boost::system::error_code ignored;
  if (input_->asking) input_->descriptor.cancel(ignored);
}

void TerminalOperator::renew() {
  input_->withdrawn = false;
}

Awaitable<Result<Reply>> TerminalOperator::ask(Prompt prompt) {
  if (input_->withdrawn) co_return fail(ErrorKind::cancelled, "the question was withdrawn");
  if (before_) before_();
  std::fputs(prompt_text(prompt, colour_).c_str(), out_);
  std::fflush(out_);
  for (;;) {
    const std::size_t end = input_->pending.find('\n');
    if (end != std::string::npos) {
      const std::string line = input_->pending.substr(0, end);
      input_->pending.erase(0, end + 1);
      if (const std::optional<Reply> reply = read_answer(line, prompt)) co_return *reply;
      std::string words;
      for (const Answer each : prompt.answers) words += " " + std::string(engine::word(each));
      std::fprintf(out_, "Please answer one of:%s > ", words.c_str());
      std::fflush(out_);
      continue;
    }
    if (input_->pending.size() > kLongestLine) input_->pending.clear();
    std::string piece(512, '\0');
    boost::system::error_code failed;
    input_->asking = true;
    const std::size_t got = co_await input_->descriptor.async_read_some(
        asio::buffer(piece), asio::redirect_error(asio::use_awaitable, failed));
    input_->asking = false;
    if (input_->withdrawn) {
      std::fputs("\n(no longer asked)\n", out_);
      co_return fail(ErrorKind::cancelled, "the question was withdrawn");
    }
    if (failed || got == 0) {
      co_return fail(ErrorKind::cancelled, "nobody answers: the terminal is closed");
    }
    input_->pending.append(piece, 0, got);
  }
}

}  // namespace nightbench::cli
