// The driver page: the fit's curves, and any takes over each other.

import { chart, digits, ofCurve } from "./chart.js";
import { get, inWords, post } from "./window.js";

async function fitted() {
  for (const place of document.querySelectorAll("[data-fit]")) {
    const { curves } = await get(`/data/fit?of=${encodeURIComponent(place.dataset.fit)}`);
    const sets = curves.flatMap((one, k) => [
      { name: one.name, f: one.f, y: one.z, width: 5, tone: k, dash: 0 },
      { name: `${one.name}, fitted`, f: one.f, y: one.model, width: 1.5, ink: true, dash: k },
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
  if (!place) return;
  place.closest("figure").hidden = !sets.length;
  chart(place, { unit: "Ω", logY: true, sets });
}

document.getElementById("overlay")?.addEventListener("change", overlaid);
document.addEventListener("fresh", fitted);
fitted();
overlaid();

// ---- targets as bands ------------------------------------------------------------------------------

const limits = (band) => [...band.querySelectorAll("input[type=range]")];

function drawBand(band) {
  const { first, last, from, to, unit } = band.dataset;
  const [low, high] = limits(band).map((one) => Number(one.value));
  const at = (value) => `${Math.max(0, Math.min(100, (100 * (value - first)) / (last - first)))}%`;
  const span = (part, begin, end) => {
    part.style.setProperty("--from", at(begin));
    part.style.setProperty("--to", at(end));
  };
  span(band.querySelector(".fill"), low, high);
  span(band.querySelector(".found"), Number(from), Number(to));
  const word = from >= low && to <= high ? "inside" : from > high || to < low ? "outside" : "undecided";
  const said = band.querySelector("output");
  said.textContent = `${digits(low)} … ${digits(high)}${unit && ` ${unit}`}: ${word}`;
  said.className = word;
}

function bandMoved(input) {
  const band = input.closest(".band");
  const [low, high] = limits(band);
  if (Number(low.value) > Number(high.value)) (input === low ? high : low).value = input.value;
  band.querySelector("input[type=checkbox]").checked = true;
  drawBand(band);
}

function bandDragged(event) {
  const fill = event.target.closest(".fill");
  if (!fill) return;
  const band = fill.closest(".band");
  const ends = limits(band);
  const per = (band.dataset.last - band.dataset.first) / fill.parentElement.clientWidth;
  const [start, held] = [event.clientX, ends.map((one) => Number(one.value))];
  fill.setPointerCapture(event.pointerId);
  fill.onpointermove = (move) => {
    ends.forEach((one, k) => (one.value = held[k] + (move.clientX - start) * per));
    bandMoved(ends[0]);
  };
  fill.onpointerup = fill.onpointercancel = () => (fill.onpointermove = null);
}

async function keepTargets() {
  const section = document.getElementById("targets");
  const bands = {};
  for (const band of section.querySelectorAll(".band"))
    if (band.querySelector("input[type=checkbox]").checked)
      bands[band.dataset.symbolOf] = limits(band).map((one) => Number(one.value));
  const file = document.getElementById("aimed")?.value ?? "";
  const { status, said } = await post("/keep/targets", { file, unit: section.dataset.unit, bands });
  document.getElementById("kept-targets").textContent =
    status === 200 ? `Saved in ${said.kept}. The next fit is judged by them. As a command: ${said.command}` : inWords(said.fault);
  const judge = document.querySelector("#fit [name='--targets']");
  if (status !== 200 || !judge) return;
  if (![...judge.options].some((one) => one.value === said.kept)) judge.append(new Option(said.kept, said.kept));
  judge.value = said.kept;
}

const drawBands = () => document.querySelectorAll(".band").forEach(drawBand);
document.addEventListener("input", ({ target }) => target.type === "range" && target.closest(".band") && bandMoved(target));
document.addEventListener("pointerdown", bandDragged);
document.addEventListener("click", ({ target }) => target.id === "keep-targets" && keepTargets());
document.addEventListener("change", ({ target }) => {
  if (target.id !== "aimed") return;
  const next = new URL(location.href);
  next.searchParams.set("targets", target.value);
  location.assign(next);
});
document.addEventListener("fresh", drawBands);
drawBands();
