// The interval of an image rejection when one part of the error is much larger than the other, as
// with channels that are not matched: the gain is known to 2 %, the phase far better.
#include <gmock/gmock.h>

#include <complex>
#include <random>

#include "sequences/reading/uncertainty.hpp"
#include "sequences/signal/image.hpp"

namespace nightbench::reading {
namespace {

TEST(NearTheFloor, IntervalHoldsItsLevelForFlatErrors) {
  const unsigned seed = 815;
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  const double ux = 0.001;
  constexpr int trials = 200;
  for (double flat : {0.5, 0.1, 0.01}) {
    const double uy = flat * ux;
    int held = 0;
    int all = 0;
    for (const std::complex<double> truth :
         {std::complex(0.0, 0.0), std::complex(0.001, 0.0), std::complex(0.0, 0.001),
          std::complex(0.002, 0.002), std::complex(0.0, 0.01), std::complex(0.02, 0.001)}) {
      int here = 0;
      for (int n = 0; n < trials; ++n) {
        const std::complex<double> seen =
            truth + std::complex(ux * normal(random), uy * normal(random));
        const RejectionInterval interval = image_rejection_interval(seen, {ux * ux, uy * uy, 0.0});
        const double db = signal::image_rejection_db(truth);
        if (db >= interval.low_db && db <= interval.high_db) ++here;
      }
      // One place: 200 trials scatter by 1.5 %.
      EXPECT_GT(100.0 * here / trials, 90.0) << flat << " at " << truth << ", seed " << seed;
      held += here;
      all += trials;
    }
    EXPECT_GT(100.0 * held / all, 93.5) << flat << ", seed " << seed;
    EXPECT_LT(100.0 * held / all, 97.5) << flat << ", seed " << seed;
  }
}

}  // namespace
}  // namespace nightbench::reading
