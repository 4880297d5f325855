// The take page: the curve while it grows, then the take as it was kept.

import { chart, ofCurve } from "./chart.js";
import { get, made } from "./window.js";

const seen = document.getElementById("seen");
const place = document.getElementById("curve");
const found = document.getElementById("live");
const form = document.getElementById("again");
let watching = false;

document.addEventListener("job", ({ detail: job }) => {
  if (!job || job.name !== "take" || job.status !== null) return;
  watching = true;
  seen.hidden = false;
  if (job.playing) form?.toggleAttribute("hidden", true); // the curve takes its place
  const told = JSON.stringify(job.live);
  if (found.dataset.told === told) return;
  found.dataset.told = told;
  found.replaceChildren(...job.live.map((one) => made("li", { class: one.refuses ? "outside" : "undecided" }, one.text)));
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
  else {
    seen.hidden = !place.plot;
    form?.toggleAttribute("hidden", false);
  }
});

async function kept() {
  const of = seen.dataset.of;
  if (!of) return;
  const { curve, hertz, recording } = await get(`/data/take?of=${encodeURIComponent(of)}`);
  const refused = Boolean(seen.dataset.refused);
  place.closest("figure").hidden = !curve;
  if (curve)
    chart(place, {
      unit: "Ω", logY: true, lines: hertz.map((one) => ({ x: one.at, words: one.what })),
      sets: [ofCurve(refused ? "as it grew, refused" : "impedance", curve, refused ? { width: 1, dash: 1 } : {})],
    });
  const step = recording.t[1] - recording.t[0];
  const begins = recording.full.filter((x, k) => !k || x - recording.full[k - 1] > 2.5 * step);
  const lines = begins.slice(0, 20).map((x, k) => ({ x, words: k ? "" : "full scale" }));
  for (const one of recording.marks.slice(0, 20)) lines.push({ x: one.at, words: one.what });
  chart(document.getElementById("recording"), {
    unit: "peak", x: "s", logX: false, least: 0, lines,
    sets: [{ name: "source", f: recording.t, y: recording.source }, { name: "driver", f: recording.t, y: recording.driver }],
  });
  document.getElementById("places").textContent = [
    recording.full.length ? `Full scale is reached from ${recording.full[0].toFixed(2)} s on.` : "",
    ...recording.marks.slice(0, 5).map((one) => `${one.what[0].toUpperCase()}${one.what.slice(1)} at ${one.at.toFixed(2)} s.`),
  ].filter(Boolean).join(" ");
}
kept();
