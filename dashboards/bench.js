// The live page: state arrives as server-sent events and is written where data-show says.
"use strict";
const one = document.getElementById("one"), cards = document.getElementById("cards");
const say = (root, name, text) => root.querySelectorAll(`[data-show="${name}"]`).forEach(e => { if (e.textContent !== text) e.textContent = text; });
const span = s => s < 90 ? `${Math.round(s)} s` : s < 5400 ? `${Math.round(s / 60)} min` : s < 172800 ? `${(s / 3600).toFixed(1)} h` : `${Math.round(s / 86400)} days`;
const clock = t => new Date(1000 * t).toLocaleTimeString([], { hourCycle: "h23" });
const since = b => Object.entries(b.alarm.times).map(([zone, t]) => `${zone} since ${clock(t)}`).join(" and ");
const notDry = p => !p.wet && p.heard && (p.not_dry || p.wetness >= 0.35), sureFrom = 0.6;
const damp = b => Object.entries(b.pads).filter(([, p]) => notDry(p)).map(([z]) => z);
const token = document.querySelector("meta[name=token]").content;
let leaving = false;
addEventListener("submit", e => { leaving = !e.defaultPrevented; });
addEventListener("pageshow", () => { leaving = false; });
let state = {}, heard = 0, sound = null, muted = sessionStorage.getItem("muted") === "1";

function headline(b) {
  if (b.alarm) return `WET: ${since(b)}`;
  if (!b.run) return b.last ? `Run ${b.last.run}: ${b.last.verdict.toUpperCase()}` : "No run yet";
  const heard = Object.values(b.pads).some(p => p.heard), floor = damp(b).length ? `Not dry: ${damp(b).join(" and ")}` : heard ? "Dry" : "Pads not heard";
  const leaked = b.run.leaked?.length ? `Leaked at ${b.run.leaked.join(" and ")}. Now: ` : "";
  return `${leaked}${floor} · ${b.run.stage}` + (b.run.phase && b.run.sure >= sureFrom ? `, ${b.run.phase}` : "");
}
function sub(b) {
  if (!b.run) return (b.last && b.last.unit ? `unit ${b.last.unit}. ` : "") + "No run under way: begin one on a dry floor.";
  const parts = [b.run.unit ? `Unit ${b.run.unit}` : "no unit's tag", `in for ${span(Date.now() / 1000 - b.run.began)}`];
  if (b.run.sure != null && b.run.phase) parts.push(b.run.sure >= sureFrom ? `${b.run.phase} sure to ${Math.round(100 * b.run.sure)} %` : "phase not clear yet");
  if (b.power != null) parts.push(`${Math.round(b.power)} W`);
  return parts.join(" · ");
}
function list(root, name, items, empty) {
  root.querySelectorAll(`[data-show="${name}"]`).forEach(e => e.replaceChildren(...(items.length ? items : [empty]).map(text => {
    const item = document.createElement("li"); item.textContent = text; return item;
  })));
}
function showCard(b) {
  let card = cards.querySelector(`[data-bench="${CSS.escape(b.bench)}"]`);
  if (!card) { location.reload(); return; }
  card.classList.toggle("wet", !!b.alarm); card.classList.toggle("old", b.stale);
  say(card, "headline", headline(b)); say(card, "sub", sub(b));
  say(card, "pads", Object.entries(b.pads).map(([z, p]) => `${z} ${p.wet ? "WET" : !p.heard ? "not heard" : notDry(p) ? "not dry" : "dry"} ${p.microsiemens ?? "–"} µS`).join(" · "));
  say(card, "age", b.stale ? `STALE: nothing heard for ${b.age_s == null ? "ever" : span(b.age_s)}` : (b.run && b.run.needs ? (b.run.lost.length ? "cannot pass any more: " + b.run.lost.join(" ") : b.run.needs.length ? "still needed: " + b.run.needs.join("; ") : "nothing more needed") : ""));
}
function showOne(b) {
  if (leaving) return;  // a form is on its way: to load this page anew would call it back
  if (String(b.run ? b.run.id : "") !== one.dataset.run) { location.reload(); return; }
  say(one, "headline", headline(b)); say(one, "sub", sub(b)); say(one, "age", b.age_s == null ? "a while" : span(b.age_s));
  document.getElementById("stale").hidden = !b.stale;
  for (const [zone, pad] of Object.entries(b.pads)) {
    const box = one.querySelector(`[data-pad="${zone}"]`);
    box.classList.toggle("wet", pad.wet);
    box.querySelector(".fill").style.height = `${Math.round(100 * pad.wetness)}%`;
    box.querySelector(".pad-state").textContent = pad.wet ? "WET" : !pad.heard ? "not heard" : notDry(pad) ? "not dry" : ["", "sound", "unproven"].includes(pad.state) ? "dry" : pad.state;
    box.querySelector(".pad-number").textContent = pad.microsiemens == null ? "–" : `${pad.microsiemens} µS, ${Math.round(100 * pad.wetness)} % wet${pad.state === "unproven" ? ", unproven" : ""}`;
  }
  document.getElementById("floor").setAttribute("aria-label", "Pads: " + Object.entries(b.pads).map(([z, p]) => `${z} ${p.wet ? "wet" : !p.heard ? "not heard" : notDry(p) ? "not dry" : "dry"}`).join(", "));
  if (b.run) {
    if (b.run.needs) list(one, "needs", b.run.needs, "nothing more");
    if (b.run.suspects && b.run.suspects.length) list(one, "suspects", b.run.suspects.map(([n, p]) => `${n}, ${Math.round(100 * p)} %`), "");
    const lost = b.run.lost ?? [];
    list(one, "lost", lost, ""); document.getElementById("lost").hidden = !lost.length;
    say(one, "may-stop", b.run.may_stop || "");
  }
  const health = [b.age_s == null ? "no message yet" : `last message ${span(b.age_s)} ago`];
  if (b.run && b.run.clock_error_s != null) health.push(`clocks within ${b.run.clock_error_s.toFixed(2)} s`);
  if (b.run && b.run.lost_packs != null) health.push(`${b.run.lost_packs} packs lost`);
  say(one, "health", health.join(" · "));
  alarm(b);
}
function alarm(b) {
  const box = document.getElementById("alarm");
  box.hidden = !b.alarm;
  if (!b.alarm) { silence(); return; }
  say(box, "alarm-head", `Water at ${since(b)}`);
  say(box, "alarm-note", (b.alarm.confirmed ? "confirmed" : "provisional, being confirmed") + (b.alarm.unseen.length ? "" : `; seen at ${clock(b.run.acknowledged)}`));
  if (b.alarm.unseen.length && !muted) ring(); else silence();
}
function ring() {
  if (sound) return;
  try {
    const audio = new AudioContext(), tone = audio.createOscillator(), gain = audio.createGain();
    tone.frequency.value = 880; gain.gain.value = 0.0001; tone.connect(gain).connect(audio.destination); tone.start();
    const beat = setInterval(() => gain.gain.setTargetAtTime(Math.floor(Date.now() / 400) % 2 ? 0.15 : 0.0001, audio.currentTime, 0.02), 200);
    sound = { audio, beat };
  } catch { sound = null; }
}
function silence() { if (sound) { clearInterval(sound.beat); sound.audio.close(); sound = null; } }

