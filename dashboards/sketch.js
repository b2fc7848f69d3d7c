// A still of a timeline, drawn from its figure while the plotting library is on its way: on an old tablet that takes seconds.
"use strict";
const kinds = { f8: Float64Array, f4: Float32Array, i4: Int32Array, i2: Int16Array, i1: Int8Array, u4: Uint32Array, u2: Uint16Array, u1: Uint8Array };
const numbers = v => v?.bdata ? new kinds[v.dtype](Uint8Array.from(atob(v.bdata), c => c.charCodeAt(0)).buffer) : v ?? [];
const dashes = { dash: "9 9", dot: "3 3" };
const text = (words, x, y, size, anchor, fill) => `<text x="${x}" y="${y}" font-size="${size}" text-anchor="${anchor}" fill="${fill}">${words}</text>`;
function sketch(box, { data, layout }) {
  const { l, r, t, b } = layout.margin, width = Math.max(box.clientWidth - l - r, 1), height = layout.height - t - b;
  const [first, last] = layout.xaxis.range.map(fromAxis), along = at => l + (at - first) / (last - first) * width;
  const up = (axis, share) => t + height * (1 - (axis.domain[0] + share * (axis.domain[1] - axis.domain[0])));
  const drawn = data.map(trace => {
    const axis = layout[`yaxis${(trace.yaxis ?? "y").slice(1)}`];
    if (trace.type === "bar") return trace.base.map((base, i) => {
      const from = along(fromAxis(base)), wide = trace.x[i] / (last - first) * width;
      const word = wide > 8 * trace.name.length ? text(trace.name, from + wide / 2, up(axis, 0.45), 12, "middle", trace.textfont.color) : "";
      return `<rect x="${from.toFixed(1)}" width="${wide.toFixed(1)}" y="${up(axis, 1)}" height="${up(axis, 0) - up(axis, 1)}" fill="${trace.marker.color}" stroke="#1b1f23" stroke-width=".5"/>${word}`;
    }).join("");
    const x = numbers(trace.x), y = numbers(trace.y), log = axis.type === "log";
    const [low, high] = axis.range ?? [0, y.reduce((most, v) => v > most ? v : most, 1e-9) / 0.95];
    let path = "", pen = "M";
    for (let i = 0; i < x.length; i++) {
      const v = log ? Math.log10(y[i]) : y[i];
      if (!Number.isFinite(v) || y[i] === null) { pen = "M"; continue; }
      path += `${pen}${along(x[i]).toFixed(1)} ${up(axis, (v - low) / (high - low)).toFixed(1)}`;
      pen = "L";
    }
    return `<path d="${path}" fill="none" stroke="${trace.line.color}" stroke-width="${trace.line.width}" stroke-dasharray="${dashes[trace.line.dash] ?? ""}" opacity="${trace.opacity ?? 1}"/>`;
  });
  const titles = (layout.annotations ?? []).filter(a => a.xref === "paper" && a.x === 0).map(a => text(a.text, l, up({ domain: [0, 1] }, a.y) - 5, 13, "start", ink));
  box.innerHTML = `<svg class="still" aria-hidden="true" width="${box.clientWidth}" height="${layout.height}">${drawn.join("")}${titles.join("")}</svg>`;
}
