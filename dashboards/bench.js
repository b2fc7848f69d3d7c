// The live page: state arrives as server-sent events and is written where data-show says.
"use strict";
const one = document.getElementById("one"), cards = document.getElementById("cards");
const say = (root, name, text) => root.querySelectorAll(`[data-show="${name}"]`).forEach(e => { if (e.textContent !== text) e.textContent = text; });
const exactly = s => s < 60 ? `${s} s` : `${Math.floor(s / 60)} min${s % 60 ? ` ${s % 60} s` : ""}`;
const token = meta("token"), place = t => onAxis(1000 * (t + Number(meta("utc-offset"))));
const percent = p => `${Math.round(100 * p)}\u00a0%`;
// What has been made of each pad's water so far, said once for all pads of which it is the same.
const CAME_OUT = "a leak: it came out of the machine";
const WHILE = { idle: "stood", fill: "filled", wash: "washed", heat: "heated", rinse: "rinsed", drain: "drained", spin: "spun" };
const byPump = alarm => Object.values(alarm.judged).some(j => j && ["drain", "spin"].includes(j.phase));  // to pump it out would let out more
function judged(alarm) {
  const most = Math.max(...Object.values(alarm.judged).map(j => j && j.cause !== "leak" ? j.leak : 0));  // once for all pads
  const word = j => !j ? "provisional, being judged" : j.phase ? `${CAME_OUT} while it ${WHILE[j.phase]}` : j.cause === "leak" ? "a leak" : `most likely ${{ spill: "spilt by somebody", condensation: "damp air", fault: "a fault of the pad" }[j.cause]}, at the most ${percent(most)} chance of a leak`;
  const zones = new Map();
  for (const zone of Object.keys(alarm.times)) { const said = word(alarm.judged[zone]); zones.set(said, [...zones.get(said) ?? [], zone]); }
  const told = [...zones].map(([said, at]) => zones.size < 2 ? said : `${said} (${and(at)})`).sort((a, b) => b.startsWith(CAME_OUT) - a.startsWith(CAME_OUT));
  const said = told.map((one, i) => i && one.startsWith(CAME_OUT) ? one.slice(CAME_OUT.length + 1) : one).join("; ");
  return `${said[0].toUpperCase()}${said.slice(1)}.`;
}
const whatIsIt = alarm => { const causes = new Set(Object.values(alarm.judged).map(j => j.cause)); return causes.size > 1 ? "wet, most likely no leak," : { spill: "water, likely spilt,", condensation: "damp air", fault: "a pad at fault" }[[...causes][0]]; };
const UNSOUND = ["open", "short", "stuck", "drifting"], tells = p => p.heard && p.lead === "unproven" && !UNSOUND.includes(p.state);  // wet or dry
const unheard = b => zonesWhere(b, p => !p.heard);
const noneHeard = b => !Object.values(b.pads).some(p => p.heard);
const sureFrom = 0.6;
// More than a dry pad, and not water: damp air, or a floor that was not wiped well.
const KEPT_S = 840, isDamp = p => !p.wet && p.heard && !notDry(p) && p.damp_since != null;
const toBeChecked = (b, zone) => !b.run && (!b.pads[zone].proven || b.faults.some(said => said.startsWith(`${zone} pad: `)));
const hasLeaked = (b, zone) => !!b.run?.leaked?.[zone] || (!b.run && !!justEnded(b) && b.last.leaked.some(([z]) => z === zone));
function padWord(b, zone) {
  const p = b.pads[zone];
  if (p.wet || (wetAlone(b) && notDry(p))) return "WET";
  if (notDry(p) && !b.checking) return "WET";
  if (!p.heard) return "not heard";
  if (notDry(p)) return "a finger";
  if (hasLeaked(b, zone)) return "LEAKED, now dry";
  return p.word !== "dry" ? p.word : isDamp(p) ? "damp" : toBeChecked(b, zone) ? "dry, not checked" : p.word;
}
const unsound = b => zonesWhere(b, p => !tells(p)).map(zone => `${zone} pad (${b.pads[zone].word})`);
function notReady(b) {
  const zones = new Map();
  for (const said of [...unheard(b).map(zone => `${zone} pad: not heard`), ...b.faults]) { const [zone, what] = said.split(" pad: "); zones.set(what, [...zones.get(what) ?? [], zone]); }
  return [...zones].map(([what, at]) => `${and(at)} ${at.length > 1 ? "pads" : "pad"}: ${what}`).join("; ");
}
let leaving = false;
addEventListener("submit", e => { leaving = !e.defaultPrevented; });
addEventListener("pageshow", () => { leaving = false; });
let state = {}, heard = 0;
// What moves between a press and its release takes the tap with it: the page holds still for so long, a finger that rests does not hold it.
const PRESS_MS = 500;
let pressed = 0;
addEventListener("pointerdown", () => { pressed = Date.now(); }, true);
for (const release of ["pointerup", "pointercancel"]) addEventListener(release, () => setTimeout(() => { pressed = 0; show(); }), true);

