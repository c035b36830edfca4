// Plots as SVG text: axes with round ticks, curves with uncertainty bands, limit lines, legend.
//
// Series differ by marker shape and dash as well as by colour. A value that is missing breaks the
// curve and puts a mark with its reason on the lower edge; nothing is ever drawn as 0 for it. The
// same plot gives the same bytes; no locale, no script, no network. Texts are escaped here.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace nightbench::report {

struct PlotPoint {
  double x = 0;
  std::optional<double> y;          // empty (or not finite): a gap, `note` says why
  std::optional<double> low, high;  // ends of the uncertainty interval; absent: no band here
  std::string note;                 // shown as a tool tip (SVG title)
  bool outside = false;             // misses its limit: its marker is filled and larger
};

struct Series {
  std::string name;               // legend; "" leaves it out of the legend
  std::vector<PlotPoint> points;  // in drawing order
  bool joined = true;             // a line between neighbours
  bool markers = true;
  bool filled = false;  // the area that the line encloses
};

struct LimitLine {
  std::string name;
  bool upper = true;  // the forbidden side is above (hatched there), else below
  std::vector<std::pair<double, double>> points;  // x ascending; two equal x make a step
};

struct Axis {
  std::string title;  // "RF frequency"
  std::string unit;   // "Hz": prefixed ("MHz") to suit the range where the unit allows
  std::optional<double> least, most;  // fixed ends; absent: from the data, rounded outwards
  std::vector<std::string> names{};   // of the places 0, 1, 2 ...; drawn instead of numbers
};

struct Plot {
  std::string title;        // accessible name, and the heading of a stand-alone file
  std::string description;  // one sentence for those who cannot see it
  Axis x, y;
  std::vector<Series> series;
  std::vector<LimitLine> limits;
  int width = 720, height = 360;  // user units; the picture scales
  bool equal_scales = false;      // one volt is as long on both axes (I against Q)
  bool values = false;            // carries every point's note, for hover.hpp
  std::string id;                 // unique in the document, [a-z0-9-]+; prefixes its inner ids
};

// An <svg> element for an HTML page that carries `plot_style()` once.
std::string svg_element(const Plot& plot);
// A stand-alone .svg file with its own style; light and dark by the viewer's preference.
std::string svg_file(const Plot& plot);
// CSS of the plots: classes nb-*, custom properties --nb-*; no element selectors.
std::string plot_style();

// Round tick positions (1, 2, 2.5 or 5 times a power of ten apart) that lie in [least, most]; about
// `wanted` of them. least == most gives that one value.
std::vector<double> round_ticks(double least, double most, int wanted);

}  // namespace nightbench::report
