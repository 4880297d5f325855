// What every page has: the strip of the bench, forms that ask for a command, cautions before it
// sounds, and parts of the page that are fetched anew when the folder has changed.

const $ = (id) => document.getElementById(id);

export function made(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

export async function post(address, content) {
  const answer = await fetch(address, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(content),
  });
  return { status: answer.status, said: await answer.json().catch(() => ({})) };
}

export async function get(address) {
  const answer = await fetch(address);
  const said = await answer.json();
  if (!answer.ok) throw new Error(inWords(said.fault));
  return said;
}

export function inWords(fault) {
  if (!fault) return "The window does not answer. Is 'freeair open' still running?";
  const head = fault.where ? `${fault.where}: ${fault.what}` : fault.what;
  return [head, fault.remedy].filter(Boolean).join("\n");
}

// ---- the strip -----------------------------------------------------------------------------------

const FLOOR_DB = -60;
let begun = null;
let seen = null;
let latest = null;

function width(level) {
  if (!(level > 0)) return 0;
  return Math.max(0, Math.min(100, 100 * (1 - (20 * Math.log10(level)) / FLOOR_DB)));
}

function show(job) {
  const busy = job !== null && job.status === null;
  $("strip").classList.toggle("busy", busy);
  $("stop").hidden = !busy || !job.playing;
  $("stop").disabled = job?.state === "stopping";
  $("meters").hidden = !busy || !job.playing;
  $("typed").hidden = job === null;
  if (job) $("typed").querySelector("code").textContent = job.command;
  $("doing").textContent = doing(job, busy);
  if (busy && job.playing)
    document.querySelectorAll(".meter").forEach((meter, k) => {
      meter.querySelector(".level").setAttribute("width", width(job.playing.level[k]));
      meter.querySelector(".peak").setAttribute("x", Math.max(0, width(job.playing.peak[k]) - 1.2));
      meter.querySelector(".word").textContent = job.playing.words[k];
    });
}

function doing(job, busy) {
  if (!job) return "The bench is quiet.";
  if (!busy) return `${job.title}: ${job.status === 0 ? "done." : "ended with a refusal or a fault."}`;
  if (job.state === "stopping") return "Stopping, keeping what was recorded.";
  if (!job.playing) return `${job.title}: working.`;
  return `${job.playing.what}, ${Math.ceil(job.playing.left_s)} s left`;
}

function live() {
  const events = new EventSource("/live");
  events.addEventListener("job", (event) => {
    const job = JSON.parse(event.data);
    latest = job;
    show(job);
    if (job && job.status !== null) lastSaid(job, false);
    document.dispatchEvent(new CustomEvent("job", { detail: job }));
    if (job && job.status !== null && seen === job.number) {
      seen = null;
      ended(job);
    } else if (job && job.status === null) seen = job.number;
    else if (job && begun === job.number) ended(job);
  });
  events.addEventListener("curve", (event) =>
    document.dispatchEvent(new CustomEvent("curve", { detail: JSON.parse(event.data) })));
  events.onerror = () => {
    if (events.readyState === EventSource.CLOSED) $("doing").textContent = inWords(null);
  };
  return events;
}

// A browser keeps six connections to one place: windows out of sight give theirs back.
let events = live();
document.addEventListener("visibilitychange", () => {
  if (document.hidden) events.close();
  else if (events.readyState === EventSource.CLOSED) events = live();
});
addEventListener("pagehide", () => events.close());
addEventListener("pageshow", () => {
  if (events.readyState === EventSource.CLOSED) events = live();
});

async function ended(job) {
  const mine = begun === job.number;
  begun = null;
  document.dispatchEvent(new CustomEvent("ended", { detail: { job, mine } }));
  await refresh();
  if (mine) lastSaid(job, true);
}

