// Sliders: every move asks anew, one question at a time, the last one wins.

import { chart, digits } from "./chart.js";
import { ask, caution, inWords, made, post } from "./window.js";

function value(input) {
  if (input.dataset.low) {
    const [low, high] = [Number(input.dataset.low), Number(input.dataset.high)];
    return Number((low * (high / low) ** (Number(input.value) / 1000)).toPrecision(4));
  }
  return Number(input.value);
}

function place(input) {
  if (!input.dataset.low) return;
  const [low, high] = [Number(input.dataset.low), Number(input.dataset.high)];
  const at = Math.min(high, Math.max(low, Number(input.dataset.value)));
  input.value = Math.round((1000 * Math.log(at / low)) / Math.log(high / low));
}

let planned = {};
const parts = new Map(); // what was dragged away from the textbook, by branch and name

// What the sliders say stands in the address: loading it again, or going back to it, keeps all.
const kept = new URLSearchParams(location.search);
const knobs = [...document.querySelectorAll(".knobs [id]")].filter((one) => one.matches("input, select"));

function restore() {
  for (const [key, value] of Object.entries(JSON.parse(kept.get("parts") ?? "{}"))) parts.set(key, value);
  for (const one of knobs)
    if (kept.has(one.id)) one[one.type === "checkbox" ? "checked" : "value"] = one.type === "checkbox" ? kept.get(one.id) === "yes" : kept.get(one.id);
}

let soon = 0;
function keep() {
  clearTimeout(soon);
  soon = setTimeout(() => {
    for (const one of knobs) kept.set(one.id, one.type === "checkbox" ? (one.checked ? "yes" : "") : one.value);
    kept.set("parts", JSON.stringify(Object.fromEntries(parts)));
    history.replaceState(null, "", `?${kept}${location.hash}`);
  }, 300);
}

function said(section) {
  const found = section.id === "network" ? { parts: Object.fromEntries(parts), stock: "" } : {};
  for (const input of section.querySelectorAll(".knobs [name]:not([name=''])")) {
    if (input.type === "range") found[input.name] = value(input);
    else if (input.type === "checkbox") found[input.name] = input.checked;
    else found[input.name] = input.value;
  }
  return found;
}

function tell(section) {
  for (const input of section.querySelectorAll("input[type=range][name]")) {
    const number = Number(input.step) >= 1 && !input.dataset.low ? String(value(input)) : digits(value(input), 3);
    const text = `${number} ${input.dataset.unit}`.trim();
    input.closest(".slider").querySelector("output").textContent = text;
    input.setAttribute("aria-valuetext", text);
  }
  const vented = section.querySelector("[name=vented]");
  if (vented) for (const one of section.querySelectorAll("[data-with=vented]")) one.hidden = !vented.checked;
}

const set = (name, f, band, more = {}) => ({ name, f, y: band.y, low: band.low, high: band.high, ...more });

// A slider for each part, over a factor of eight either way of where it stood first.
function partSliders(found) {
  const place = document.getElementById("net-sliders");
  const keys = found.map((one) => `${one.branch} ${one.name}`);
  if (place.dataset.keys !== keys.join()) {
    place.dataset.keys = keys.join();
    for (const key of [...parts.keys()]) if (!keys.includes(key)) parts.delete(key);
    place.replaceChildren(...found.map((one, k) => {
      const input = made("input", { type: "range", id: `net-part-${k}`, min: "-300", max: "300", step: "1", "data-part": keys[k] });
      input.first = parts.get(keys[k]) ?? one.si;
      input.value = "0";
      return made("div", { class: "slider" }, made("label", { for: input.id }, keys[k]), made("output", { for: input.id }), input);
    }));
  }
  found.forEach((one, k) => {
    const input = document.getElementById(`net-part-${k}`);
    if (!parts.has(keys[k])) {
      input.first = one.si;
      input.value = "0";
    }
    input.setAttribute("aria-valuetext", one.value);
    input.closest(".slider").querySelector("output").textContent = one.value;
  });
}

document.getElementById("net-sliders")?.addEventListener("input", ({ target }) => {
  parts.set(target.dataset.part, Number((target.first * 8 ** (Number(target.value) / 300)).toPrecision(4)));
});
document.getElementById("net-back")?.addEventListener("click", () => {
  parts.clear();
  document.getElementById("net-corner").dispatchEvent(new Event("input", { bubbles: true }));
});
document.getElementById("net-keep")?.addEventListener("click", async () => {
  const { status, said: got } = await post("/keep/network", said(document.getElementById("network")));
  document.getElementById("net-kept").textContent = status === 200 ? `Kept as ${got.kept}. As a command: ${got.command}` : inWords(got.fault);
});

