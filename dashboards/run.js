// Timelines: drawn from the server's figure, redrawn from the server for the window in view; two runs are kept in step.
"use strict";
const offset = box => box.layout.meta.utc_offset_s;
const local = (box, t) => onAxis(1000 * (t + offset(box)));
const utc = (box, text) => fromAxis(text) / 1000 - offset(box);
async function draw(box) {
  const figure = dress(await (await fetch(`/api/runs/${box.dataset.run}/figure`)).text(), box.clientWidth);
  box.replaceChildren();
  await Plotly.newPlot(box, figure.data, sided(figure.layout, box.clientWidth), config);
  let timer = 0;
  box.on("plotly_relayout", change => {
    if (box.follows || !Object.keys(change).some(k => k.startsWith("xaxis"))) return;
    clearTimeout(timer); timer = setTimeout(() => fine(box), 60);
    twins(box);
  });
  box.dataset.ready = "1";
}
async function fine(box) {
  const [from, to] = box.layout.xaxis.range.map(text => utc(box, text));
  const lines = await (await fetch(`/api/runs/${box.dataset.run}/window?start=${from}&end=${to}`)).json();
  for (const trace of box.data) {
    const line = lines[trace.name];
    if (line) Object.assign(trace, { x: line.t.map(t => local(box, t)), y: line.v });
  }
  await Plotly.react(box, box.data, sided(box.layout, box.clientWidth));  // to restyle would guess the axes' kind anew, and turn times into numbers
  box.dataset.drawn = String(1 + Number(box.dataset.drawn ?? 0));
}
function twins(box) {
  const [from, to] = box.layout.xaxis.range.map(text => utc(box, text));
  for (const other of document.querySelectorAll(".side")) {
    if (other === box || !other.layout) continue;
    const shift = Number(other.dataset.began) - Number(box.dataset.began);
    other.follows = true;
    Plotly.relayout(other, { "xaxis.range": [local(other, from + shift), local(other, to + shift)] }).then(() => { other.follows = false; return fine(other); });
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
  const buttons = document.getElementById("windows");
  if (buttons && boxes.length) steer(boxes[0], buttons);
  const whys = document.getElementById("whys");
  if (whys) whys.innerHTML = await (await fetch(whys.dataset.src)).text();
  for (const box of document.querySelectorAll(".why-plot")) {
    const figure = dress(await (await fetch(box.dataset.src)).text(), box.clientWidth);
    Plotly.newPlot(box, figure.data, figure.layout, config);
  }
});
const main = document.getElementById("timeline");
document.querySelectorAll("[data-image]").forEach(b => b.addEventListener("click", () => Plotly.downloadImage(main, { format: b.dataset.image, filename: `run-${main.dataset.run}`, width: 1400, height: main.layout.height })));
