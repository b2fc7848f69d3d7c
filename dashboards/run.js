// Timelines: drawn from the server's figure, redrawn from the server for the window in view; two runs are kept in step.
"use strict";
const offset = box => box.layout.meta.utc_offset_s;
const local = (box, t) => onAxis(1000 * (t + offset(box)));
const utc = (box, text) => fromAxis(text) / 1000 - offset(box);
// Figures are asked for at once, and each is shown as a still; then the plotting library is run, which takes far longer.
const figures = new Map([...document.querySelectorAll("#timeline, .side")].map(box => [box, still(box)]));
async function still(box) {
  const answer = await fetch(`/api/runs/${box.dataset.run}/figure`), text = await answer.text();
  if (!answer.ok) throw new Error(box.textContent = `The timeline could not be drawn: ${text.slice(0, 300)} Reload the page to try again.`);
  const figure = dress(text, box.clientWidth);
  try {
    sketch(box, figure);
    box.dataset.still = "1";
  } catch { /* a still is for the eye only: the lines come without it */ }
  return figure;
}
async function library() {
  await Promise.allSettled(figures.values());
  await new Promise(shown => { requestAnimationFrame(() => setTimeout(shown)); setTimeout(shown, 200); });  // a hidden page paints nothing
  await new Promise((done, failed) => document.head.append(Object.assign(document.createElement("script"), { src: "/static/plotly.js", onload: done, onerror: failed })));
}
async function draw(box) {
  const figure = await figures.get(box);
  box.replaceChildren();
  box.span = [...figure.layout.xaxis.range];
  box.whole = Object.fromEntries(figure.data.filter(trace => trace.type === "scatter").map(({ name, x, y }) => [name, { x, y }]));
  await Plotly.newPlot(box, figure.data, fitted(figure, box.clientWidth), config);
  box.on("plotly_relayout", change => {
    if (box.follows || !Object.keys(change).some(k => k.startsWith("xaxis"))) return;
    fine(box);
    twins(box);
  });
  box.dataset.ready = "1";
}
// The lines of a window, two texts on the axis, as the window in view (asked) or the one that a pointer has come to (ahead);
// whoever asks for the same one again waits for the same answer. Those of the whole run are at hand.
function ask(box, [low, high], as = "asked") {
  const query = `start=${utc(box, low)}&end=${utc(box, high)}`;
  if (box.asked?.query === query) return box.asked;
  const known = box.ahead?.query === query ? box.ahead : undefined;
  if (known && as === "ahead") return known;
  box[as]?.stop.abort();
  box[as] = known ?? begin(box, low, high, query);
  if (known) delete box.ahead;
  return box[as];
}
function begin(box, low, high, query) {
  const stop = new AbortController(), everything = low <= box.span[0] && high >= box.span[1];
  const begun = { query, stop, lines: everything ? Promise.resolve(box.whole) : read(box, query, stop.signal) };
  begun.lines.catch(() => { for (const as of ["asked", "ahead"]) if (box[as] === begun) delete box[as]; });  // the next one asks anew
  return begun;
}
async function read(box, query, signal) {
  const answer = await fetch(`/api/runs/${box.dataset.run}/window?${query}`, { signal }), lines = answer.ok ? await answer.json() : {};
  const x = times => Float64Array.from(times, t => Math.round(1000 * (t + offset(box))));
  return Object.fromEntries(Object.entries(lines).map(([name, { t, v }]) => [name, { x: x(t), y: v }]));
}
async function fine(box) {
  const asked = ask(box, box.layout.xaxis.range), lines = await asked.lines.catch(error => { if (!asked.stop.signal.aborted) throw error; });
  if (!lines || box.asked !== asked) return;  // meanwhile another window is in view
  for (const trace of box.data) Object.assign(trace, lines[trace.name]);
  await Plotly.react(box, box.data, fitted(box, box.clientWidth));  // to restyle would guess the axes' kind anew, and turn times into numbers
  box.dataset.drawn = String(1 + Number(box.dataset.drawn ?? 0));
}
// A button's window is drawn once, with its own lines; where they are slow to come, first with the lines at hand.
async function turn(box, range) {
  const asked = ask(box, range), late = new Promise(done => setTimeout(done, 80));
  const lines = await Promise.race([late, asked.lines.catch(() => undefined)]);
  if (box.asked && box.asked !== asked) return;  // meanwhile another window was chosen
  if (!lines) return Plotly.relayout(box, { "xaxis.range": range });
  Object.assign(box.layout.xaxis, { range: [...range], autorange: false });
  twins(box);
  await fine(box);
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
const steering = document.querySelectorAll("#windows button, [data-image]");
for (const button of steering) button.disabled = true;  // until there are lines that answer
async function explain() {
  const whys = document.getElementById("whys");
  if (whys) whys.innerHTML = await (await fetch(whys.dataset.src)).text();
}
addEventListener("DOMContentLoaded", async () => {
  const boxes = [...figures.keys()], explained = Promise.allSettled(figures.values()).then(explain);  // both rest on one analysis
  if (!boxes.length && !document.querySelector(".why-plot")) return;
  await library().catch(() => {
    for (const box of boxes) box.insertAdjacentHTML("afterbegin", "<p>The lines do not answer to the hand: the plotting script did not arrive. Reload the page to try again.</p>");
    throw new Error("/static/plotly.js did not arrive");
  });
  await Promise.allSettled(boxes.map(draw));
  if (boxes.length === 2 && boxes.every(b => b.layout)) {
    const longest = Math.max(...boxes.map(b => b.dataset.ended - b.dataset.began)), low = Math.min(...boxes.map(b => b.layout.yaxis2.range[0])), high = Math.max(...boxes.map(b => b.layout.yaxis2.range[1]));
    const axis = (b, name) => b.data.find(t => t.name === name && t.type === "scatter" && !["y", "y2"].includes(t.yaxis ?? "y"))?.yaxis.replace("y", "yaxis"), tops = new Map();  // one scale for each signal that both heard
    for (const b of boxes) for (const { name } of b.data) if (axis(b, name)) tops.set(name, Math.max(tops.get(name) ?? 0, b.layout[axis(b, name)].range?.[1] ?? 0));
    for (const b of boxes) {
      b.follows = true;
      const change = { "xaxis.range": [local(b, Number(b.dataset.began)), local(b, Number(b.dataset.began) + longest)], "yaxis2.range": [low, high] };
      for (const [name, top] of tops) if (top && axis(b, name)) change[`${axis(b, name)}.range`] = [0, top];
      await Plotly.relayout(b, change); b.follows = false;
    }
  }
  const buttons = document.getElementById("windows");
  if (buttons && boxes[0]?.layout) steer(boxes[0], buttons, range => turn(boxes[0], range), range => ask(boxes[0], range, "ahead"));
  if (boxes[0]?.layout) for (const button of steering) button.disabled = false;
  await explained;
  for (const box of document.querySelectorAll(".why-plot")) {
    const figure = dress(await (await fetch(box.dataset.src)).text(), box.clientWidth);
    Plotly.newPlot(box, figure.data, figure.layout, config);
  }
});
const main = document.getElementById("timeline");
document.querySelectorAll("[data-image]").forEach(b => b.addEventListener("click", () => Plotly.downloadImage(main, { format: b.dataset.image, filename: `run-${main.dataset.run}`, width: 1400, height: main.layout.height })));
