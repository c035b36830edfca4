#include "sequences/report/svg_plot.hpp"

#include <algorithm>
#include <cmath>

#include "sequences/report/markup.hpp"
#include "sequences/report/number_text.hpp"
#include "sequences/report/plot_scale.hpp"

namespace nightbench::report {
namespace {

constexpr double kLeft = 66, kRight = 18, kTop = 14, kBottom = 50;
constexpr double kLegendRow = 20;
constexpr double kLetter = 6.7;  // mean advance of the 12 px font, for laying out the legend
constexpr std::size_t kColours = 6;
constexpr std::size_t kMostMarkers = 60;

std::string at(double value) {
  std::string text = fixed(value, 2);
  while (text.ends_with('0') && text.find('.') != std::string::npos) text.pop_back();
  if (text.ends_with('.')) text.pop_back();
  return text;
}

std::string one_line(std::string text) {
  std::replace(text.begin(), text.end(), '\n', ' ');
  return text;
}

bool known(const std::optional<double>& value) {
  return value && std::isfinite(*value);
}

class Drawing {
 public:
  explicit Drawing(const Plot& plot) : plot_(plot), id_(plot.id.empty() ? "plot" : plot.id) {
    Range x;
    Range y;
    for (const Series& series : plot.series) {
      for (const PlotPoint& point : series.points) {
        x.take(point.x);
        for (const auto& value : {point.y, point.low, point.high}) {
          if (known(value)) y.take(*value);
        }
        if (!known(point.y)) gaps_ = true;
      }
    }
    for (const LimitLine& limit : plot.limits) {
      for (const auto& [limit_x, limit_y] : limit.points) {
        x.take(limit_x);
        y.take(limit_y);
      }
    }
    right_ = plot.width - kRight;
    foot_ = plot.height - kBottom;
    x_ = settled(x, plot.x, 0.02);
    y_ = settled(y, plot.y, 0.07);
    if (plot.equal_scales) equalise();
    lay_out_legend();
  }

  double height() const { return plot_.height + legend_rows_ * kLegendRow; }

  // Every point with its note: a place in user units, the series and the text, a line each.
  std::string values() const {
    std::string out;
    for (std::size_t i = 0; i < plot_.series.size(); ++i) {
      for (const PlotPoint& point : plot_.series[i].points) {
        const double x = px(point.x);
        if (point.note.empty() || !std::isfinite(x) || x < kLeft - 1 || x > right_ + 1) continue;
        const double y = known(point.y) ? std::clamp(py(*point.y), kTop, foot_) : foot_;
        out += (out.empty() ? "" : "&#10;") + fixed(x, 1) + " " + fixed(y, 1) + " " +
               std::to_string(i) + " " + escaped(one_line(point.note));
      }
    }
    return out.empty() ? "" : " data-points=\"" + out + "\"";
  }

  std::string body() const {
    std::string out = "<defs><clipPath id=\"" + escaped(id_) + "-clip\"><rect x=\"" + at(kLeft) +
                      "\" y=\"" + at(kTop) + "\" width=\"" + at(right_ - kLeft) + "\" height=\"" +
                      at(foot_ - kTop) + "\"/></clipPath>";
    out += "<pattern id=\"" + escaped(id_) +
           "-hatch\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" "
           "patternTransform=\"rotate(45)\"><line class=\"nb-hatch\" x1=\"0\" y1=\"0\" x2=\"0\" "
           "y2=\"7\"/></pattern></defs>\n";
    out += grid();
    out += "<g clip-path=\"url(#" + escaped(id_) + "-clip)\">\n";
    for (const LimitLine& limit : plot_.limits) out += limit_shape(limit);
    for (std::size_t i = 0; i < plot_.series.size(); ++i) out += band(plot_.series[i], i);
    for (std::size_t i = 0; i < plot_.series.size(); ++i) out += curve(plot_.series[i], i);
    out += "</g>\n";
    for (std::size_t i = 0; i < plot_.series.size(); ++i) out += markers(plot_.series[i], i);
    out += legend();
    return out;
  }

 private:
  double px(double x) const { return kLeft + (x - x_.least) / x_.span() * (right_ - kLeft); }
  double py(double y) const { return foot_ - (y - y_.least) / y_.span() * (foot_ - kTop); }

  void equalise() {
    const double per_x = x_.span() / (right_ - kLeft);
    const double per_y = y_.span() / (foot_ - kTop);
    Range& narrow = per_x < per_y ? x_ : y_;
    const double grow = std::max(per_x, per_y) / std::min(per_x, per_y);
    const double more = narrow.span() * (grow - 1) / 2;
    narrow.least -= more;
    narrow.most += more;
  }