// What the last command said stays on the page of its form: after a reload, in every window.
let saidOf = null;
function lastSaid(job, mine) {
  const said = $("said");
  const here = mine || document.querySelector(`form[data-action="${job.name}"]`);
  if (!said || !here || saidOf === job.number || !job.said.trim()) return;
  const shown = job.status === 0 || job.left.startsWith("takes/"); // by the page itself
  if (!mine && shown && ["take", "rig-new", "fit", "import"].includes(job.name)) return;
  saidOf = job.number;
  said.replaceChildren(...job.parts.map((one) => (typeof one === "string" ? prose(one) : table(one))));
  said.hidden = false;
  if (mine) said.scrollIntoView({ block: "nearest" });
}

// What commands print: lines set in belong to the line above; a table is one.
function prose(text) {
  return made("div", { class: "lines" }, ...text.replace(/\n{3,}/g, "\n\n").trim().split("\n").map((line) => {
    const depth = line.length - line.trimStart().length;
    return made("p", { class: `in-${Math.min(3, Math.ceil(depth / 2))}` }, line.trim());
  }));
}

function table({ heads, right, rows }) {
  const cell = (tag, text, k, more = {}) => made(tag, { ...more, ...(right[k] && { class: "n" }) }, text);
  const head = made("thead", {}, made("tr", {}, ...heads.map((text, k) => cell(text ? "th" : "td", text, k, text ? { scope: "col" } : {}))));
  const body = rows.map((row) => made("tr", {}, ...row.map((text, k) => (k ? cell("td", text, k) : cell("th", text, k, { scope: "row" })))));
  const whole = made("table", {}, ...(heads.some(Boolean) ? [head] : []), made("tbody", {}, ...body));
  return made("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Table of results" }, whole);
}

export async function refresh() {
  if (!document.querySelector("[data-fresh]")) return;
  const text = await (await fetch(location.href)).text();
  const fresh = new DOMParser().parseFromString(text, "text/html");
  for (const old of document.querySelectorAll("[data-fresh]")) {
    const now = fresh.getElementById(old.id);
    if (now && now.innerHTML !== old.innerHTML) old.innerHTML = now.innerHTML;
  }
  document.dispatchEvent(new CustomEvent("fresh"));
}

$("stop").addEventListener("click", () => post("/stop", {}));

// ---- forms ---------------------------------------------------------------------------------------

function fields(form) {
  const said = {};
  for (const input of form.querySelectorAll("input[name], select[name]")) {
    const sort = input.dataset.sort;
    if (sort === "yes") {
      if (input.checked) said[input.name] = true;
    } else if (sort === "files") {
      if (input.checked) (said[input.name] ??= []).push(input.value);
    } else if (input.value.trim()) said[input.name] = (input.dataset.prefix ?? "") + input.value.trim();
  }
  return said;
}

export const caution = (one) =>
  made("div", { class: one.asks ? "caution asks" : "caution" }, made("h3", {}, one.title), made("p", {}, one.text));

function read(cautions) {
  $("caution-list").replaceChildren(...cautions.map(caution));
  const dialog = $("cautions");
  dialog.returnValue = "no";
  dialog.showModal();
  return new Promise((done) =>
    dialog.addEventListener("close", () => done(dialog.returnValue === "yes"), { once: true }));
}

export async function ask(action, said, answer) {
  answer.textContent = "";
  let titles = [];
  for (;;) {
    const { status, said: got } = await post(`/do/${action}`, { fields: said, read: titles }).catch(() => ({ status: 0, said: {} }));
    if (status === 202) {
      begun = got.number;
      if (latest?.number === begun && latest.status !== null) ended(latest); // it was quicker than its answer
      return true;
    }
    if (!got.cautions) {
      answer.textContent = inWords(got.fault);
      return false;
    }
    if (!(await read(got.cautions))) {
      answer.textContent = "Nothing was played.";
      return false;
    }
    titles = [...titles, ...got.cautions.map((one) => one.title)];
  }
}

document.addEventListener("submit", async (event) => {
  const form = event.target.closest("form[data-action]");
  if (!form) return;
  event.preventDefault();
  const button = form.querySelector("button[type=submit]");
  button.disabled = true;
  const said = $("said");
  if (said) said.hidden = true;
  await ask(form.dataset.action, fields(form), form.querySelector(".answer"));
  button.disabled = false;
});
