// Timelines, served or in a page that was taken away: how plots look in the dark and on a phone, and the buttons that move
// their window. Times on an axis are the bench's local times, wherever the browser is.
"use strict";
const dark = matchMedia("(prefers-color-scheme: dark)").matches;
const ink = dark ? "#e8eaed" : "#1b1f23", paper = dark ? "#15191d" : "#ffffff", grid = "rgba(128,128,128,.35)", zeroline = "rgba(128,128,128,.6)";
const lighter = { "#0072b2": "#56b4e9", "#009e73": "#3fd0a4", "#d55e00": "#ff9a52", "#6b7680": "#aab3bc", "#7b8794": "#aab3bc" };  // lines: 3:1 on black
const shade = colour => dark ? lighter[colour] ?? colour : colour;
const config = { responsive: true, displayModeBar: false };  // the library's own bar lies over the legend
const onAxis = ms => new Date(ms).toISOString().slice(0, -1).replace("T", " ");
const fromAxis = text => Date.parse(String(text).length > 10 ? `${String(text).replace(" ", "T")}Z` : text);

function dress(text, width) {
  const figure = JSON.parse(dark ? text.replace(/#[0-9a-f]{6}/g, shade) : text), layout = figure.layout;
  layout.template = {};
  if (dark) for (const note of layout.annotations ?? []) if (note.bgcolor?.startsWith("rgba(255,255,255")) Object.assign(note, { bgcolor: "rgba(29,34,39,.85)", font: { ...note.font, color: ink } });
  Object.assign(layout, { paper_bgcolor: paper, plot_bgcolor: dark ? "#1d2227" : paper, font: { ...layout.font, color: ink } });
  if (width < 600) {
    Object.assign(layout.margin, { l: 58, r: 8 });
    if (layout.xaxis.title?.text?.startsWith("time")) { layout.xaxis.title.standoff = 34; layout.margin.b = 80; }  // the day stands on a line of its own
  }
  if (matchMedia("(pointer: coarse)").matches) layout.dragmode = false;  // a finger scrolls the page; buttons move the window
  return figure;
}
// A figure for the window in view. Of bands, marks and words come those in it and as far again to either side, the bands' words
// where they are wide enough: the library would draw each of a day and measure its word, which took half of the time of a zoom.
// Words beside a line stand before it, where a pad was still dry and its curve is low, if there is room; else behind it and lower.
function fitted({ data, layout }, width) {
  const [from, to] = layout.xaxis.range.map(fromAxis), room = width - layout.margin.l - layout.margin.r, long = to - from;
  const near = (begins, ends) => begins < to + long && ends > from - long;
  const { marks, notes } = layout.all ??= { marks: layout.shapes ?? [], notes: layout.annotations ?? [] };
  layout.shapes = marks.filter(mark => near(fromAxis(mark.x0), fromAxis(mark.x1)));
  layout.annotations = notes.filter(({ xref, x }) => xref !== "x" || near(fromAxis(x), fromAxis(x)));
  for (const band of data.filter(trace => trace.type === "bar")) {
    const { base, x, y, customdata } = band.all ??= { ...band, begins: band.base.map(fromAxis) };
    const seen = band.all.begins.flatMap((begins, i) => near(begins, begins + x[i]) ? [i] : []);
    const kept = seen.length ? seen : [0];  // a band without any would leave the legend
    const of = column => kept.map(i => column[i]);
    Object.assign(band, { base: of(base), x: of(x), y: of(y), customdata: of(customdata), text: kept.map(i => x[i] / long * room > 7 * band.name.length ? band.name : "") });
  }
  for (const note of layout.annotations.filter(a => a.name === "sided")) {
    const needs = 5.8 * Math.max(...note.text.split("<br>").map(line => line.length)) + 10;
    note.top ??= note.y;
    note.xanchor = (fromAxis(note.x) - from) / (to - from) * room > needs ? "right" : "left";
    note.y = note.xanchor === "left" && note.top > 0.4 ? note.top - 0.4 : note.top;
  }
  return layout;
}
// Buttons move the window; turn is told the new one, two texts on the axis, and ahead the one that a pointer has come to.
function steer(box, buttons, turn = range => Plotly.relayout(box, { "xaxis.range": range }), ahead = () => {}) {
  const [first, last] = box.layout.xaxis.range.map(fromAxis);
  const aim = ({ from: begin, to: end, scale, shift }) => {
    if (begin) return [fromAxis(begin), fromAxis(end)].map(onAxis);
    const [from, to] = box.layout.xaxis.range.map(fromAxis), width = Math.min((to - from) * scale, last - first);
    const kept = Math.max(first, Math.min((from + to - width) / 2 + (to - from) * shift, last - width));
    return [kept, kept + width].map(onAxis);
  };
  for (const b of buttons.querySelectorAll("[data-from], [data-scale]")) {
    b.addEventListener("pointerenter", () => ahead(aim(b.dataset)));
    b.addEventListener("click", () => turn(aim(b.dataset)));
  }
}
