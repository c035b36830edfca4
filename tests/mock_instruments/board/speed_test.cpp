// What the board costs. Bounds are several times what was measured, so that a busy machine passes
// and a lost cache does not; times are of this thread's processor, not the wall.
#include <gtest/gtest.h>

#include <ctime>
#include <fstream>
#include <string>

#include "mock_instruments/board/board.hpp"

namespace nightbench::mock::board::test {
namespace {

double processor_us() {
  timespec now{};
  clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) * 1e6 + static_cast<double>(now.tv_nsec) * 1e-3;
}

template <typename Work>
double microseconds_each(int times, Work work) {
  const double begin = processor_us();
  for (int k = 0; k < times; ++k) work();
  return (processor_us() - begin) / times;
}

double resident_mb() {
  std::ifstream file("/proc/self/statm");
  double total = 0, resident = 0;
  file >> total >> resident;
  return resident * 4096 / 1e6;
}

TEST(BoardSpeed, NewAndCachedResponses) {
  Board board = Board::make(healthy_30m()).value();
  Stimulus stimulus;
  stimulus.temperature_c = 23.7;  // between two solved temperatures: everything twice
  board.iq_response(stimulus);
  const double fresh = microseconds_each(50, [&] {
    stimulus.rf_hz += 1e3;
    stimulus.lo_hz += 1e3;
    board.iq_response(stimulus);
  });
  const double cached = microseconds_each(1000, [&] { board.iq_response(stimulus); });
  const std::array points{TestPoint::i_out, TestPoint::q_out};
  const double wave =
      microseconds_each(50, [&] { board.waveform(stimulus, points, {36000, 0.5}, 1e-6, 10000); });
  RecordProperty("fresh_us", std::to_string(fresh));
  RecordProperty("cached_us", std::to_string(cached));
  RecordProperty("wave_us", std::to_string(wave));
  std::printf("new pair %.0f us, cached %.1f us, 2 x 10000 samples %.0f us\n", fresh, cached, wave);
#ifdef NDEBUG
  EXPECT_LT(fresh, 4000);
  EXPECT_LT(cached, 50);
  EXPECT_LT(wave, 4000);
#endif
}

TEST(BoardSpeed, SixtyFourBoardsFitInMemory) {
  const double before = resident_mb();
  std::vector<Board> boards;
  const std::array points{TestPoint::i_out, TestPoint::q_out, TestPoint::sw_6, TestPoint::sw_5};
  for (std::uint64_t serial = 0; serial < 64; ++serial) {
    boards.push_back(Board::make(with_tolerances(healthy_30m(), serial)).value());
    Stimulus stimulus;
    stimulus.temperature_c = 23.7;
    for (int k = 0; k < 10; ++k) {
      stimulus.lo_hz += 1e3;
      boards.back().waveform(stimulus, points, {}, 1e-6, 100);
    }
  }
  const double used = resident_mb() - before;
  std::printf("64 boards: %.1f MB\n", used);
#if defined(NDEBUG) && !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
  EXPECT_LT(used, 100.0);
#endif
}

}  // namespace
}  // namespace nightbench::mock::board::test
