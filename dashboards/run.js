// Timelines: drawn from the server's figure, redrawn from the server for the window in view; two runs are kept in step.
// Times on an axis are the bench's local times by the offset that the figure carries, wherever the browser is.
"use strict";
const dark = matchMedia("(prefers-color-scheme: dark)").matches;
const offset = box => box.layout.meta.utc_offset_s;
const local = (box, t) => new Date(1000 * (t + offset(box))).toISOString().slice(0, -1).replace("T", " ");
const utc = (box, text) => Date.parse(String(text).length > 10 ? `${String(text).replace(" ", "T")}Z` : text) / 1000 - offset(box);
function dress(figure) {
  if (dark) Object.assign(figure.layout, { paper_bgcolor: "#15191d", plot_bgcolor: "#1d2227", font: { ...figure.layout.font, color: "#e8eaed" } });
  if (innerWidth < 600) Object.assign(figure.layout.margin, { l: 58, r: 8 });
  return figure;
}
async function draw(box) {
  const figure = dress(await (await fetch(`/api/runs/${box.dataset.run}/figure`)).json());
  box.replaceChildren();
  await Plotly.newPlot(box, figure.data, figure.layout, { responsive: true, displaylogo: false });
  const names = figure.data.map(trace => trace.name);
  let timer = 0;
  box.on("plotly_relayout", change => {
    if (box.follows || !Object.keys(change).some(k => k.startsWith("xaxis"))) return;
    clearTimeout(timer); timer = setTimeout(() => fine(box, names), 60);
    twins(box);
  });
  box.dataset.ready = "1";
}
async function fine(box, names) {
  const [from, to] = box.layout.xaxis.range.map(text => utc(box, text));
  const lines = await (await fetch(`/api/runs/${box.dataset.run}/window?start=${from}&end=${to}`)).json();
  const at = [], x = [], y = [];
  for (const [name, line] of Object.entries(lines)) {
    const index = names.indexOf(name);
    if (index >= 0) { at.push(index); x.push(line.t.map(t => local(box, t))); y.push(line.v); }
  }
  if (at.length) { box.follows = true; await Plotly.restyle(box, { x, y }, at); box.follows = false; }
  box.dataset.drawn = String(1 + Number(box.dataset.drawn ?? 0));
}
function twins(box) {
  const [from, to] = box.layout.xaxis.range.map(text => utc(box, text));
  for (const other of document.querySelectorAll(".side")) {
    if (other === box || !other.layout) continue;
    const shift = Number(other.dataset.began) - Number(box.dataset.began);
    other.follows = true;
    Plotly.relayout(other, { "xaxis.range": [local(other, from + shift), local(other, to + shift)] }).then(() => { other.follows = false; });
  }
}
addEventListener("load", async () => {
  const boxes = [...document.querySelectorAll("#timeline, .side")];
  await Promise.all(boxes.map(draw));
  if (boxes.length === 2) {
    const longest = Math.max(...boxes.map(b => b.dataset.ended - b.dataset.began)), low = Math.min(...boxes.map(b => b.layout.yaxis2.range[0])), high = Math.max(...boxes.map(b => b.layout.yaxis2.range[1]));
    const powers = boxes.map(b => b.layout.yaxis3?.range[1] ?? 0);
    for (const b of boxes) {
      b.follows = true;
      const change = { "xaxis.range": [local(b, Number(b.dataset.began)), local(b, Number(b.dataset.began) + longest)], "yaxis2.range": [low, high] };
      if (b.data.some(t => t.name === "power")) change["yaxis3.range"] = [0, Math.max(...powers, 1)];
      await Plotly.relayout(b, change); b.follows = false;
    }
  }
  const whys = document.getElementById("whys");
  if (whys) whys.innerHTML = await (await fetch(whys.dataset.src)).text();
  for (const box of document.querySelectorAll(".why-plot")) {
    const figure = dress(await (await fetch(box.dataset.src)).json());
    Plotly.newPlot(box, figure.data, figure.layout, { responsive: true, displayModeBar: false });
  }
});
const main = document.getElementById("timeline");
document.querySelectorAll("[data-from]").forEach(b => b.addEventListener("click", () => Plotly.relayout(main, { "xaxis.range": [local(main, Number(b.dataset.from)), local(main, Number(b.dataset.to))] })));
document.querySelectorAll("[data-image]").forEach(b => b.addEventListener("click", () => Plotly.downloadImage(main, { format: b.dataset.image, filename: `run-${main.dataset.run}`, width: 1400, height: main.layout.height })));
