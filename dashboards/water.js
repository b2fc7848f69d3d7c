// On the pages that show no bench: water that shows meanwhile, anywhere. The bench's own page says what to do.
"use strict";
{
  const bar = document.getElementById("water"), offset = Number(document.querySelector("meta[name=utc-offset]").content);
  const clockOf = t => new Date(1000 * (t + offset)).toISOString().slice(11, 19);
  let told = "";
  const show = e => {
    const wet = Object.values(JSON.parse(e.data)).filter(b => b.alarm?.unseen.length).map(b => [b.bench, `bench ${b.bench}: water at ${Object.entries(b.alarm.times).map(([zone, t]) => `${zone} since ${clockOf(t)}`).join(", ")}`]);
    if (JSON.stringify(wet) === told) return;  // a finger or the focus may be on a link
    told = JSON.stringify(wet); bar.hidden = !wet.length;
    bar.querySelector("span").replaceChildren(...wet.flatMap(([bench, text]) => [Object.assign(document.createElement("a"), { href: `/benches/${bench}`, textContent: text }), " "]));
  };
  const listen = () => {
    const source = new EventSource("/events");
    source.onmessage = show;
    source.onerror = () => { if (source.readyState === EventSource.CLOSED) setTimeout(listen, 5000); };  // else the browser tries again by itself
  };
  listen();
}
