// Windows, spectra and the figures taken from them.
//
// Windows are periodic (divide by N, not N - 1). Figures: Harris, Proc. IEEE 66, 1978, Table 1 (by
// way of public transcriptions). Units: Hz, volts peak for lines, V^2/Hz one-sided for densities.
// Pure; safe in any number of threads (the planner of the transform library is locked inside).
#pragma once

#include <complex>
#include <memory>
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "sequences/signal/samples.hpp"
#include "sequences/signal/two_channel_fit.hpp"

namespace nightbench::signal {

enum class Window : std::uint8_t {
  rectangular,
  hann,
  hamming,
  blackman,
  blackman_harris,  // 4 terms, side lobes below -92 dB
  flat_top,         // 5 terms
};

std::vector<double> window_values(Window window, std::size_t points);
// The same, kept from call to call for the sizes of ordinary records. From any thread.
std::shared_ptr<const std::vector<double>> kept_window(Window window, std::size_t points);

struct WindowFigures {
  double coherent_gain = 0.0;  // mean of the window
  double noise_bandwidth_bins = 0.0;
  double scalloping_db = 0.0;  // loss half a bin off, > 0
};
WindowFigures window_figures(Window window, std::size_t points);

// Ratio to the mean of the other bins that noise alone reaches in one of `bins` bins with the
// chance `false_alarm`: ln(bins / false_alarm) when that mean is known well (`noise_bins` large),
// more when it comes from few bins.
double detection_threshold(std::size_t bins, std::size_t noise_bins, double false_alarm);

struct StartOptions {
  double false_alarm = 1e-6;        // chance that noise alone passes for a tone
  double margin_db = 0.0;           // asked on top of the threshold
  std::size_t most_points = 32768;  // longer records: the middle is searched, then the fit extended
};

struct StartValue {
  double frequency_hz = 0.0;
  double amplitude_v = 0.0;
  double phase_rad = 0.0;  // at sample 0 of the part that was searched
  double offset_v = 0.0;
  double peak_over_mean_db = 0.0;  // largest bin's power over the mean of the others
  double threshold_db = 0.0;       // what it had to reach
};

// The strongest line: Hann window, largest bin, three-point interpolation (below 1e-6 bin for a
// clean tone of 20 periods). Refuses fewer than 32 points, a largest bin below 2 periods, and a
// peak under mean x ln(bins / false_alarm) (white noise, exponentially distributed bins).
Expected<StartValue> starting_value(const Trace& trace, const StartOptions& options = {});

// The strongest line of two channels that share it: the powers of both are added bin by bin when
// they have as many points and the same interval, otherwise the channel with the clearer peak wins.
Expected<StartValue> starting_value(const Trace& first, const Trace& second,
                                    const StartOptions& options = {});

// Frequency of bin k's line from the magnitudes around it, in bins from k (Hann window).
double three_point_offset(double below, double peak, double above);
double two_point_offset(double below, double peak, double above);

// Phasor (peak volts) of the line at `frequency_hz`, windowed, mean removed, phase at `at_s`.
// The frequency may be negative. Refuses fewer than 16 points.
Expected<std::complex<double>> line_at(const Trace& trace, double frequency_hz, Window window,
                                       double at_s);

// The two lines of I + jQ at +f and -f (4-term Blackman-Harris window by default), peak volts.
// Each channel is taken at its own instants. Refuses fewer than 5 periods, where the window's main
// lobes would overlap.
struct ImageLines {
  std::complex<double> plus_v;
  std::complex<double> minus_v;
};
Expected<ImageLines> image_lines(const Trace& i, const Trace& q, double frequency_hz,
                                 Window window = Window::blackman_harris);

// One-sided power density of a record whose mean is removed, bins 0 .. N/2, `bin_hz` apart.
struct Density {
  std::vector<double> v2_per_hz;
  double bin_hz = 0.0;
  double window_bins = 1.0;  // noise bandwidth of the window, in bins
};
Density density(std::span<const double> volts, double dt_s, Window window);

// Median of the bins in [low_hz, high_hz], scaled to the mean that white noise with that median
// has. A few lines do not disturb it; bins of exactly 0 are left out. V^2/Hz; 0 for an empty band.
double noise_density(const Density& of, double low_hz, double high_hz);
std::size_t counted_bins(const Density& of, double low_hz, double high_hz);

// The largest line in [low_hz, high_hz] (peak volts) and where; a line is the power in its main
// lobe.
struct Line {
  double frequency_hz = 0.0;
  double amplitude_v = 0.0;
  double over_noise_db = 0.0;  // peak bin over the median-based noise
};
Line largest_line(const Density& of, double low_hz, double high_hz);

// Distortion of one channel from its fundamental, its harmonics and the rest of the fit
// (definitions of IEEE 1241 and 1057, from memory).
struct Distortion {
  double thd = 0.0;  // root of the sum of squares of harmonics 2..K over the fundamental
  double thd_db = 0.0;
  int harmonics = 0;      // K, how many were in the band
  double sinad_db = 0.0;  // fundamental over noise and distortion, DC left out
};
Distortion distortion(const ChannelTone& tone);

double sinad_db(double amplitude_v, double residual_rms_v);
// Effective bits; `full_scale_v` is peak to peak. From a residual, or from SINAD and amplitude.
double enob(double full_scale_v, double residual_rms_v);
double enob_from_sinad(double sinad_db, double full_scale_v, double amplitude_v);

// Where a tone at `frequency_hz` shows after sampling at `rate_hz`: in [0, rate/2].
double apparent_frequency_hz(double frequency_hz, double rate_hz);

}  // namespace nightbench::signal
