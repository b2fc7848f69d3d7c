// On the pages that show no bench: water that shows meanwhile, anywhere. The bench's own page says what to do.
"use strict";
{
  const bar = document.getElementById("water"), offset = Number(document.querySelector("meta[name=utc-offset]").content);
  const clockOf = t => new Date(1000 * (t + offset)).toISOString().slice(11, 19);
  new EventSource("/events").onmessage = e => {
    const wet = Object.values(JSON.parse(e.data)).filter(b => b.alarm?.unseen.length);
    bar.hidden = !wet.length;
    bar.querySelector("span").replaceChildren(...wet.flatMap(b => {
      const link = document.createElement("a"), zones = Object.entries(b.alarm.times).map(([zone, t]) => `${zone} since ${clockOf(t)}`);
      link.href = `/benches/${b.bench}`; link.textContent = `bench ${b.bench}: water at ${zones.join(", ")}`;
      return [link, " "];
    }));
  };
}
