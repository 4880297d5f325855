// The take page: the curve while it grows, then the take as it was kept.

import { chart, ofCurve } from "./chart.js";
import { get, made } from "./window.js";

const seen = document.getElementById("seen");
const place = document.getElementById("curve");
const found = document.getElementById("live");
let watching = false;

document.addEventListener("job", ({ detail: job }) => {
  if (!job || job.name !== "take" || job.status !== null) return;
  watching = true;
  seen.hidden = false;
  if (found.childElementCount !== job.live.length)
    found.replaceChildren(...job.live.map((text) => made("li", { class: "undecided" }, text)));
});

document.addEventListener("curve", ({ detail: data }) => {
  if (!data || !watching) return;
  place.xRange = [Math.min(10, data.f[0]), 20000];
  chart(place, {
    unit: "Ω", logY: true, sets: [ofCurve("impedance", data)],
    lines: data.at ? [{ x: data.at, tone: "--accent", words: "now" }] : [],
  });
  place.dataset.grown = String(Number(place.dataset.grown ?? 0) + 1);
});

document.addEventListener("ended", ({ detail: { job, mine } }) => {
  if (job.name !== "take" || !(watching || mine)) return;
  watching = false;
  const path = job.left.trim();
  if (path.startsWith("takes/")) location.assign(`/take?of=${encodeURIComponent(path)}`);
});

async function kept() {
  const of = seen.dataset.of;
  if (!of) return;
  if (seen.dataset.refused) place.closest("figure").hidden = true;
  else {
    const data = await get(`/data/curve?of=${encodeURIComponent(of)}`);
    chart(place, { unit: "Ω", logY: true, sets: [ofCurve("impedance", data)] });
  }
  const heard = await get(`/data/recording?of=${encodeURIComponent(of)}`);
  const step = heard.t[1] - heard.t[0];
  const begins = heard.full.filter((x, k) => !k || x - heard.full[k - 1] > 2.5 * step);
  const lines = begins.slice(0, 20).map((x, k) => ({ x, words: k ? "" : "full scale" }));
  for (const event of heard.events.slice(0, 20)) lines.push({ x: event.at, words: event.what });
  chart(document.getElementById("recording"), {
    unit: "peak", x: "s", logX: false, least: 0, lines,
    sets: [{ name: "source", f: heard.t, y: heard.source }, { name: "driver", f: heard.t, y: heard.driver }],
  });
  document.getElementById("places").textContent = [
    heard.full.length ? `Full scale is reached from ${heard.full[0].toFixed(2)} s on.` : "",
    ...heard.events.slice(0, 5).map((one) => `${one.what} at ${one.at.toFixed(2)} s.`),
  ].filter(Boolean).join(" ");
}
kept();