const FRESH_S = 3600;  // so long a verdict is what whoever comes to the bench wants to know first
const justEnded = b => b.last && Date.now() / 1000 - b.last.ended < FRESH_S;
const MARKS = { PASS: "✓", FAIL: "✗", RETEST: "?" };
const unproven = b => zonesWhere(b, p => !p.proven);
const notChecked = b => { const which = unproven(b), many = which.length > 1; return `${which.length > 2 ? "all pads" : `the ${and(which)} ${many ? "pads" : "pad"}`} read${many ? "" : "s"} dry but ${many ? "are" : "is"} not checked`; };
const isOld = b => wetAlone(b) && damp(b).every(z => ofLastRun(b, z) != null);  // whoever ended the run knows of it
// Of some pads nothing can be told: which and why, and that no water shows on the others.
function cannotTell(b) {
  const rest = zonesWhere(b, tells), dry = wasDry(b);
  if (b.stale) return wasWet(b).length ? lastTold(b) : `nothing heard for ${silentFor(b)}${dry.length ? `, ${dry.length < 3 ? `${and(dry)} ` : ""}dry before that` : ""}`;
  return noneHeard(b) ? "no pad is heard" : `${unsound(b).join(", ")}; no water at ${and(rest)}`;
}
// How the bench stands, the floor first, and what to do next, in one line.
function headline(b) {
  const floor = since(timesAt(b, damp(b))).join(", "), run = b.run, leaks = Object.entries(run?.leaked ?? {}), leaked = leaks.length ? `LEAKED: ${since(leaks, "at").join(", ")}` : "";
  const moist = zonesWhere(b, isDamp), first = Math.min(...moist.map(zone => b.pads[zone].damp_since)), long = Date.now() / 1000 - first > KEPT_S;  // no more is kept
  const dry = moist.length ? `DAMP at ${and(moist)} ${long ? "for over 14\u00a0min" : `since ${clock(first)}`}, no water seen` : "DRY";
  if (isWet(b)) return `WET: ${since(wetTimes(b)).join(", ")}`;
  if (b.behind) return "Catching up with what was heard – a moment";
  if (b.stale) return leaked ? `${leaked}; nothing heard for ${silentFor(b)} – look yourself` : wasWet(b).length ? `CANNOT TELL: ${cannotTell(b)} – look yourself` : `CANNOT TELL: ${cannotTell(b)} – ${run ? "look at the floor, then " : ""}check the nodes' supply and network`;
  if (noneHeard(b)) return "CANNOT TELL: no pad is heard – look at the floor, check their node's supply and network";
  if (leaked) return `${leaked}, ${floor ? `still wet: ${and(damp(b))}` : "now dry"} – stop and unplug`;
  if (!run && b.checking) return floor ? `PAD CHECK: a finger at ${and(damp(b))}, dry before it` : "DRY – pad check by hand under way";
  if (floor) return !run ? `WET: ${floor} (${lasting(b)}), no test run – look where it comes from, then dry it` : `WET: ${floor}, before this run${run.lost?.length ? " – end it" : ""}`;
  if (!run && unsound(b).length) return `CANNOT TELL: ${cannotTell(b)} – mend ${unsound(b).length > 1 ? "them" : "that pad"} before a run`;
  if (!run && notReady(b)) return `Reads ${dry} – not ready for a run: ${notReady(b)}`;
  if (!run) return justEnded(b) ? `${MARKS[b.last.verdict] ?? ""} ${b.last.verdict}: ${b.last.unit ? `unit ${b.last.unit}` : `run ${b.last.run}`}${b.last.leaked.length ? ` leaked at ${since(b.last.leaked, "from")[0]}` : ""}. Now dry${b.last.leaked.length ? "" : b.last.verdict === "RETEST" ? ", ready to test it again" : ", ready for the next"}` : moist.length ? `${dry} – let it dry before a run` : unproven(b).length ? `CANNOT TELL yet: ${notChecked(b)} – check ${unproven(b).length > 1 ? "them" : "it"}` : "DRY – ready for a run";
  if (!run.needs) return `${dry} – the run has begun`;
  if (unsound(b).length) return `CANNOT TELL: ${cannotTell(b)}${run.lost.length ? " – this run cannot pass: end and judge" : ""}`;
  if (run.lost.length) return `${dry}, but this run cannot pass – end and judge`;
  if (run.may_stop) return `${dry} – nothing more is needed: end and judge`;
  if (run.stage === "dry watch") return run.dry_wait_s ? `${dry} – wait ${exactly(run.dry_wait_s)}, then start the machine` : `${dry} – start the machine`;
  if (run.stage === "drip watch") return `${dry} – leave it standing: ${run.needs[0]}`;
  return `${dry} – let it run: ${run.needs[0]} needed`;
}
function sub(b) {
  const last = b.last ? `Run ${b.last.run}${b.last.unit ? ` of unit ${b.last.unit}` : ""}: ${b.last.verdict}, ended ${span(Math.max(Date.now() / 1000 - b.last.ended, 0))} ago. ${justEnded(b) && b.last.verdict !== "PASS" ? `${b.last.answer} ` : ""}` : "";
  if (wetAlone(b)) return last;
  if (!b.run) return `${last}No run under way${b.checking ? "" : `: ${silentWet(b) ? "look at the floor, see that the nodes are heard, then begin one" : b.stale || noneHeard(b) ? "see that the nodes are heard, then begin one" : notReady(b) ? "put that right, then begin one" : unproven(b).length ? "check the pads, then begin one" : "begin one"} on a dry floor`}.${!justEnded(b) && unproven(b).length && !noneHeard(b) ? ` The ${and(unproven(b))} pad${unproven(b).length > 1 ? "s read" : " reads"} dry, but would with a broken lead too: a minute's check tells.` : ""}`;
  const parts = [b.run.unit ? `Unit ${b.run.unit}` : "no unit's tag", `begun ${span(Date.now() / 1000 - b.run.began)} ago`];
  if (b.run.sure != null && b.run.phase && !b.stale) parts.push(b.run.sure >= sureFrom ? `now ${b.run.phase} (${percent(b.run.sure)} sure)` : "phase not clear yet");
  if (b.power != null && !b.stale) parts.push(`${Math.round(b.power)} W`);
  return parts.join(" · ");
}
function list(root, name, items, empty) {
  root.querySelectorAll(`[data-show="${name}"]`).forEach(e => e.replaceChildren(...(items.length ? items : [empty]).map(text => {
    const item = document.createElement("li"); item.textContent = text; return item;
  })));
}
// The alarm of a run, or of a machine that runs on wet pads though no run was begun.
const alarmOf = b => b.alarm ?? (wetAlone(b) ? { judged: {}, unseen: isOld(b) ? [] : damp(b) } : null);
// What a card and the bench's own page show alike: the answer, the alarm, the pads.
function showBench(root, b) {
  say(root, "headline", headline(b)); say(root, "sub", sub(b));
  const alarm = alarmOf(b);
  root.classList.toggle("wet", !!alarm); root.classList.toggle("mild", !!alarm && notALeak(alarm));
  root.classList.toggle("grave", !alarm && ((b.stale && wasWet(b).length > 0) || atRest(b) || Object.keys(b.run?.leaked ?? {}).length > 0 || (!b.run && !b.stale && !!justEnded(b) && b.last.verdict === "FAIL")));
  const box = root.querySelector(".alarm");
  box.hidden = !alarm;
  if (alarm) {
    const [first, ...more] = since(wetTimes(b)), mild = notALeak(alarm), what = `${mild ? whatIsIt(alarm) : "water"} at ${first}`;
    say(box, "alarm-head", root === one ? `Bench ${b.bench}: ${what}` : what[0].toUpperCase() + what.slice(1)); say(box, "ago", ` (${lasting(b)})`); say(box, "alarm-more", more.map(m => `, ${m}`).join(""));
    say(box, "alarm-old", b.stale ? `Nothing heard for ${silentFor(b)}: it may have grown or dried since. Look yourself.` : unheard(b).length ? `Not heard: ${and(unheard(b))}. It may be wet there too.` : ""); say(box, "alarm-note", b.alarm ? judged(alarm) : isOld(b) ? `It leaked in run ${b.last.run} (${b.last.verdict}) and is still wet; the machine is running.` : "The machine is on and no test run was begun, so it is not judged: take it for a leak.");
    box.classList.toggle("by-pump", byPump(alarm)); box.classList.toggle("calm", !alarm.unseen.length); box.classList.toggle("mild", mild);
  }
  for (const [zone, pad] of Object.entries(b.pads)) {
    const part = root.querySelector(`[data-pad="${zone}"]`), alone = wetAlone(b) && notDry(pad);
    part.classList.toggle("wet", pad.wet || alone); part.classList.toggle("untold", !pad.wet && !tells(pad)); part.classList.toggle("leaked", hasLeaked(b, zone) || alone);
    part.querySelector(".fill").style.height = `${pad.lead === "unproven" && !b.checking ? Math.round(100 * pad.wetness) : 0}%`;
    part.querySelector(".pad-state").textContent = padWord(b, zone);
    part.querySelector(".pad-number").textContent = pad.microsiemens == null || (pad.heard && pad.lead !== "unproven") ? "–" : `${pad.heard ? "" : "last "}${pad.microsiemens} µS${pad.damp_since != null && !b.checking ? `, ${percent(pad.wetness)}${isDamp(pad) ? " damp" : " wet"}` : ""}`;
  }
}
function showCard(b) {
  const card = cards.querySelector(`[data-bench="${CSS.escape(b.bench)}"]`);
  if (!card) { location.reload(); return; }
  showBench(card, b);
  card.classList.toggle("old", b.stale);
  const run = b.run;
  say(card, "needs-line", b.stale || b.alarm || !run?.needs || Object.keys(run.leaked).length ? "" : run.lost.length ? `cannot pass: ${run.lost.join(" ")}` : run.needs.length ? `still needed: ${run.needs.join("; ")}` : "nothing more needed");
}
// All benches in a line.
function inShort() {
  const all = Object.values(state), kind = b => isWet(b) || atRest(b) ? "wet" : Object.keys(b.run?.leaked ?? {}).length || (!b.run && !b.stale && justEnded(b) && b.last.leaked.length) ? "leaked, now dry" : b.behind ? "being read" : b.stale || noneHeard(b) ? "not heard" : unsound(b).length ? "with a faulty pad" : zonesWhere(b, isDamp).length ? "damp" : b.run ? "dry and under way" : unproven(b).length ? "with unchecked pads" : "ready";
  const counts = ["wet", "leaked, now dry", "damp", "with a faulty pad", "with unchecked pads", "not heard", "dry and under way", "ready", "being read"].map(word => [all.filter(b => kind(b) === word).length, word]);
  const named = word => !["wet", "dry and under way", "ready", "being read"].includes(word) ? ` (${and(all.filter(b => kind(b) === word).map(b => b.bench))})` : "";  // which they are, before the first scrolling
  return all.length > 1 ? `${all.length} benches: ${counts.filter(([n]) => n).map(([n, word]) => `${n} ${word}${named(word)}`).join(" · ")}` : "";
}
// Which benches are wet, where and since when, before the first scrolling; and what to do, once for all.
let listed = "";
function blind() {  // nothing wet is known of them, and nothing sure: not heard of late, pads at fault or never checked
  const lately = Object.values(state).filter(b => !isWet(b) && !silentWet(b) && !b.behind && !(b.age_s > RECALLED_S)).sort((a, c) => a.bench < c.bench ? -1 : 1);
  return lately.flatMap(b => {
    const said = b.stale || unsound(b).length ? cannotTell(b) : !b.run && !b.checking && !atRest(b) && unproven(b).length ? notChecked(b) : "";
    return said ? [{ href: `/benches/${b.bench}`, textContent: `bench ${b.bench}: ${said}` }] : [];
  });
}
function listWet() {
  const wet = wetLines(Object.values(state), true), text = JSON.stringify([wet, blind()]);
  if (text === listed) return;  // a finger or the focus may be on a link
  listed = text;
  for (const [name, lines] of [["wet-now", wet.filter(b => !b.mild)], ["look-now", wet.filter(b => b.mild && !b.silent)], ["silent-now", [...wet.filter(b => b.silent), ...blind()]]]) {
    const box = document.getElementById(name);
    box.hidden = Object.keys(state).length < 2 || !lines.length || (name !== "silent-now" && wet.length < 2); box.classList.toggle("calm", lines.every(b => b.seen));
    box.querySelector("ul").replaceChildren(...lines.map(b => { const item = document.createElement("li"); item.append(asLink(b)); return item; }));
  }
}
// Water first, then what leaked, what runs, what waits, what is silent: for the eye, the keyboard and the screen reader alike.
function inOrder() {
  const wet = wetLines(Object.values(state)).map(line => line.bench);
  const rank = b => !b ? 9 : wet.includes(b.bench) ? wet.indexOf(b.bench) / (wet.length + 1) : Object.keys(b.run?.leaked ?? {}).length ? 1 : b.run ? 2 : b.stale || noneHeard(b) ? 4 : 3;
  const all = [...cards.children], wanted = [...all].sort((a, b) => rank(state[a.dataset.bench]) - rank(state[b.dataset.bench]) || (a.dataset.bench < b.dataset.bench ? -1 : 1));
  if (!wanted.some((card, i) => card !== all[i])) return;
  const held = document.activeElement;
  cards.append(...wanted);
  if (cards.contains(held)) held.focus({ preventScroll: true });
}
function showOne(b) {
  if (leaving) return;  // a form is on its way: to load this page anew would call it back
  if (String(b.run ? b.run.id : "") !== one.dataset.run) { location.reload(); return; }
  showBench(one, b);
  document.title = `${isWet(b) ? "▲ WET: " : ""}Bench ${b.bench}`;
  document.getElementById("stale").hidden = !b.stale;
  document.querySelector(".begin form button")?.classList.toggle("main", headline(b).startsWith("DRY"));  // what is not ready asks for another thing first
  document.getElementById("floor").setAttribute("aria-label", "Pads: " + Object.keys(b.pads).map(z => `${z} ${padWord(b, z)}`).join(", "));
  const last = document.getElementById("last");
  if (last) { last.hidden = !b.last; if (b.last) { last.href = `/runs/${b.last.run}`; last.textContent = `Open run ${b.last.run}`; } }
  if (b.run) {
    if (b.run.needs) list(one, "needs", b.run.needs, "nothing more");
    const lost = b.run.lost ?? [];
    document.getElementById("needs").hidden = !!b.alarm || lost.length > 0 || !!b.run.may_stop;
    for (const e of one.querySelectorAll("[data-show=look], [data-show=suspects]")) e.hidden = !b.run.suspects?.length;
    document.getElementById("end").classList.toggle("main", !b.alarm && !b.stale && (!b.run.needs?.length || lost.length > 0 || !!b.run.may_stop));
    if (b.run.suspects && b.run.suspects.length) list(one, "suspects", b.run.suspects.filter(([, p]) => p >= 0.01).map(([n, p]) => `${n}, ${Math.round(100 * p)} %`), "");
    list(one, "lost", lost, ""); document.getElementById("lost").hidden = !lost.length;
    say(one, "look", Object.keys(b.run.leaked ?? {}).length ? "Look here first" : "If it leaks, look here first");
    say(one, "may-stop", b.run.may_stop || "");
  }
  const health = [b.age_s == null ? "no message yet" : `last message ${span(b.age_s)} ago`];
  if (b.run && b.run.clock_error_s != null) health.push(`clocks within ${b.run.clock_error_s.toFixed(2)} s`);
  if (b.run && b.run.lost_packs != null) health.push(`${b.run.lost_packs} ${b.run.lost_packs === 1 ? "pack" : "packs"} lost`);
  say(one, "health", health.join(" · "));
  const button = document.getElementById("seen");
  button.hidden = !b.alarm;
  const beside = isWet(b) ? button : one.querySelector("[data-show=sub]");
  if (beside.nextElementSibling !== mute) beside.after(mute);  // where it stands already, a finger or the focus may be on it
  if (!b.alarm) return;
  const told = b.alarm.unseen.length;
  button.disabled = !told; button.textContent = told ? "I have seen it" : `Seen ${clock(b.run.acknowledged)}, the sound is off`;
}

