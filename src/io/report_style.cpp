#include "io/report_page.hpp"

namespace broadloom {

// Colours and type are those of viewer/page.css. The three states carry their own shapes besides
// their colours; all text keeps a contrast of 4.5 : 1 and more on --ground and --card.
std::string_view report_style() {
    return R"css(:root {
  --ground: #191919; --card: #222222; --well: #131313; --line: #383838; --edge: #5a5a58;
  --ink: #ededeb; --soft: #a9a9a6; --thread: #dccfb4;
  --good: #9cc79a; --look: #edb95c; --bad: #f08f7e;
  --serif: "Iowan Old Style", "Palatino Linotype", Palatino, "Noto Serif", "Liberation Serif", Georgia, serif;
  color-scheme: dark;
  font: 14px/1.45 system-ui, "Segoe UI", "Noto Sans", "Liberation Sans", sans-serif;
  color: var(--ink); background: var(--ground);
}
* { box-sizing: border-box; margin: 0; padding: 0; }
body { max-width: 1680px; margin: 0 auto; padding: 26px 32px 56px; overflow-wrap: break-word; }
.unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); white-space: nowrap; }
:focus { outline: none; }
:focus-visible { outline: 2px solid var(--thread); outline-offset: 2px; }
a { color: var(--thread); text-decoration-color: #857d6d; text-underline-offset: 3px; }
a:hover { text-decoration-color: currentColor; }
code { font: inherit; padding: 1px 5px; background: #303030; border: 1px solid #4a4a4a; border-radius: 3px; }

.kind { color: var(--soft); font-size: 12px; letter-spacing: .02em; }
h1 { font: italic 400 30px/1.2 var(--serif); overflow-wrap: anywhere; }
.lead { color: var(--soft); margin-top: 3px; }
section { margin-top: 40px; }
h2 { font: italic 400 22px/1.3 var(--serif); }
h2 + p, .about { color: var(--soft); max-width: 62rem; margin-top: 2px; }
.about { margin-top: 12px; }
.option { white-space: nowrap; }
h3 { font-size: 14px; font-weight: 600; overflow-wrap: anywhere; }

.verdict { display: flex; gap: 16px; margin-top: 20px; padding: 15px 20px 16px 17px; background: var(--card);
  border-left: 3px solid var(--state); border-radius: 3px; }
.verdict.good { --state: var(--good); }
.verdict.look { --state: var(--look); }
.verdict.bad { --state: var(--bad); }
.verdict svg { flex: none; width: 32px; height: 32px; fill: none; stroke: var(--ground); stroke-width: 2.2; stroke-linecap: round; stroke-linejoin: round; }
.verdict circle { fill: var(--state); stroke: none; }
.verdict > div { min-width: 0; }
.verdict strong { font-size: 20px; font-weight: 600; line-height: 32px; }
.verdict p + p { max-width: 62rem; margin-bottom: 4px; overflow-wrap: anywhere; }
.verdict ul { list-style: none; margin-top: 3px; columns: 27rem 2; column-gap: 36px; }
.verdict li { break-inside: avoid; padding: 2px 0 2px 14px; text-indent: -14px; overflow-wrap: anywhere; }
.verdict li::before { content: ""; display: inline-block; width: 6px; height: 2px; margin-right: 8px; vertical-align: 4px; background: var(--state); }

.figures { display: flex; flex-wrap: wrap; gap: 12px 34px; margin-top: 18px; font-variant-numeric: tabular-nums; }
.figures dt { color: var(--soft); font-size: 11px; letter-spacing: .02em; }
.figures dd { font-size: 16px; line-height: 1.3; max-width: 48rem; overflow-wrap: anywhere; }

.scroll { position: relative; overflow: auto; margin-top: 12px; background: var(--well); border-radius: 4px; }
.scroll:focus-visible { outline-offset: 0; }
img, .nothing { display: block; max-width: 100%; height: auto; }
.nothing { background: repeating-linear-gradient(45deg, #242424 0 6px, #1d1d1d 6px 12px); }

.mark { display: inline-grid; place-items: center; min-width: 22px; height: 22px; padding: 0 5px; border-radius: 11px; vertical-align: middle;
  background: var(--look); color: #191919; font-size: 12px; font-weight: 600; line-height: 1; text-decoration: none; font-variant-numeric: tabular-nums; }
.mark.order { background: #191919; box-shadow: inset 0 0 0 1.5px var(--ink); }
.mark.order::before { content: ""; width: 13px; height: 3px; background: radial-gradient(circle, var(--ink) 1.4px, transparent 1.7px) 0 0 / 4.33px 3px; }
.legend { list-style: none; display: flex; flex-wrap: wrap; gap: 6px 22px; margin-top: 12px; color: var(--soft); }
.legend li { display: flex; align-items: center; gap: 7px; }
.dash { width: 28px; height: 20px; border: 1.5px dashed var(--thread); border-radius: 2px; }

/* Whole grid or large: two buttons that work without a script. */
.sizes { margin-top: 12px; }
.sizes > input { position: absolute; opacity: 0; pointer-events: none; }
.sizes > label { display: inline-block; padding: 6px 14px; margin-right: 2px; border-radius: 4px; color: var(--soft); cursor: pointer; }
.sizes > label:hover { background: #333; color: var(--ink); }
.sizes > input:checked + label { background: #333; color: var(--thread); }
.sizes > .legend { display: inline-flex; margin: 0 0 0 18px; vertical-align: middle; }
.sizes > input:focus-visible + label { outline: 2px solid var(--thread); outline-offset: -2px; }
.cells { padding-top: 5px; max-width: calc(40px + var(--columns) * (var(--width) + 6px)); }
.grid { --least: 46px; table-layout: fixed; border-collapse: collapse; width: calc(100% - 10px); min-width: calc(30px + var(--columns) * var(--least)); margin: 0 10px 10px 0; }
#large:checked ~ .cells { padding-top: 5px; max-width: calc(40px + var(--columns) * max(var(--width) + 6px, 156px)); }
#large:checked ~ .cells .grid { width: calc(30px + var(--columns) * max(var(--width) + 6px, 156px)); }
.grid .head { width: 30px; }
.grid th { font-size: 11px; font-weight: 400; color: var(--soft); padding: 5px 0; font-variant-numeric: tabular-nums; }
.grid tbody th { position: sticky; left: 0; z-index: 2; background: var(--well); }
.grid td { padding: 2px; vertical-align: top; }
.grid figure, .hole { container-type: inline-size; margin: 0 auto; max-width: max(var(--width), 156px); scroll-margin: 80px; }
.grid img, .grid .nothing { width: 100%; }
.hole { display: grid; place-items: center; aspect-ratio: var(--shape); border: 1.5px dashed var(--thread); border-radius: 2px;
  color: var(--thread); font-size: 12px; line-height: 1.1; text-align: center; }
.picture { position: relative; }
.picture img { border-radius: 2px; }
.frame.found .picture::after { content: ""; position: absolute; inset: 0; border: 2px solid var(--look); border-radius: 2px; pointer-events: none; }
.frame:target .picture::after, .hole:target { outline: 3px solid var(--ink); outline-offset: 1px; }
.marks { position: absolute; z-index: 1; top: 5px; right: 5px; display: flex; flex-wrap: wrap; justify-content: flex-end; gap: 3px; }
.marks .mark { box-shadow: 0 0 0 1.5px #191919; }
.marks .mark.order { box-shadow: inset 0 0 0 1.5px var(--ink), 0 0 0 1px #191919; }
figcaption { font-size: 11px; line-height: 1.3; padding: 3px 1px 5px; overflow-wrap: anywhere; }
figcaption span { display: block; }
.grid .name, .flow .name { display: -webkit-box; -webkit-line-clamp: 3; -webkit-box-orient: vertical; overflow: hidden; }
.time { color: var(--soft); }
.grid .time { display: none; }
#large:checked ~ .cells .grid .time { display: block; }
@container (max-width: 78px) { .grid .name { display: none; } figcaption { padding: 0; } .marks { top: 2px; right: 2px; gap: 2px; } .mark { min-width: 15px; height: 15px; padding: 0 3px; font-size: 10px; } .mark.order::before { width: 12px; background: radial-gradient(circle, var(--ink) .9px, transparent 1.1px) 0 0 / 4px 3px; } .hole span { font-size: 10px; } }
.grid .frame:target .name { display: block; }

.flow { display: grid; grid-template-columns: repeat(auto-fill, minmax(136px, 1fr)); gap: 8px 8px; margin-top: 12px; }
.flow figure { scroll-margin: 80px; }
.flow img { width: 100%; }
.asides { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(21rem, 100%), 1fr)); gap: 14px 28px; margin-top: 14px; }
.asides figure { display: flex; gap: 14px; align-items: flex-start; scroll-margin: 80px; }
.asides .picture { flex: none; width: 132px; }
.asides img { width: 100%; filter: saturate(.35) brightness(.8); }
.asides .picture::before { content: ""; position: absolute; inset: 0; z-index: 1;
  background: linear-gradient(to top right, transparent calc(50% - 1.5px), var(--ink) calc(50% - 1px) calc(50% + 1px), transparent calc(50% + 1.5px)); opacity: .75; }
.asides figcaption { font-size: 13px; padding: 0; min-width: 0; }
.asides .name { font-weight: 600; }
.asides .time, .asides .cell { color: var(--soft); }

table.rows { border-collapse: collapse; margin-top: 12px; width: 100%; font-variant-numeric: tabular-nums; }
.rows th, .rows td { text-align: left; vertical-align: top; padding: 7px 22px 7px 0; border-bottom: 1px solid var(--line); font-weight: 400; }
.rows thead th { color: var(--soft); font-size: 11px; letter-spacing: .02em; padding-bottom: 4px; vertical-align: bottom; }
.rows tbody th { min-width: 11.5rem; }
.rows .index { display: inline-block; min-width: 2.2em; color: var(--soft); }
.rows .number { min-width: 0 !important; }
.rows .number { text-align: right; white-space: nowrap; }
.rows tr:target { background: #2c2a25; }
.rows tr { scroll-margin: 40vh; }
.rows td:last-child:not(.number) { color: var(--soft); padding-right: 0; }
.rows .mark { margin-right: 5px; }
.names { list-style: none; }
.names li { display: inline-block; margin-right: 16px; max-width: 100%; overflow-wrap: anywhere; }
.rows .names { min-width: 15rem; max-width: 34rem; }
.rows bdi { overflow-wrap: anywhere; }
details { margin-top: 12px; }
.rows details { margin-top: 2px; }
.names.columns li { display: block; }
.names.columns { columns: 14rem auto; margin-top: 4px; }
summary { display: inline-block; padding: 4px 0 4px 18px; text-indent: -18px; overflow-wrap: anywhere; color: var(--thread); cursor: pointer; }
summary::before { content: ""; display: inline-block; width: 7px; height: 7px; margin: 0 9px 2px 2px; border: solid; border-width: 0 1.5px 1.5px 0; transform: rotate(-45deg); }
details[open] > summary::before { transform: rotate(45deg); margin-bottom: 4px; }
.notes { margin-top: 10px; padding-left: 18px; max-width: 60rem; }
.notes li { padding: 2px 0; overflow-wrap: anywhere; }
.notes li::marker { color: var(--soft); }

/* The map of an alignment. */
.map { display: block; width: 100%; min-width: 600px; height: auto; max-height: 76vh; font-size: 11px; }
.map .degrees { stroke: #2b2b2b; stroke-width: 1; vector-effect: non-scaling-stroke; }
.map text { fill: var(--soft); text-anchor: middle; dominant-baseline: central; paint-order: stroke; stroke: var(--well); stroke-width: 3px; stroke-linejoin: round; }
.signs .outline { fill: #dccfb4; fill-opacity: .07; stroke: #8d877a; stroke-width: 1; vector-effect: non-scaling-stroke; }
.signs .head .outline { fill: url(#hatch); fill-opacity: 1; stroke: var(--ink); stroke-dasharray: 5 4; }
.signs .low .outline { stroke: var(--look); stroke-width: 2; }
.signs .pair { stroke: #a59c88; stroke-width: 1.2; vector-effect: non-scaling-stroke; }
.signs .pair.weak { stroke: var(--look); stroke-width: 2; stroke-dasharray: 6 4; }
.signs .node { fill: var(--thread); stroke: var(--well); stroke-width: 1.5; vector-effect: non-scaling-stroke; }
.signs .head .node { fill: var(--well); stroke: var(--ink); stroke-width: 2; }
.signs .low .node { fill: var(--look); stroke: var(--well); stroke-width: 1.5; }
#hatch path { stroke: #6f6f6c; stroke-width: 1; fill: none; }
.key { width: 34px; height: 22px; flex: none; overflow: visible; }

/* Two crops always stand side by side at full size; where there is no room their outer parts are cut away. */
.pairs { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(1.94 * var(--widest), 100%), 1fr)); gap: 26px 24px; margin-top: 16px; }
.pairs > div { min-width: 0; }
.pairs .crops { display: flex; gap: 4px; margin-top: 7px; }
.pairs .crops figure { flex: 0 1 var(--width); min-width: 0; }
.pairs .crops img, .pairs .crops .nothing { width: 100%; height: var(--height); object-fit: none; }
.pairs p { color: var(--soft); }
.pairs p b { color: var(--look); font-weight: 600; }

@media (max-width: 760px) {
  body { padding: 18px 16px 40px; }
  h1 { font-size: 25px; }
  .verdict { padding: 13px 14px; gap: 12px; }
  .verdict ul, .verdict p + p { columns: auto; margin-left: -44px; margin-top: 7px; }
  .figures { gap: 10px 24px; }
  .sizes > label { padding: 11px 16px; }
  .sizes > .legend { display: flex; margin: 8px 0 0; }
  summary { padding-top: 10px; padding-bottom: 10px; }
  .rows, .rows tbody, .rows th, .rows td { display: block; }
  .rows tr { display: grid; grid-template-columns: repeat(4, minmax(0, 1fr)); column-gap: 10px; }
  .rows th, .rows td:not(.number) { grid-column: 1 / -1; }
  .rows td:has(> div:empty) { display: none !important; }
  .rows thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
  .rows tr { padding: 9px 0; border-bottom: 1px solid var(--line); }
  .rows th, .rows td, .rows tbody th { border: 0; padding: 1px 0; min-width: 0; }
  .rows td:not(.number) { display: grid; grid-template-columns: 104px minmax(0, 1fr); gap: 10px; }
  .rows td::before { content: attr(data-name); color: var(--soft); font-size: 12px; }
  .rows td.number { text-align: left; }
  .rows .names { min-width: 0; }
  .rows tbody th { font-weight: 600; text-align: left; }
}
@media print {
  :root { --ground: #fff; --card: #fff; --well: #fff; --line: #bbb; --ink: #000; --soft: #444; --thread: #5d4c22; --good: #2c6b2a; --look: #8a5a00; --bad: #a32612;
    color-scheme: light; font-size: 10pt; }
  @page { margin: 12mm; }
  body { padding: 0; max-width: none; }
  .verdict { border: 1px solid var(--line); border-left: 3px solid var(--state); }
  .scroll { overflow: visible; }
  .cells.cells, #large:checked ~ .cells { padding-top: 5px; max-width: none; }
  .grid, #large:checked ~ .cells .grid { width: 100%; min-width: 0; }
  .sizes > label { display: none; }
  .mark, .frame, .hole, .rows tr, .pairs > div { break-inside: avoid; }
  .mark, .mark.order { background: #fff; color: #000; print-color-adjust: exact; box-shadow: inset 0 0 0 1.5px #000 !important; }
  .mark.order::before { background: radial-gradient(circle, #000 1.4px, transparent 1.7px) 0 0 / 4.33px 3px; }
  h2 { break-after: avoid; }
  .map { min-width: 0; }
  .map .degrees { stroke: #ddd; }
  .signs .pair { stroke: #888; }
  code { background: none; border-color: #999; }
  .rows tr:target { background: none; }
  a { text-decoration: none; }
}
)css";
}

}  // namespace broadloom