  std::string grid() const {
    const Ticks x = ticks_for(x_, plot_.x, plot_.width / 90);
    const Ticks y = ticks_for(y_, plot_.y, plot_.height / 55);
    std::string lines = "<g class=\"nb-grid\">";
    std::string texts = "<g class=\"nb-label\">";
    for (const double tick : x.ticks) {
      const std::string place = at(px(tick * x.factor));
      lines += "<line x1=\"" + place + "\" y1=\"" + at(kTop) + "\" x2=\"" + place + "\" y2=\"" +
               at(foot_) + "\"/>";
      texts += "<text class=\"nb-middle\" x=\"" + place + "\" y=\"" + at(foot_ + 17) + "\">" +
               escaped(tick_text(plot_.x, x, tick)) + "</text>";
    }
    for (const double tick : y.ticks) {
      const double place = py(tick * y.factor);
      lines += "<line x1=\"" + at(kLeft) + "\" y1=\"" + at(place) + "\" x2=\"" + at(right_) +
               "\" y2=\"" + at(place) + "\"/>";
      texts += "<text class=\"nb-end\" x=\"" + at(kLeft - 7) + "\" y=\"" + at(place + 4) + "\">" +
               escaped(tick_text(plot_.y, y, tick)) + "</text>";
    }
    lines += "</g>\n<rect class=\"nb-frame\" x=\"" + at(kLeft) + "\" y=\"" + at(kTop) +
             "\" width=\"" + at(right_ - kLeft) + "\" height=\"" + at(foot_ - kTop) + "\"/>\n";
    const auto title = [](const Axis& axis, const std::string& unit) {
      return escaped(unit.empty() ? axis.title : axis.title + " in " + unit);
    };
    texts += "<text class=\"nb-middle nb-axis\" x=\"" + at((kLeft + right_) / 2) + "\" y=\"" +
             at(foot_ + 38) + "\">" + title(plot_.x, x.unit) + "</text>";
    texts += "<text class=\"nb-middle nb-axis\" transform=\"translate(15 " +
             at((kTop + foot_) / 2) + ") rotate(-90)\">" + title(plot_.y, y.unit) + "</text>";
    return lines + texts + "</g>\n";
  }

  std::string limit_shape(const LimitLine& limit) const {
    std::string line;
    double first = 0;
    double last = 0;
    for (const auto& [x, y] : limit.points) {
      if (!std::isfinite(x) || !std::isfinite(y)) continue;
      if (line.empty()) first = px(x);
      last = px(x);
      line += (line.empty() ? "" : " ") + at(px(x)) + "," + at(py(y));
    }
    if (line.empty()) return "";
    const std::string edge = at(limit.upper ? kTop - 2 : foot_ + 2);
    return "<polygon class=\"nb-forbidden\" fill=\"url(#" + escaped(id_) + "-hatch)\" points=\"" +
           line + " " + at(last) + "," + edge + " " + at(first) + "," + edge +
           "\"/><polyline class=\"nb-limit\" points=\"" + line + "\"/>\n";
  }

  // Calls `draw` for each stretch of neighbours that satisfy `usable`.
  template <typename Usable, typename Draw>
  static void stretches(const std::vector<PlotPoint>& points, const Usable& usable,
                        const Draw& draw) {
    std::size_t from = 0;
    while (from < points.size()) {
      if (!usable(points[from])) {
        ++from;
        continue;
      }
      std::size_t to = from;
      while (to < points.size() && usable(points[to])) ++to;
      draw(from, to);
      from = to;
    }
  }

  std::string band(const Series& series, std::size_t index) const {
    const std::string colour = " nb-s" + std::to_string(index % kColours);
    std::string out;
    const auto bounded = [](const PlotPoint& p) {
      return known(p.y) && known(p.low) && known(p.high);
    };
    stretches(series.points, bounded, [&](std::size_t from, std::size_t to) {
      const auto bar = [&](const PlotPoint& p) {
        return "<line class=\"nb-bar" + colour + "\" x1=\"" + at(px(p.x)) + "\" y1=\"" +
               at(py(*p.low)) + "\" x2=\"" + at(px(p.x)) + "\" y2=\"" + at(py(*p.high)) + "\"/>\n";
      };
      if (to - from == 1 || !series.joined) {
        for (std::size_t i = from; i < to; ++i) out += bar(series.points[i]);
        return;
      }
      std::string outline;
      for (std::size_t i = from; i < to; ++i) {
        outline += at(px(series.points[i].x)) + "," + at(py(*series.points[i].high)) + " ";
      }
      for (std::size_t i = to; i-- > from;) {
        outline += at(px(series.points[i].x)) + "," + at(py(*series.points[i].low)) + " ";
      }
      outline.pop_back();
      out += "<polygon class=\"nb-band" + colour + "\" points=\"" + outline + "\"/>\n";
    });
    return out;
  }

