#include <algorithm>
#include <cmath>

#include "daemon/analyse/analyse.hpp"
#include "daemon/analyse/spectrum.hpp"
#include "drivers/base/quantity.hpp"
#include "sequences/report/svg_plot.hpp"

namespace nightbench::analyse {
namespace {

using report::Plot;
using report::Series;

constexpr int page_width = 720;
constexpr double shown_periods = 4;
constexpr std::size_t most_drawn = 1200;  // points of a curve

std::string volts_unit(const AnalyseOutcome& outcome) {
  return outcome.capture.volts ? "V" : "FS";
}

// Samples from the start that are worth drawing: a few periods where there is a tone.
std::size_t drawn_samples(const AnalyseOutcome& outcome) {
  const std::size_t all = outcome.capture.samples();
  if (!outcome.fit || !(outcome.fit->frequency_hz > 0)) return std::min(all, most_drawn);
  const double wanted =
      std::ceil(shown_periods * outcome.capture.rate_hz / outcome.fit->frequency_hz) + 1;
  return wanted < static_cast<double>(all) ? static_cast<std::size_t>(wanted) : all;
}

Series over_time(const std::string& name, const signal::Trace& trace, std::size_t samples) {
  Series series;
  series.name = name;
  series.markers = false;
  const std::size_t step = std::max<std::size_t>(1, samples / most_drawn);
  for (std::size_t n = 0; n < samples; n += step) {
    series.points.push_back({.x = static_cast<double>(n) * trace.dt_s,
                             .y = signal::volt_at(trace, n),
                             .low = {},
                             .high = {},
                             .note = {},
                             .outside = false});
  }
  return series;
}

Plot time_plot(const AnalyseOutcome& outcome) {
  const std::size_t samples = drawn_samples(outcome);
  Plot plot;
  plot.title = "I and Q over time";
  plot.description = "The first " + std::to_string(samples) + " of " +
                     std::to_string(outcome.capture.samples()) + " samples.";
  plot.x = {"Time", "s", {}, {}};
  plot.y = {"Output", volts_unit(outcome), {}, {}};
  plot.series = {over_time("I", outcome.i(), samples), over_time("Q", outcome.q(), samples)};
  plot.width = page_width;
  plot.height = 300;
  plot.id = "time";
  return plot;
}

Plot circle_plot(const AnalyseOutcome& outcome) {
  const std::size_t samples = drawn_samples(outcome);
  Series series;
  series.markers = false;
  const std::size_t step = std::max<std::size_t>(1, samples / most_drawn);
  for (std::size_t n = 0; n < samples; n += step) {
    series.points.push_back({.x = signal::volt_at(outcome.i(), n),
                             .y = signal::volt_at(outcome.q(), n),
                             .low = {},
                             .high = {},
                             .note = {},
                             .outside = false});
  }
  Plot plot;
  plot.title = "Q against I";
  plot.description =
      "A circle for a balanced board, a line for one in phase or with a dead channel.";
  plot.x = {"I", volts_unit(outcome), {}, {}};
  plot.y = {"Q", volts_unit(outcome), {}, {}};
  plot.series = {std::move(series)};
  plot.width = page_width;
  plot.height = 420;
  plot.equal_scales = true;
  plot.id = "circle";
  return plot;
}

// Marks at the strongest bin within two bins' width of each frequency.
Series marks(const std::string& name, const std::vector<double>& frequencies_hz,
             const std::vector<SpectrumBin>& bins, double reach_hz) {
  Series series;
  series.name = name;
  series.joined = false;
  for (const double frequency_hz : frequencies_hz) {
    const SpectrumBin* best = nullptr;
    for (const SpectrumBin& bin : bins) {
      if (std::fabs(bin.frequency_hz - frequency_hz) > reach_hz) continue;
      if (best == nullptr || bin.level_db > best->level_db) best = &bin;
    }
    if (best == nullptr) continue;
    series.points.push_back({.x = frequency_hz,
                             .y = best->level_db,
                             .low = {},
                             .high = {},
                             .note = name + " at " + format(frequency_hz, Unit::hertz) + ": " +
                                     format(best->level_db, Unit::db, 4),
                             .outside = false});
  }
  return series;
}

Series upright(const std::string& name, double frequency_hz, double from, double to) {
  Series series;
  series.name = name;
  series.markers = false;
  for (const double y : {from, to}) {
    series.points.push_back(
        {.x = frequency_hz, .y = y, .low = {}, .high = {}, .note = {}, .outside = false});
  }
  return series;
}

Plot spectrum_plot(const AnalyseOutcome& outcome) {
  const auto all = complex_spectrum(outcome.i(), outcome.q());
  Plot plot;
  plot.title = "Spectrum of I + jQ";
  plot.description =
      "Both sides of zero: the tone on one side, its image on the other at the same distance.";
  plot.x = {"Frequency", "Hz", {}, {}};
  plot.y = {
      outcome.capture.volts ? "Level against 1 V peak" : "Level against full scale", "dB", {}, {}};
  plot.width = page_width;
  plot.id = "spectrum";
  // The band that holds the harmonics, or everything.
  constexpr double harmonics_shown = 6.5;
  const double half_rate_hz = outcome.capture.rate_hz / 2;
  const double f_hz = outcome.fit ? outcome.fit->frequency_hz : 0;
  const double edge_hz = f_hz > 0 ? std::min(half_rate_hz, harmonics_shown * f_hz) : half_rate_hz;
  std::vector<SpectrumBin> bins;
  std::copy_if(all.begin(), all.end(), std::back_inserter(bins),
               [&](const SpectrumBin& bin) { return std::fabs(bin.frequency_hz) <= edge_hz; });
  Series curve;
  curve.name = "I + jQ";
  curve.markers = false;
  double top = -200;
  double bottom = 200;
  for (const SpectrumBin& bin : thinned(bins, most_drawn)) {
    top = std::max(top, bin.level_db);
    bottom = std::min(bottom, bin.level_db);
    curve.points.push_back({.x = bin.frequency_hz,
                            .y = bin.level_db,
                            .low = {},
                            .high = {},
                            .note = {},
                            .outside = false});
  }
  plot.series.push_back(std::move(curve));
  if (!(f_hz > 0)) return plot;
  const std::complex<double> j(0, 1);
  const auto& fit = *outcome.fit;
  const bool positive = std::abs(fit.first.phasor_v + j * fit.second.phasor_v) >=
                        std::abs(fit.first.phasor_v - j * fit.second.phasor_v);
  const double tone_hz = positive ? f_hz : -f_hz;
  const double reach_hz = 2 / (static_cast<double>(outcome.capture.samples()) * outcome.i().dt_s);
  std::vector<double> harmonics_hz;
  for (int k = 2; k <= static_cast<int>(harmonics_shown) && k * f_hz < edge_hz; ++k) {
    harmonics_hz.push_back(-k * f_hz);
    harmonics_hz.push_back(k * f_hz);
  }
  plot.series.push_back(marks("tone", {tone_hz}, bins, reach_hz));
  plot.series.push_back(marks("image", {-tone_hz}, bins, reach_hz));
  plot.series.push_back(marks("harmonics", harmonics_hz, bins, reach_hz));
  plot.series.push_back(upright("+IF", f_hz, bottom, top));
  plot.series.push_back(upright("-IF", -f_hz, bottom, top));
  return plot;
}

// The element of a plot as a part of a larger picture: at a place, of its own size.
std::string placed(const std::string& element, int y, int height) {
  const std::string start = "<svg ";
  if (!element.starts_with(start)) return element;
  const std::string width_text = std::to_string(page_width);
  const std::string height_text = std::to_string(height);
  return "<svg x=\"0\" y=\"" + std::to_string(y) + "\" width=\"" + width_text + "\" height=\"" +
         height_text + "\" style=\"width:" + width_text + "px;height:" + height_text + "px\" " +
         element.substr(start.size());
}

std::string escaped(std::string_view text) {
  std::string out;
  for (const char c : text) {
    if (c == '&')
      out += "&amp;";
    else if (c == '<')
      out += "&lt;";
    else if (c == '>')
      out += "&gt;";
    else if (c == '"')
      out += "&quot;";
    else
      out += c;
  }
  return out;
}

}  // namespace

std::string as_svg(const AnalyseOutcome& outcome) {
  constexpr int caption = 26;
  constexpr int legend = 40;  // plots grow by their legend
  std::string body;
  int y = 44;
  for (const Plot& plot : {time_plot(outcome), circle_plot(outcome), spectrum_plot(outcome)}) {
    body += "<text class=\"nb-heading\" x=\"16\" y=\"" + std::to_string(y + 18) + "\">" +
            escaped(plot.title) + "</text>\n";
    y += caption;
    body += placed(report::svg_element(plot), y, plot.height + legend);
    y += plot.height + legend;
  }
  const std::string size =
      "width=\"" + std::to_string(page_width) + "\" height=\"" + std::to_string(y) + "\"";
  std::string title =
      escaped(excerpt(std::filesystem::path(outcome.capture.file).filename().string(), 70));
  if (outcome.refused) title += ": no reading, " + std::string(name(outcome.refused->reason));
  return "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" "
         "class=\"nb-plot\" " +
         size + " viewBox=\"0 0 " + std::to_string(page_width) + " " + std::to_string(y) +
         "\" role=\"img\" aria-label=\"" + title + "\">\n<style>" + report::plot_style() +
         "</style>\n<rect class=\"nb-paper\" width=\"100%\" height=\"100%\"/>\n" +
         "<text class=\"nb-heading\" x=\"16\" y=\"28\">" + title + "</text>\n" + body + "</svg>\n";
}

}  // namespace nightbench::analyse
