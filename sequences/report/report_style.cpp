#include "sequences/report/markup.hpp"
#include "sequences/report/report_parts.hpp"
#include "sequences/report/svg_plot.hpp"

namespace nightbench::report {

// Text and background pairs keep to a contrast of 4.5 : 1 or better (WCAG 2.2, 1.4.3) in both
// schemes; a test computes it.
std::string report_style(const std::string& footer) {
  std::string out = R"css(
:root {
  color-scheme: light dark;
  --paper: #fdfdfb; --sheet: #f3f4ef; --ink: #1c2328; --soft: #4a545b; --rule: #c6ccc6;
  --link: #00594f; --good: #17633a; --near: #7a4d00; --bad: #a3201a; --none: #45505a;
  --on-verdict: #ffffff; --good-fill: #17633a; --near-fill: #7a4d00; --bad-fill: #a3201a;
  --none-fill: #45505a;
}
@media (prefers-color-scheme: dark) { @media screen { :root {
  --paper: #171c1f; --sheet: #20272b; --ink: #e7eae8; --soft: #aab4b8; --rule: #465057;
  --link: #6fd3c4; --good: #7fd6a0; --near: #f0bd62; --bad: #ff9a8f; --none: #bcc7cf;
} } }
* { box-sizing: border-box; }
html { font-size: 17px; }
body {
  margin: 0; background: var(--paper); color: var(--ink); line-height: 1.5;
  font-family: system-ui, "Noto Sans", "Liberation Sans", Arial, Helvetica, sans-serif;
}
main, .top { max-width: 70rem; margin: 0 auto; padding: 0 1.6rem; }
a { color: var(--link); }
:focus-visible { outline: 3px solid var(--link); outline-offset: 2px; }
h1 { font-size: 2.1rem; line-height: 1.15; margin: 0; letter-spacing: -0.01em; overflow-wrap: anywhere; }
h2 {
  font-size: 1.3rem; line-height: 1.25; margin: 3rem 0 0.9rem; padding-top: 0.8rem;
  border-top: 2px solid var(--ink);
}
h3 { font-size: 1.05rem; margin: 1.6rem 0 0.4rem; }
p { margin: 0.5rem 0; max-width: 46rem; }
ul, ol { margin: 0.4rem 0; padding-left: 1.4rem; }
li { margin: 0.35rem 0; max-width: 46rem; }
.soft { color: var(--soft); }
.small { font-size: 0.88rem; font-weight: 400; }
.top { padding-top: 1.6rem; display: flex; flex-wrap: wrap; gap: 0.4rem 2rem; align-items: end; }
.top .what { flex: 1 1 20rem; min-width: 0; }
.top .kind { margin: 0 0 0.2rem; color: var(--soft); }
.top .when { text-align: right; color: var(--soft); font-size: 0.88rem; margin: 0; max-width: none;
  overflow-wrap: anywhere; }
.notice { margin: 1rem 0 0; padding: 0.6rem 1rem; border: 2px dashed var(--near); max-width: none; }
.verdict { margin: 1.1rem 0 0; background: var(--sheet); border-radius: 0.3rem; overflow: hidden; }
.verdict.pass { --tone: var(--good-fill); } .verdict.conditional { --tone: var(--near-fill); }
.verdict.fail { --tone: var(--bad-fill); } .verdict.none { --tone: var(--none-fill); }
.banner {
  background: var(--tone); color: var(--on-verdict); padding: 0.9rem 1.4rem; display: flex;
  flex-wrap: wrap; align-items: center; gap: 0.5rem 1.4rem;
}
.banner .word { font-size: 2.3rem; font-weight: 700; line-height: 1.1; margin: 0; }
.banner .line { font-size: 1.12rem; margin: 0; flex: 1 1 22rem; max-width: none; }
.banner svg { width: 2.6rem; height: 2.6rem; flex: none; }
.banner svg * { fill: none; stroke: currentColor; stroke-width: 5; stroke-linecap: round;
  stroke-linejoin: round; }
.split { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(19rem, 100%), 1fr)); gap: 0 2.4rem;
  padding: 0.9rem 1.4rem 1.1rem; }
.split h2 { border: 0; margin: 0.3rem 0 0.3rem; padding: 0; font-size: 1.08rem; }
.facts { display: flex; flex-wrap: wrap; gap: 0.2rem 1.5rem; margin: 0; padding: 0.7rem 1.4rem;
  border-top: 1px solid var(--rule); font-size: 0.93rem; }