  // Coordinates of a stretch; a long one keeps the extremes of each column of the picture, so that
  // a capture of a million samples draws like itself and not like its size.
  std::string path(const std::vector<PlotPoint>& points, std::size_t from, std::size_t to) const {
    const bool ascending =
        std::is_sorted(points.begin() + static_cast<std::ptrdiff_t>(from),
                       points.begin() + static_cast<std::ptrdiff_t>(to),
                       [](const PlotPoint& a, const PlotPoint& b) { return a.x < b.x; });
    std::string out;
    const auto put = [&](const PlotPoint& p) {
      out += (out.empty() ? "" : " ") + at(px(p.x)) + "," + at(py(*p.y));
    };
    if (!ascending || to - from <= static_cast<std::size_t>(plot_.width) * 4) {
      for (std::size_t i = from; i < to; ++i) put(points[i]);
      return out;
    }
    std::size_t i = from;
    while (i < to) {
      const double column = std::floor(px(points[i].x));
      std::size_t lowest = i;
      std::size_t highest = i;
      std::size_t next = i;
      for (; next < to && std::floor(px(points[next].x)) == column; ++next) {
        if (*points[next].y < *points[lowest].y) lowest = next;
        if (*points[next].y > *points[highest].y) highest = next;
      }
      put(points[std::min(lowest, highest)]);
      if (lowest != highest) put(points[std::max(lowest, highest)]);
      i = next;
    }
    return out;
  }

  std::string curve(const Series& series, std::size_t index) const {
    if (!series.joined) return "";
    std::string out;
    stretches(
        series.points, [](const PlotPoint& p) { return known(p.y) && std::isfinite(p.x); },
        [&](std::size_t from, std::size_t to) {
          if (to - from < 2) return;
          const std::string line = path(series.points, from, to);
          if (series.filled) {
            out += "<polygon class=\"nb-band nb-s" + std::to_string(index % kColours) +
                   "\" points=\"" + line + "\"/>\n";
          }
          out += "<polyline class=\"nb-curve nb-s" + std::to_string(index % kColours) +
                 "\" points=\"" + line + "\"/>\n";
        });
    return out;
  }

  static std::string marker(std::size_t shape, double x, double y, double r) {
    const auto poly = [&](std::initializer_list<std::pair<double, double>> corners) {
      std::string points;
      for (const auto& [dx, dy] : corners) {
        points += (points.empty() ? "" : " ") + at(x + dx * r) + "," + at(y + dy * r);
      }
      return "<polygon points=\"" + points + "\"/>";
    };
    switch (shape % kColours) {
      case 0:
        return "<circle cx=\"" + at(x) + "\" cy=\"" + at(y) + "\" r=\"" + at(r) + "\"/>";
      case 1:
        return poly({{-0.9, -0.9}, {0.9, -0.9}, {0.9, 0.9}, {-0.9, 0.9}});
      case 2:
        return poly({{0, -1.2}, {1.1, 0.8}, {-1.1, 0.8}});
      case 3:
        return poly({{0, -1.3}, {1.1, 0}, {0, 1.3}, {-1.1, 0}});
      case 4:
        return poly({{-1.1, -0.8}, {1.1, -0.8}, {0, 1.2}});
      default:
        return poly({{-0.4, -1.2},
                     {0.4, -1.2},
                     {0.4, -0.4},
                     {1.2, -0.4},
                     {1.2, 0.4},
                     {0.4, 0.4},
                     {0.4, 1.2},
                     {-0.4, 1.2},
                     {-0.4, 0.4},
                     {-1.2, 0.4},
                     {-1.2, -0.4},
                     {-0.4, -0.4}});
    }
  }