// The sound. A browser lets nothing sound before it was touched: until then the page says so.
const audio = new AudioContext(), mute = document.getElementById("mute"), muted = new Set(JSON.parse(sessionStorage.getItem("muted") ?? "[]"));
const keepMuted = () => sessionStorage.setItem("muted", JSON.stringify([...muted]));
let sound = null;
const shown = () => (one ? [state[one.dataset.bench]] : Object.values(state)).filter(b => b), unseen = () => shown().filter(b => b.alarm?.unseen.length || (wetAlone(b) && !isOld(b)));
const muteKey = b => b.run?.id ?? `alone ${b.bench}`;  // muted by its run, or until its machine rests or its pads are dry: the next one sounds again
const loud = () => unseen().filter(b => !muted.has(muteKey(b)));
function sounds() {
  const asleep = audio.state !== "running";  // until the page was touched once, the browser lets nothing sound
  document.getElementById("sound").hidden = !asleep || loud().length > 0;
  if (shown().filter(b => !b.run && !wetAlone(b) && muted.delete(muteKey(b))).length) keepMuted();
  mute.hidden = !unseen().length;
  const quiet = !loud().length;
  mute.setAttribute("aria-pressed", quiet); mute.classList.toggle("main", !quiet && asleep); mute.textContent = quiet ? "Muted: sound again" : asleep ? "Sound is off: turn it on" : unseen().length > 1 ? `Mute these ${unseen().length} alarms` : "Mute this alarm";
  if (quiet) silence(); else ring();
}
function ring() {
  if (sound || audio.state !== "running") return;
  const tone = audio.createOscillator(), gain = audio.createGain();
  tone.frequency.value = 880; gain.gain.value = 0.0001; tone.connect(gain).connect(audio.destination); tone.start();
  const beat = setInterval(() => gain.gain.setTargetAtTime(Math.floor(Date.now() / 400) % 2 ? 0.15 : 0.0001, audio.currentTime, 0.02), 200);
  sound = { tone, beat };
}
function silence() { if (sound) { clearInterval(sound.beat); sound.tone.stop(); sound = null; } }
audio.addEventListener("statechange", show);
let wakes = false;  // the tap on the button that lets the alarm sound does not mute it
for (const touch of ["pointerdown", "pointerup", "keydown"]) addEventListener(touch, e => {
  const asleep = audio.state !== "running";
  if (touch !== "pointerup") wakes = asleep && e.target === mute;
  if (asleep) audio.resume();
});
mute.addEventListener("click", () => {
  if (wakes && loud().length) return;
  const ringing = loud();
  if (ringing.length) ringing.forEach(b => muted.add(muteKey(b))); else unseen().forEach(b => muted.delete(muteKey(b)));
  keepMuted(); sounds();
});
sounds();