// Pressure and height of the place move each other (ISO 2533, standard atmosphere).
const [air, height] = ["box-pressure", "box-height"].map((id) => document.getElementById(id));
height?.addEventListener("input", () => (air.value = Math.round(1013.25 * (1 - 2.25577e-5 * height.value) ** 5.25588)));
air?.addEventListener("input", () => (height.value = (1 - (air.value / 1013.25) ** (1 / 5.25588)) / 2.25577e-5));

const SHOW = {
  box(section, got) {
    section.querySelector(".values-line").textContent = got.values.join(" · ");
    for (const place of section.querySelectorAll("[data-curve]")) {
      const band = got.curves[place.dataset.curve];
      place.closest("figure").hidden = !band;
      if (!band) continue;
      const span = Number(place.dataset.span);
      const lines = place.dataset.curve === "excursion" && said(section).xmax_mm > 0 ? [{ y: said(section).xmax_mm, words: "taken" }] : [];
      chart(place, {
        unit: place.dataset.unit, logY: place.dataset.log === "yes", lines,
        least: span ? Math.max(...band.y) - span : null, sets: [set(place.dataset.curve, got.f, band)],
      });
    }
    planned = got.fields;
  },
  network(section, got) {
    const { ohm, off, hz, tolerated, verdict } = got.least;
    const line = section.querySelector(".values-line");
    line.textContent = [
      ...got.crossings.map((at) => `crosses at ${at} Hz`),
      `least load ${digits(ohm, 3)} ± ${digits(off, 2)} Ω at ${digits(hz, 3)} Hz${verdict && `: ${verdict}`}`,
    ].join(" · ");
    line.className = `values-line ${verdict === "inside" ? "" : verdict}`;
    section.querySelector(".cautions").replaceChildren(...got.cautions.map(caution));
    chart(document.getElementById("net-levels"), {
      unit: "dB", least: -50, sets: Object.entries(got.levels).map(([name, band], k) => set(name, got.f, band, { tone: k })),
    });
    chart(document.getElementById("net-load"), {
      unit: "Ω", logY: true, sets: [set("load", got.f, got.load)], lines: tolerated > 0 ? [{ y: tolerated, words: "least" }] : [],
    });
    document.getElementById("net-parts").replaceChildren(
      ...got.parts.map((one) => made("tr", {}, made("th", { scope: "row" }, `${one.branch} ${one.name}`), made("td", {}, one.place), made("td", {}, one.value), made("td", {}, one.heat), made("td", {}, one.at_hand || "–"))));
    partSliders(got.parts);
  },
  coil(section, got) {
    section.querySelector(".values-line").textContent = got.coil.join("; ");
    document.getElementById("coil-rows").replaceChildren(
      ...got.rows.map((one) => {
        const head = made("th", { scope: "row" }, `${one.symbol} `, made("small", {}, one.words));
        return made("tr", {}, head, made("td", { class: "n" }, one.now), made("td", { class: "n" }, one.then));
      }));
  },
};

document.querySelectorAll("input[type=range][name]").forEach(place);
restore();

for (const section of document.querySelectorAll("section[data-way]")) {
  let busy = false;
  let again = false;
  const look = async () => {
    tell(section);
    if (busy) {
      again = true;
      return;
    }
    busy = true;
    do {
      again = false;
      const { status, said: got } = await post(`/what-if/${section.dataset.way}`, said(section)).catch(() => ({ status: 0, said: {} }));
      const answer = section.querySelector(".seen > .answer");
      if (status === 200) {
        answer.textContent = "";
        section.querySelector(".command").textContent = got.command;
        section.querySelector(".findings").replaceChildren(
          ...got.findings.map((one) => made("li", { class: "undecided" }, one.text)));
        SHOW[section.dataset.way](section, got);
        section.dataset.drawn = String(Number(section.dataset.drawn ?? 0) + 1);
      } else answer.textContent = inWords(got.fault);
    } while (again);
    busy = false;
  };
  section.querySelector(".knobs").addEventListener("input", look);
  section.querySelector(".knobs").addEventListener("input", keep);
  look();
}

// Keeping a box as a plan is the command itself, with what the sliders said last.
const plan = document.querySelector("form[data-action=box-plan]");
plan?.addEventListener("submit", (event) => {
  event.preventDefault();
  event.stopPropagation();
  ask("box-plan", planned, plan.querySelector(".answer"));
});