  std::string markers(const Series& series, std::size_t index) const {
    if (!series.markers) return "";
    const std::size_t every = series.points.size() / kMostMarkers + 1;
    const std::string colour = "nb-s" + std::to_string(index % kColours);
    std::string out;
    for (std::size_t i = 0; i < series.points.size(); ++i) {
      const PlotPoint& point = series.points[i];
      const double x = px(point.x);
      if (!std::isfinite(x) || x < kLeft - 1 || x > right_ + 1) continue;
      const std::string tip =
          point.note.empty() ? "" : "<title>" + escaped(point.note) + "</title>";
      if (!known(point.y)) {
        // Beside each other when several series miss the same place.
        const double y = foot_ - 7 - 11 * static_cast<double>(index % 4);
        out += "<g class=\"nb-gap " + colour + "\">" + tip + "<path d=\"M" + at(x - 4) + " " +
               at(y - 4) + "L" + at(x + 4) + " " + at(y + 4) + "M" + at(x - 4) + " " + at(y + 4) +
               "L" + at(x + 4) + " " + at(y - 4) + "\"/></g>\n";
        continue;
      }
      if (i % every != 0 && !point.outside) continue;
      const double y = py(*point.y);
      if (y < kTop - 1 || y > foot_ + 1) continue;
      // Filled and larger, so that it shows without colour.
      out += std::string("<g class=\"nb-mark ") + (point.outside ? "nb-outside " : "") + colour +
             "\">" + tip + marker(index, x, y, point.outside ? 4.4 : 3.4);
      out += "</g>\n";
    }
    return out;
  }

  struct Entry {
    std::string text, picture;  // picture: drawn around (0, 0), 26 wide
    double x = 0;
    int row = 0;
  };

  void lay_out_legend() {
    const bool alone = plot_.series.size() == 1 && plot_.limits.empty();
    bool any_outside = false;
    for (std::size_t i = 0; i < plot_.series.size(); ++i) {
      const Series& series = plot_.series[i];
      for (const PlotPoint& point : series.points) any_outside = any_outside || point.outside;
      if (series.name.empty() || alone) continue;
      const std::string colour = "nb-s" + std::to_string(i % kColours);
      std::string picture;
      if (series.joined) {
        picture += "<polyline class=\"nb-curve " + colour + "\" points=\"0,0 26,0\"/>";
      }
      if (series.markers)
        picture += "<g class=\"nb-mark " + colour + "\">" + marker(i, 13, 0, 3.4) + "</g>";
      legend_.push_back({series.name, picture});
    }
    std::vector<std::string> limit_names;
    for (const LimitLine& limit : plot_.limits) {
      const std::string name = limit.name.empty() ? "limit" : limit.name;
      if (std::find(limit_names.begin(), limit_names.end(), name) != limit_names.end()) continue;
      limit_names.push_back(name);
      legend_.push_back({name, "<polyline class=\"nb-limit\" points=\"0,0 26,0\"/>"});
    }
    if (any_outside) {
      legend_.push_back({"outside its limit",
                         "<g class=\"nb-mark nb-outside\">" + marker(0, 13, 0, 4.4) + "</g>"});
    }
    if (gaps_) {
      legend_.push_back(
          {"no reading", "<g class=\"nb-gap\"><path d=\"M9 -4L17 4M9 4L17 -4\"/></g>"});
    }
    double x = kLeft;
    int row = 0;
    for (Entry& entry : legend_) {
      const double width = 34 + kLetter * static_cast<double>(entry.text.size()) + 18;
      if (x > kLeft && x + width > plot_.width) {
        x = kLeft;
        ++row;
      }
      entry.x = x;
      entry.row = row;
      x += width;
    }
    legend_rows_ = legend_.empty() ? 0 : row + 1;
  }

  std::string legend() const {
    std::string out;
    for (const Entry& entry : legend_) {
      out += "<g transform=\"translate(" + at(entry.x) + " " +
             at(plot_.height + 6 + entry.row * kLegendRow) + ")\">" + entry.picture +
             "<text class=\"nb-legend\" x=\"33\" y=\"4\">" + escaped(entry.text) + "</text></g>\n";
    }
    return out;
  }

