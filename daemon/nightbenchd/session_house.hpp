// The bench of the service: a bench session on the service's own loop, made anew each time it is
// opened.
#pragma once

#include <boost/asio/io_context.hpp>
#include <filesystem>
#include <memory>

#include "daemon/cli/bench_session.hpp"
#include "daemon/nightbenchd/config.hpp"
#include "daemon/service/bench_house.hpp"

namespace nightbench::daemon {

class SessionHouse final : public service::BenchHouse {
 public:
  // `log`: where the guardian tells what it does.
  SessionHouse(boost::asio::io_context& io, std::filesystem::path bench_file, Answers answers,
               std::filesystem::path log);
  ~SessionHouse() override;

  // From the next open() on.
  void set(std::filesystem::path bench_file, Answers answers);

  Result<bench::BenchFile> read() override;
  Awaitable<Result<bench::Bench*>> open() override;
  bench::Bench* bench() override { return bench_; }
  Awaitable<Result<void>> arm() override;
  void rest() override;
  void on_guardian_lost(std::function<void()> lost) override { lost_ = std::move(lost); }
  void close() override;
  Result<bool> place(const std::string& board) override;
  std::unique_ptr<engine::Operator> hand(engine::Operator& person) override;
  boost::asio::thread_pool* pool() override;

 private:
  boost::asio::io_context& io_;
  std::filesystem::path file_;
  Answers answers_;
  std::filesystem::path log_;
  std::function<void()> lost_;
  std::shared_ptr<cli::BenchSession> session_;
  bench::Bench* bench_ = nullptr;
};

}  // namespace nightbench::daemon