.facts div { display: flex; gap: 0.5rem; }
.facts dt { color: var(--soft); }
.facts dd { margin: 0; font-weight: 600; }
nav { margin: 1rem 0 0; font-size: 0.93rem; display: flex; flex-wrap: wrap; gap: 0.2rem 1.3rem; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
caption { text-align: left; color: var(--soft); padding-bottom: 0.3rem; }
th, td { text-align: left; vertical-align: top; padding: 0.36rem 0.8rem 0.36rem 0; }
th { font-weight: 600; }
thead th { border-bottom: 2px solid var(--ink); vertical-align: bottom; }
tbody tr { border-bottom: 1px solid var(--rule); }
td.n, th.n { text-align: right; white-space: nowrap; }
td.u { white-space: nowrap; }
td.place { min-width: 11rem; } td.title { min-width: 12rem; }
.readings { font-size: 0.88rem; }
.readings tbody { border-bottom: 2px solid var(--rule); }
.readings tbody tr { border-bottom: 0; }
.readings td, .readings tbody th { padding-top: 0.12rem; padding-bottom: 0.12rem; }
.readings tbody th { font-weight: 400; width: 13rem; }
.mark { white-space: nowrap; font-weight: 600; }
.mark.pass { color: var(--good); font-weight: 400; } .mark.near { color: var(--near); }
.mark.bad { color: var(--bad); } .mark.none { color: var(--soft); font-weight: 400; }
.mark.lost { color: var(--none); }
.mark.bad::before { content: "\2716\00a0"; } .mark.near::before { content: "\25b3\00a0"; }
.mark.lost::before { content: "\25a1\00a0"; } .mark.pass::before { content: "\2713\00a0"; }
.finding { border-left: 0.4rem solid var(--bad); padding: 0.1rem 0 0.1rem 1rem; margin: 1rem 0; }
figure { margin: 1.6rem 0 0; }
figcaption { font-weight: 600; margin-bottom: 0.2rem; }
figcaption span { font-weight: 400; color: var(--soft); }
tr.out > th { box-shadow: inset 0.3rem 0 0 var(--bad); padding-left: 0.8rem; }
tr.gone > th { box-shadow: inset 0.3rem 0 0 var(--none); padding-left: 0.8rem; }
.curves { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(30rem, 100%), 1fr));
  gap: 0 2rem; }
.pair { display: grid; grid-template-columns: minmax(0, 65fr) minmax(0, 35fr); gap: 1.2rem; }
@media (max-width: 30rem) { main, .top { padding-left: 0.9rem; padding-right: 0.9rem; }
  .banner, .split, .facts { padding-left: 0.9rem;
  padding-right: 0.9rem; } }
@media (max-width: 46rem) { .pair { grid-template-columns: minmax(0, 1fr); } .top .when { text-align: left; } }
.facts-table tbody { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(24rem, 100%), 1fr));
  gap: 0 2rem; }
.facts-table tr { display: grid; grid-template-columns: 10rem minmax(0, 1fr); }
.facts-table th { color: var(--soft); font-weight: 400; }
.facts-table td { overflow-wrap: anywhere; }
code { font-family: ui-monospace, "Liberation Mono", "DejaVu Sans Mono", monospace; font-size: 0.9em;
  overflow-wrap: anywhere; }
.sign { display: flex; flex-wrap: wrap; gap: 2rem; margin-top: 3.5rem; }
.sign p { flex: 1 1 14rem; border-top: 1px solid var(--ink); padding-top: 0.3rem; }
.end { margin: 3rem 0 2rem; }
@page { size: A4; margin: 16mm 15mm 18mm;
  @bottom-left { content: )css";
  out += css_string(footer);
  out += R"css(; font: 8pt sans-serif; }
  @bottom-right { content: counter(page) " / " counter(pages); font: 8pt sans-serif; } }
@media print {
  html { font-size: 10pt; }
  body { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  main, .top { max-width: none; padding: 0; }
  .top { padding-top: 0; }
  .facts-table tbody { grid-template-columns: 1fr 1fr; }
  .facts-table tr { grid-template-columns: 24mm minmax(0, 1fr); }
  nav { display: none; }
  .scroll { overflow: visible; }
  h2, h3, figcaption { break-after: avoid; }
  h2 { margin-top: 1.6rem; }
  thead { display: table-header-group; }
  tr, figure, .finding, .verdict, .sign, .readings tbody { break-inside: avoid; }
  .curves { display: block; }
  figure .nb-plot { max-height: 68mm; }
  p.lead { break-after: avoid; }
  table { font-size: 8.5pt; }
  th, td { padding: 0.2rem 0.5rem 0.2rem 0; }
  td.place { min-width: 38mm; } th[scope="row"] { min-width: 32mm; }
  .facts-table th[scope="row"] { min-width: 0; }
  .readings { font-size: 7.5pt; line-height: 1.22; }
  .readings td, .readings tbody th { padding-top: 0; padding-bottom: 0; }
  .readings tbody th { width: 42mm; } .readings td.title { min-width: 52mm; }
  .split { grid-template-columns: 1fr 1fr; gap: 0 1.4rem; }
  a { color: inherit; text-decoration: none; }
}
)css";
  return out + plot_style();
}

}  // namespace nightbench::report