function show() {
  const still = pressed + PRESS_MS - Date.now();
  if (still > 0) { setTimeout(show, still); return; }
  if (cards) { Object.values(state).forEach(showCard); inOrder(); say(document, "sum", inShort()); listWet(); document.getElementById("none").hidden = Object.keys(state).length > 0; }
  if (one) tellWater(state);
  if (one && state[one.dataset.bench]) showOne(state[one.dataset.bench]);
  sounds();
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
  if (unseen().length) show();  // how long ago
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
  document.getElementById("check")?.addEventListener("click", check);
  strip(); setInterval(strip, 4000);
}
async function check() {
  const button = document.getElementById("check"), got = {}, zones = ["left", "centre", "right"];
  const wait = ms => new Promise(done => setTimeout(done, ms)), pads = () => state[one.dataset.bench]?.pads, now = zone => pads()?.[zone].heard ? pads()[zone].microsiemens : null;
  const step = name => document.querySelectorAll("[data-step]").forEach(e => e.classList.toggle("now", e.dataset.step === name));
  const ready = () => { button.disabled = false; button.textContent = "Begin the check"; one.classList.remove("checking"); };
  button.disabled = true; button.textContent = "Checking…"; one.classList.add("checking");
  if (zones.some(z => now(z) === null)) { say(one, "check", `${and(zones.filter(z => now(z) === null)).replace(/^./, c => c.toUpperCase())} not heard: check the pads' node first.`); ready(); return; }
  const wet = damp(state[one.dataset.bench]);
  if (wet.length) { say(one, "check", `Dry the ${wet.join(" and the ")} pad first.`); ready(); return; }
  document.getElementById("floor").scrollIntoView({ block: "center" });
  post(`/api/benches/${one.dataset.bench}/pad-check/begin`);
  step("dry");
  for (let s = 5; s; s--) { say(one, "check", `Reading dry: ${s} s`); await wait(1000); }
  for (const z of zones) got[z] = { dry: now(z), touched: now(z), after: 0 };
  step("touched");
  for (const z of zones) for (let s = 10; s; s--) { say(one, "check", `Touch the ${z} pad and keep the finger there: ${s}\u00a0s more, ${now(z) ?? "–"} µS`); await wait(1000); got[z].touched = now(z) === null || got[z].touched === null ? null : Math.max(got[z].touched, now(z)); }
  step("after");
  for (let s = 10; s; s--) { say(one, "check", `All three touched. Wipe the pads dry: ${s} s`); await wait(1000); }
  for (const z of zones) got[z].after = now(z);
  step(""); ready();
  if (zones.some(z => Object.values(got[z]).includes(null))) { say(one, "check", "A pad was not heard to the end: nothing was kept. Check its node, and begin again."); return; }
  const answer = await (await post(`/api/benches/${one.dataset.bench}/pad-check`, got)).json();
  say(one, "check", answer.sound ? "All three pads are sound." : answer.faults ? Object.entries(answer.faults).filter(([, f]) => f).map(([z, f]) => `${z} pad: ${f}`).join("; ") : answer.detail);
  if (!answer.sound || document.getElementById("override")) setTimeout(() => { if (!leaving && !document.getElementById("unit").value) location.reload(); }, 4000);  // what was typed is kept
}
const looks = { left: ["#0072b2", "solid"], centre: ["#009e73", "dash"], right: ["#d55e00", "dot"] };
const bands = { idle: "#d5d9dd", fill: "#56b4e9", wash: "#a6d3a0", heat: "#e69f00", rinse: "#b9e3da", drain: "#cc9ac0", spin: "#f0e442" };
async function strip() {
  if (typeof Plotly === "undefined" || document.hidden) return;
  let got; try { got = await (await fetch(`/api/benches/${one.dataset.bench}/strip`)).json(); } catch { return; }
  if (!got.now) return;  // refused: whoever was in has to come in anew
  const lines = Object.entries(got.pads ?? {}).filter(([, p]) => p.length).map(([z, p]) => ({ x: p.map(q => place(q[0])), y: p.map(q => q[1]), name: `${z} pad`, mode: "lines", line: { color: shade(looks[z][0]), dash: looks[z][1], width: 2 } }));
  if (got.power?.length) lines.push({ x: got.power.map(q => place(q[0])), y: got.power.map(q => q[1]), name: "power, W", yaxis: "y2", mode: "lines", line: { color: shade("#6b7680"), width: 1 } });
  const end = got.now, begin = end - 900, shapes = [], annotations = [];
  for (const [phase, from, b] of got.phases ?? []) {
    const a = Math.max(from, begin), word = b - a > 40 ? phase : phase[0];
    shapes.push({ type: "rect", xref: "x", yref: "paper", x0: place(a), x1: place(b), y0: 0.91, y1: 1, fillcolor: bands[phase], line: { width: 0.5, color: ink } });
    if (b - a > 8) annotations.push({ x: place((a + b) / 2), y: 0.955, xref: "x", yref: "paper", yanchor: "middle", text: word, showarrow: false, font: { size: 11, color: "#1b1f23" } });
  }
  const most = Math.max(50, ...(got.power ?? []).map(q => 1.1 * q[1]));  // a few watts at rest are not drawn as if they were a wash
  Plotly.react("strip", lines, {
    height: 280, margin: { l: 55, r: 55, t: 8, b: 55 }, paper_bgcolor: paper, plot_bgcolor: paper, font: { color: ink, size: 12 }, shapes, annotations, legend: { orientation: "h", y: -0.25 }, dragmode: false,
    xaxis: { type: "date", tickformat: "%H:%M\n%d %b %Y", range: [place(begin), place(end)], gridcolor: grid, fixedrange: true }, yaxis: { type: "log", title: { text: "µS" }, domain: [0, 0.88], dtick: 1, range: [-1.3, 3], gridcolor: grid, fixedrange: true },
    yaxis2: { overlaying: "y", side: "right", title: { text: "W" }, range: [0, most], tickmode: "auto", nticks: 5, showgrid: false, zerolinecolor: zeroline, fixedrange: true },
  }, config);
}
