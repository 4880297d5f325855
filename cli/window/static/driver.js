// The driver page: the fit's curves, and any takes over each other.

import { chart, ofCurve } from "./chart.js";
import { get } from "./window.js";

async function fitted() {
  for (const place of document.querySelectorAll("[data-fit]")) {
    const { curves } = await get(`/data/fit?of=${encodeURIComponent(place.dataset.fit)}`);
    const sets = curves.flatMap((one, k) => [
      { name: one.name, f: one.f, y: one.z, width: 5, tone: k, dash: 0 },
      { name: `${one.name}, fitted`, f: one.f, y: one.model, width: 1.5, ink: true, dash: 0 },
    ]);
    chart(place, { unit: "Ω", logY: true, sets });
  }
}

async function overlaid() {
  const ticked = [...document.querySelectorAll("#overlay input:checked")];
  const sets = await Promise.all(
    ticked.map(async (input) =>
      ofCurve(input.closest("label").textContent.trim(), await get(`/data/curve?of=${encodeURIComponent(input.value)}`))),
  );
  const place = document.getElementById("overlaid");
  if (place) chart(place, { unit: "Ω", logY: true, sets });
}

document.getElementById("overlay")?.addEventListener("change", overlaid);
document.addEventListener("fresh", fitted);
fitted();
overlaid();