function show() {
  if (cards) { Object.values(state).forEach(showCard); document.getElementById("none").hidden = Object.keys(state).length > 0; }
  if (one && state[one.dataset.bench]) showOne(state[one.dataset.bench]);
}
function listen() {
  const source = new EventSource("/events");
  source.onerror = async () => {
    if (source.readyState !== EventSource.CLOSED) return;  // the browser tries again by itself
    const answer = await fetch("/api/benches").catch(() => null);
    if (answer?.status === 401) location.href = `/door?next=${encodeURIComponent(location.pathname)}`;  // restarted: who was in comes in anew
    else setTimeout(listen, 5000);
  };
  source.onmessage = e => { heard = Date.now(); state = JSON.parse(e.data); show(); };
}
setInterval(() => {
  const late = heard && Date.now() - heard > 8000;
  document.getElementById("link-state").textContent = late ? "This page has lost the bench: what it shows is old. It tries again by itself." : "";
  document.body.classList.toggle("lost", !!late);
}, 1000);
listen();

const post = (url, body) => fetch(url, { method: "POST", headers: { "x-token": token, "content-type": "application/json" }, body: JSON.stringify(body ?? {}) });
document.querySelectorAll("form[data-needs]").forEach(f => f.addEventListener("submit", e => {
  const run = state[one.dataset.bench]?.run, needs = run?.needs ?? [];
  if (needs.length && !run.may_stop && !confirm(f.dataset.needs.replace("%", needs.join("; ")))) e.preventDefault();
}));
document.querySelectorAll("form[data-sure]").forEach(f => f.addEventListener("submit", e => { if (!confirm(f.dataset.sure)) e.preventDefault(); }));
if (one) {
  document.getElementById("seen").addEventListener("click", () => { post(`/api/runs/${one.dataset.run}/acknowledge`); silence(); });
  const mute = document.getElementById("mute");
  const showMute = () => { mute.setAttribute("aria-pressed", muted); mute.textContent = muted ? "Sound is off" : "Sound off"; };
  mute.addEventListener("click", () => { muted = !muted; sessionStorage.setItem("muted", muted ? "1" : "0"); showMute(); if (muted) silence(); });
  showMute();
  document.getElementById("check").addEventListener("click", check);
  strip(); setInterval(strip, 4000);
}
async function check() {
  const button = document.getElementById("check"), got = {}, zones = ["left", "centre", "right"];
  const wait = ms => new Promise(done => setTimeout(done, ms)), now = zone => state[one.dataset.bench]?.pads[zone].microsiemens ?? null;
  const step = name => document.querySelectorAll("[data-step]").forEach(e => e.classList.toggle("now", e.dataset.step === name));
  button.disabled = true;
  if (zones.some(z => now(z) === null)) { say(one, "check", "A pad is not heard: check its node first."); button.disabled = false; return; }
  step("dry");
  for (let s = 5; s; s--) { say(one, "check", `Reading dry: ${s} s`); await wait(1000); }
  for (const z of zones) got[z] = { dry: now(z), touched: now(z), after: 0 };
  step("touched");
  for (const z of zones) for (let s = 10; s; s--) { say(one, "check", `Touch the ${z} pad now: ${s} s, ${now(z)} µS`); await wait(1000); got[z].touched = Math.max(got[z].touched, now(z)); }
  step("after");
  for (let s = 10; s; s--) { say(one, "check", `Wipe the pads dry: ${s} s`); await wait(1000); }
  for (const z of zones) got[z].after = now(z);
  step("");
  const answer = await (await post(`/api/benches/${one.dataset.bench}/pad-check`, got)).json();
  say(one, "check", answer.sound ? "All three pads are sound." : answer.faults ? Object.entries(answer.faults).filter(([, f]) => f).map(([z, f]) => `${z} pad: ${f}`).join("; ") : answer.detail);
  button.disabled = false;
  if (!answer.sound) setTimeout(() => location.reload(), 4000);
}
const looks = { left: ["#0072b2", "solid"], centre: ["#009e73", "dash"], right: ["#d55e00", "dot"] };
const bands = { idle: "#d5d9dd", fill: "#56b4e9", wash: "#a6d3a0", heat: "#e69f00", rinse: "#b9e3da", drain: "#cc9ac0", spin: "#f0e442" };
async function strip() {
  if (typeof Plotly === "undefined" || document.hidden) return;
  let got; try { got = await (await fetch(`/api/benches/${one.dataset.bench}/strip`)).json(); } catch { return; }
  const dark = matchMedia("(prefers-color-scheme: dark)").matches, ink = dark ? "#e8eaed" : "#1b1f23", paper = dark ? "#15191d" : "#ffffff";
  const lines = Object.entries(got.pads ?? {}).filter(([, p]) => p.length).map(([z, p]) => ({ x: p.map(q => new Date(1000 * q[0])), y: p.map(q => q[1]), name: `${z} pad`, mode: "lines", line: { color: looks[z][0], dash: looks[z][1], width: 2 } }));
  if (got.power?.length) lines.push({ x: got.power.map(q => new Date(1000 * q[0])), y: got.power.map(q => q[1]), name: "power, W", yaxis: "y2", mode: "lines", line: { color: "#6b7680", width: 1 } });
  const end = Date.now(), shapes = [], notes = [];
  for (const [phase, a, b] of got.phases ?? []) {
    shapes.push({ type: "rect", xref: "x", yref: "paper", x0: new Date(1000 * Math.max(a, end / 1000 - 900)), x1: new Date(1000 * b), y0: 0.93, y1: 1, fillcolor: bands[phase], line: { width: 0.5, color: ink } });
    if (b - a > 40) notes.push({ x: new Date(1000 * (Math.max(a, end / 1000 - 900) + b) / 2), y: 0.965, xref: "x", yref: "paper", text: phase, showarrow: false, font: { size: 11, color: "#1b1f23" } });
  }
  Plotly.react("strip", lines, {
    height: 280, margin: { l: 55, r: 55, t: 8, b: 55 }, paper_bgcolor: paper, plot_bgcolor: paper, font: { color: ink, size: 12 }, shapes, annotations: notes, legend: { orientation: "h", y: -0.25 },
    xaxis: { type: "date", range: [new Date(end - 900000), new Date(end)] }, yaxis: { type: "log", title: { text: "µS" }, domain: [0, 0.9], dtick: 1, range: [-1.3, 3] }, yaxis2: { overlaying: "y", side: "right", title: { text: "W" }, rangemode: "tozero", tickmode: "auto", nticks: 5, showgrid: false },
  }, { displayModeBar: false, responsive: true });
}
