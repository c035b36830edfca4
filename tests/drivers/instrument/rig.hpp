// One role over a scripted instrument, with a dialect of the repository.
#pragma once

#include <gtest/gtest.h>

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "../support/fake_instrument.hpp"
#include "../support/run.hpp"
#include "drivers/instrument/dialect.hpp"
#include "drivers/instrument/instrument.hpp"
#include "tests/support/places.hpp"

namespace nightbench::test {

using Heard = std::vector<std::string>;

inline std::filesystem::path dialect_folder() {
  return std::filesystem::path(NIGHTBENCH_SOURCE_DIR) / "drivers" / "dialects";
}

class Rig : public testing::Test {
 protected:
  template <typename T>
  T run(Awaitable<T> task) {
    return test::run(clock_, std::move(task));
  }

  template <typename RoleClass>
  std::unique_ptr<RoleClass> make(const std::string& dialect_name, const std::string& name,
                                  instrument::RoleOptions options = {}) {
    const auto dialect = instrument::find_dialect(dialect_folder(), dialect_name);
    EXPECT_TRUE(dialect) << describe(dialect.error());
    return make_with<RoleClass>(*dialect, name, options);
  }

  template <typename RoleClass>
  std::unique_ptr<RoleClass> make_with(const instrument::Dialect& dialect, const std::string& name,
                                       instrument::RoleOptions options = {}) {
    auto session =
        std::make_unique<scpi::Session>(fake_.link(), clock_, name, dialect.session_options());
    auto out = std::make_unique<RoleClass>(std::move(session), dialect, options);
    const Result<void> opened = run(static_cast<instrument::Instrument&>(*out).open());
    EXPECT_TRUE(opened) << describe(opened.error());
    fake_.heard();
    return out;
  }

  // What was said since the last call, without the error queue.
  Heard said() {
    Heard out;
    for (const std::string& each : fake_.heard()) {
      if (each != ":SYST:ERR?") out.push_back(each);
    }
    return out;
  }

  boost::asio::io_context context_;
  VirtualClock clock_{context_};
  FakeInstrument fake_{clock_};
};

}  // namespace nightbench::test