  const Plot& plot_;
  std::string id_;
  Range x_, y_;
  double right_ = 0, foot_ = 0;
  bool gaps_ = false;
  std::vector<Entry> legend_;
  int legend_rows_ = 0;
};

std::string opening(const Plot& plot, double height, const std::string& more) {
  std::string out = "<svg class=\"nb-plot\" viewBox=\"0 0 " + at(plot.width) + " " + at(height) +
                    "\" role=\"img\"" + attribute("aria-label", plot.title) + more + ">\n";
  if (!plot.description.empty()) out += "<desc>" + escaped(plot.description) + "</desc>\n";
  return out;
}

}  // namespace

std::string svg_element(const Plot& plot) {
  const Drawing drawing(plot);
  return opening(plot, drawing.height(), plot.values ? drawing.values() : "") + drawing.body() +
         "</svg>\n";
}

std::string svg_file(const Plot& plot) {
  const Drawing drawing(plot);
  constexpr double kHeading = 34;
  const double height = drawing.height() + kHeading;
  std::string out = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n";
  out += opening(plot, height,
                 " xmlns=\"http://www.w3.org/2000/svg\" width=\"" + at(plot.width) +
                     "\" height=\"" + at(height) + "\"");
  out += "<style>" + plot_style() +
         "</style>\n<rect class=\"nb-paper\" width=\"100%\" height=\"100%\"/>\n";
  out += "<text class=\"nb-heading\" x=\"" + at(kLeft) + "\" y=\"24\">" + escaped(plot.title) +
         "</text>\n<g transform=\"translate(0 " + at(kHeading) + ")\">\n" + drawing.body() +
         "</g>\n";
  return out + "</svg>\n";
}

std::string plot_style() {
  return R"css(
.nb-plot {
  --nb-paper: #fdfdfb; --nb-ink: #1c2328; --nb-faint: #d9ddd8; --nb-axis: #4a545b;
  --nb-limit: #b0261c; --nb-0: #00685c; --nb-1: #a84c10; --nb-2: #4548b0; --nb-3: #6b6a00;
  --nb-4: #98286f; --nb-5: #4a5a66;
  font-family: "Liberation Sans", Arial, Helvetica, sans-serif; font-size: 12px;
  width: 100%; height: auto; display: block;
}
@media (prefers-color-scheme: dark) { @media screen { .nb-plot {
  --nb-paper: #171c1f; --nb-ink: #e7eae8; --nb-faint: #353d42; --nb-axis: #aab4b8;
  --nb-limit: #ff8d80; --nb-0: #5fcdbc; --nb-1: #f2a871; --nb-2: #aab0ff; --nb-3: #d2cf62;
  --nb-4: #f29bd0; --nb-5: #b6c3cb;
} } }
.nb-paper { fill: var(--nb-paper); }
.nb-heading { fill: var(--nb-ink); font-size: 16px; font-weight: bold; }
.nb-grid line { stroke: var(--nb-faint); stroke-width: 1; }
.nb-frame { fill: none; stroke: var(--nb-axis); stroke-width: 1; }
.nb-label text { fill: var(--nb-axis); }
.nb-middle { text-anchor: middle; }
.nb-end { text-anchor: end; }
.nb-label .nb-axis, .nb-legend { fill: var(--nb-ink); }
.nb-hatch { stroke: var(--nb-limit); stroke-width: 1.6; opacity: 0.45; }
.nb-forbidden { opacity: 0.55; }
.nb-limit { fill: none; stroke: var(--nb-limit); stroke-width: 2; stroke-dasharray: 9 4; }
.nb-s0 { --nb-c: var(--nb-0); } .nb-s1 { --nb-c: var(--nb-1); } .nb-s2 { --nb-c: var(--nb-2); }
.nb-s3 { --nb-c: var(--nb-3); } .nb-s4 { --nb-c: var(--nb-4); } .nb-s5 { --nb-c: var(--nb-5); }
.nb-curve { fill: none; stroke: var(--nb-c); stroke-width: 1.6; stroke-linejoin: round; }
.nb-curve.nb-s1 { stroke-dasharray: 7 3; } .nb-curve.nb-s2 { stroke-dasharray: 2 3; }
.nb-curve.nb-s3 { stroke-dasharray: 9 3 2 3; } .nb-curve.nb-s4 { stroke-dasharray: 4 2; }
.nb-band { fill: var(--nb-c); opacity: 0.2; }
.nb-bar { stroke: var(--nb-c); stroke-width: 1.6; }
.nb-mark { fill: var(--nb-paper); stroke: var(--nb-c); stroke-width: 1.6; }
.nb-mark.nb-outside { fill: var(--nb-limit); stroke: var(--nb-paper); stroke-width: 1; }
.nb-here { fill: none; stroke: var(--nb-ink); stroke-width: 2.2; }
.nb-gap { fill: none; stroke: var(--nb-c, var(--nb-ink)); stroke-width: 2; }
)css";
}

}  // namespace nightbench::report
