// On every page but the list of benches: water that shows meanwhile on another bench. Its own page says what to do.
"use strict";
const MOST = 3;  // benches named, the newest water first: on a phone the bar must not hide the page
let toldOfWater = "";
function tellWater(state, here) {
  const bar = document.getElementById("water"), offset = Number(document.querySelector("meta[name=utc-offset]").content);
  const clockOf = t => new Date(1000 * (t + offset)).toISOString().slice(11, 19), first = b => Math.min(...Object.values(b.alarm.times));
  const wet = Object.values(state).filter(b => b.alarm && b.bench !== here).sort((a, b) => b.alarm.unseen.length - a.alarm.unseen.length || first(b) - first(a));
  const most = state[here]?.alarm ? 0 : MOST;  // its own alarm comes first
  const said = wet.slice(0, most).map(b => [`/benches/${b.bench}`, `bench ${b.bench}: ${Object.keys(b.alarm.times).join(", ")} since ${clockOf(first(b))}${b.alarm.unseen.length ? "" : ", seen"}`]);
  if (wet.length > most) said.push(["/", most ? `${wet.length - most} more` : `see ${wet.length === 1 ? "it" : `all ${wet.length}`}`]);
  if (JSON.stringify(said) === toldOfWater) return;  // a finger or the focus may be on a link
  toldOfWater = JSON.stringify(said); bar.hidden = !wet.length;
  bar.classList.toggle("calm", !wet.some(b => b.alarm.unseen.length));
  bar.querySelector("b").textContent = `▲ Water ${!here ? "now" : wet.length > 1 ? "on other benches" : "on another bench"}:`;
  bar.querySelector("span").replaceChildren(...said.map(([href, textContent]) => Object.assign(document.createElement("a"), { href, textContent })));
}
function listenForWater() {
  const source = new EventSource("/events");
  source.onmessage = e => tellWater(JSON.parse(e.data));
  source.onerror = () => { if (source.readyState === EventSource.CLOSED) setTimeout(listenForWater, 5000); };  // else the browser tries again by itself
}
if (!document.getElementById("one")) listenForWater();  // a bench's own page hears of all benches anyway
