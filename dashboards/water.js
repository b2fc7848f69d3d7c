// Words about water that all pages share, and a bar on every page but the list of benches, below the page's own answer: water that
// shows meanwhile on benches that the page is not about. What to do about it stands on the bench's own page.
"use strict";
const meta = name => document.querySelector(`meta[name=${name}]`).content;
const clock = t => new Date(1000 * (t + Number(meta("utc-offset")))).toISOString().slice(11, 19);  // one clock for all who look: the bench's
const span = s => s < 90 ? `${Math.round(s)}\u00a0s` : s < 5400 ? `${Math.round(s / 60)}\u00a0min` : s < 172800 ? `${(s / 3600).toFixed(1)}\u00a0h` : `${Math.round(s / 86400)}\u00a0days`;
const and = words => words.length < 3 ? words.join(" and ") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;
// Where it is wet and since when: the first pads, and what followed. Pads wetted within seconds of each other are named together.
const TOGETHER_S = 3;
function since(times, word = "since") {
  const groups = [];
  for (const [zone, t] of times) { const last = groups.at(-1); if (last && t - last.t <= TOGETHER_S) last.zones.push(zone); else groups.push({ t, zones: [zone] }); }
  return groups.map(({ t, zones }) => `${and(zones)} ${word} ${clock(t)}`);
}
// Water that is most likely no leak is told in a quieter way, and asks for a look, not for a plug to be pulled.
const NO_LEAK = 0.3, notALeak = alarm => Object.keys(alarm.judged).length > 0 && Object.values(alarm.judged).every(j => j && j.cause !== "leak" && j.leak < NO_LEAK);
const notDry = p => !p.wet && p.heard && p.lead === "unproven" && (p.not_dry || p.wetness >= 0.35);
const zonesWhere = (b, holds) => Object.entries(b.pads).filter(([zone, p]) => holds(p, zone)).map(([zone]) => zone);
const damp = b => zonesWhere(b, notDry);
const wetAlone = b => !b.run && !b.stale && b.works && damp(b).length > 0;  // a machine that runs on wet pads, and nobody began a run
// When a pad leaked in the run that ended, where it has not been dry since.
const ofLastRun = (b, zone) => b.last && b.pads[zone].not_dry_since <= b.last.ended ? b.last.leaked.find(([z]) => z === zone)?.[1] : undefined;
const wetFrom = (b, zone) => ofLastRun(b, zone) ?? b.pads[zone].not_dry_since ?? b.pads[zone].damp_since;
const isWet = b => !!b.alarm || wetAlone(b);
const timesAt = (b, zones) => zones.map(zone => [zone, wetFrom(b, zone)]).sort((a, c) => a[1] - c[1]);
const wetTimes = b => b.alarm ? Object.entries(b.alarm.times).sort((a, c) => a[1] - c[1]) : timesAt(b, b.stale ? wasWet(b) : damp(b));
const silentFor = b => b.age_s == null ? "a while" : span(b.age_s);
const lasting = b => span(Math.max(Date.now() / 1000 - wetTimes(b)[0][1], 0));
const bar = document.getElementById("water");
// Wet benches, each with its page and a line that says where and since when, and how long ago where that is kept up: first those
// that sound an alarm, what was seen of them last; then (mild) what is most likely no leak, what stands on pads of a machine at
// rest, and what a bench had told before it fell silent.
const RECALLED_S = 3600, wasWet = b => zonesWhere(b, p => p.not_dry && p.lead === "unproven");
const atRest = b => !b.stale && !b.checking && damp(b).length > 0, silentWet = b => b.stale && b.age_s < RECALLED_S && wasWet(b).length > 0;
const wasDry = b => zonesWhere(b, p => p.microsiemens != null && p.lead === "unproven" && !p.not_dry);
function lastTold(b) {  // what the pads were before a bench fell silent
  const dry = wasDry(b);
  return `nothing heard for ${silentFor(b)}.\nBefore that: ${[...since(timesAt(b, wasWet(b)), "WET from"), ...dry.length ? [`${and(dry)} dry`] : []].join(", ")}`;
}
function wetLines(benches, aged = false) {
  const first = b => wetTimes(b)[0][1], mild = b => !isWet(b) || (!!b.alarm && notALeak(b.alarm)), seen = b => !!b.alarm && !b.alarm.unseen.length;
  const wet = benches.filter(b => isWet(b) || atRest(b) || silentWet(b)).sort((a, b) => mild(a) - mild(b) || isWet(b) - isWet(a) || seen(a) - seen(b) || first(b) - first(a));
  const how = b => b.alarm ? (mild(b) ? ", most likely no leak" : Object.values(b.alarm.judged).some(j => j?.phase || j?.cause === "leak") ? ", a leak" : "") : isWet(b) ? ", machine on, no test run: take it for a leak" : b.run ? ", wet before its run" : b.stale ? "" : ofLastRun(b, wetTimes(b)[0][0]) != null ? `, leaked in run ${b.last.run}` : ", no test run";
  const times = b => since(wetTimes(b)).map((said, i) => i || !aged ? said : `${said} (${lasting(b)})`).join(", ");
  return wet.map(b => ({ mild: mild(b), silent: silentWet(b) && !isWet(b), seen: seen(b), bench: b.bench, href: `/benches/${b.bench}`,
    textContent: `bench ${b.bench}: ${silentWet(b) && !isWet(b) ? lastTold(b) : `${times(b)}${b.stale ? `, not heard for ${silentFor(b)}` : ""}`}${how(b)}${seen(b) ? ", seen" : ""}` }));
}
const asLink = ({ href, textContent }) => Object.assign(document.createElement("a"), { href, textContent });
let toldOfWater = "";
function tellWater(state) {
  const here = document.getElementById("one")?.dataset.bench, runs = new Set([...document.querySelectorAll("[data-run]")].map(e => e.dataset.run));
  const wet = wetLines(Object.values(state).filter(b => b.bench !== here && !runs.has(String(b.run?.id)))).filter(line => !line.silent);
  const most = state[here] && isWet(state[here]) ? 0 : innerWidth > 760 ? 3 : 1;  // its own water comes first, and the bar must not hide the page
  const said = wet.slice(0, most).map(b => here || runs.size ? { ...b, textContent: b.bench } : b);  // where and since when stands there, and is not mixed up with this page's own
  if (wet.length > most) said.push({ href: "/", textContent: most ? `${wet.length - most} more` : `see ${wet.length === 1 ? "it" : `all ${wet.length}`}` });
  if (JSON.stringify(said) === toldOfWater) return;  // a finger or the focus may be on a link
  toldOfWater = JSON.stringify(said); bar.hidden = !wet.length;
  bar.classList.toggle("calm", !!here || !!runs.size || wet.every(b => b.seen)); bar.classList.toggle("mild", wet.every(b => b.mild));
  bar.querySelector("b").textContent = `▲ ${here ? `Water on ${wet.length > 1 ? "other benches" : "another bench"}` : runs.size ? `Water now, not in ${runs.size > 1 ? "these runs" : "this run"}` : "Water now"}:`;
  bar.querySelector("span").replaceChildren(...said.map(asLink));
}
function listenForWater() {
  const source = new EventSource("/events");
  source.onmessage = e => tellWater(JSON.parse(e.data));
  source.onerror = () => { if (source.readyState === EventSource.CLOSED) setTimeout(listenForWater, 5000); };  // else the browser tries again by itself
}
if (bar && !document.getElementById("one")) listenForWater();  // a bench's own page hears of all benches anyway
