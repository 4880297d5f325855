// Makes the curves of the page explorable. Without it the page is complete as it stands: the
// static picture, which is also what prints, and the table of numbers below it.
(() => {
  "use strict";
  const data = JSON.parse(document.getElementById("curve-data").textContent);
  const place = document.getElementById("explore");
  const still = document.getElementById("still");
  if (typeof uPlot !== "function" || !place) return;

  const DASHES = [[], [9, 3], [3, 2.5], [9, 3, 2.5, 3], [1.5, 2], [15, 3]];
  const shown = { takes: data.curves.map(() => true), model: data.curves.some((c) => c.model), third: true };
  const whole = [
    Math.min(...data.curves.map((c) => c.f[0])),
    Math.max(...data.curves.map((c) => c.f[c.f.length - 1])),
  ];
  let band = whole.slice();

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const dashes = (index) => DASHES[(index + Math.floor(index / 6)) % 6];
  const curveColour = (index) => colour(`--curve-${(index % 6) + 1}`);

  function made(tag, attributes = {}, ...children) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    element.append(...children);
    return element;
  }

  // ---- numbers as people read them -------------------------------------------------------------

  function digits(value, count) {
    if (value === null || value === undefined) return "–";
    if (value === 0) return "0";
    const decimals = Math.max(0, Math.min(6, count - 1 - Math.floor(Math.log10(Math.abs(value)))));
    return value.toFixed(decimals).replace("-", "−");
  }
  const hertz = (f) => (f >= 9999.5 ? `${digits(f / 1000, 4)} kHz` : `${digits(f, 4)} Hz`);
  const tick = (f) => (f >= 1000 ? `${f / 1000}k` : `${f}`);
  const small = (value) => {
    const text = value.toFixed(Math.abs(value) < 9.95 ? 2 : 1);
    return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "−");
  };
  const degrees = (p) => (p === null ? "–" : p.toFixed(1).replace("-", "−"));

  const LADDERS = [[1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 9], [1, 1.5, 2, 3, 5, 7], [1, 2, 5], [1, 3], [1]];

  // Round values for a logarithmic axis: the finest ladder whose rungs stand apart [pixel].
  function marks(low, high, room, apart) {
    for (const ladder of LADDERS) {
      const found = [];
      for (let power = -2; power < 6; power++)
        for (const step of ladder) {
          const value = Number((step * 10 ** power).toPrecision(3));
          if (value >= low && value <= high) found.push(value);
        }
      const place = found.map((value) => (room * Math.log(value / low)) / Math.log(high / low));
      if (found.length > 1 && place.every((x, k) => !k || x - place[k - 1] >= apart)) return found;
    }
    return [low, high].map((value) => Number(value.toPrecision(2)));
  }

  // ---- the three charts ------------------------------------------------------------------------

  const key = uPlot.sync("frequency");
  const charts = [];

  function nearest(u, series, index, value) {
    const ys = u.data[series], xs = u.data[0];
    if (ys[index] !== null && ys[index] !== undefined) return index;
    let before = index, after = index;
    while (before >= 0 && (ys[before] === null || ys[before] === undefined)) before--;
    while (after < ys.length && (ys[after] === null || ys[after] === undefined)) after++;
    if (before < 0) return after < ys.length ? after : null;
    if (after >= ys.length) return before;
    return value / xs[before] < xs[after] / value ? before : after;
  }

  function axis(label, more = {}) {
    return {
      stroke: () => colour("--ink"), grid: { stroke: () => colour("--faint"), width: 1 },
      ticks: { stroke: () => colour("--faint"), width: 1 }, label, labelSize: 20, size: 52, gap: 4,
      font: "12px system-ui, sans-serif", labelFont: "12px system-ui, sans-serif", ...more,
    };
  }

  function chart(name, height, label, tables, series, y, last, bands = []) {
    const box = made("div", { class: "chart", "data-chart": name });
    const joined = tables.length > 1 ? uPlot.join(tables) : tables[0];
    const owners = series.map(({ of, model, edge }) => ({ of, model, edge }));
    const options = {
      width: 600, height, padding: [8, 10, last ? 0 : 2, 0], legend: { show: false }, bands,
      scales: { x: { time: false, distr: 3, range: () => band }, y },
      series: [{}, ...series],
      axes: [
        axis(last ? "frequency, Hz" : undefined, {
          size: last ? 30 : 4, labelSize: last ? 18 : 0, filter: (u, found) => found,
          splits: (u, i, low, high) => marks(low, high, u.width - 70, 36),
          values: (u, found) => found.map((f) => (last ? tick(f) : "")),
        }),
        axis(label, y.distr === 3 ? {
          filter: (u, found) => found,
          splits: (u, i, low, high) => marks(low, high, u.height - 20, 24),
          values: (u, found) => found.map(String),
        } : { space: 18, ...(name === "phase" ? { incrs: [45, 90] } : {}), values: (u, found) => found.map((v) => String(Number(v.toPrecision(6))).replace("-", "−")) }),
      ],
      cursor: {
        sync: { key: key.key }, y: false, drag: { x: true, y: false, setScale: false },
        points: { size: 8 },
        dataIdx: (u, series, index, value) => (owners[series - 1]?.edge ? null : nearest(u, series, index, value)),
      },
      hooks: {
        draw: [(u) => name === "magnitude" && nameMarks(u)],
        setSelect: [(u) => {
          if (u.select.width < 8) return;
          zoom(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
          u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
        }],
      },
    };
    const u = new uPlot(options, joined, box);
    key.sub(u);
    const point = (event) => {
      const frame = u.over.getBoundingClientRect();
      const left = event.clientX - frame.left;
      if (left < 0 || left > frame.width) return;
      // A finger moves the cursor as a mouse does; up and down still scrolls the page.
      if (event.pointerType !== "mouse") u.setCursor({ left, top: event.clientY - frame.top });
      tell(u.posToVal(left, "x"));
    };
    u.over.addEventListener("pointermove", point);
    u.over.addEventListener("pointerdown", point);
    u.over.addEventListener("dblclick", () => zoom(...whole));
    charts.push({ name, u, box, owners });
    return box;
  }

  const line = (index, broad, model = false) => ({
    of: index, model, spanGaps: true, points: { show: false },
    stroke: () => curveColour(index) + (broad ? "80" : ""), width: broad ? 3.2 : 1.4,
    dash: broad ? [] : dashes(index),
  });
  const filled = (value) => value ?? [];

  function magnitudes() {
    const tables = [], series = [];
    data.curves.forEach((c, i) => {
      tables.push([c.f, c.z, ...(c.model ? [c.model] : [])]);
      series.push(c.model ? line(i, true) : { ...line(i, false), width: 2 });
      if (c.model) series.push(line(i, false, true));
    });
    return chart("magnitude", 300, "|Z|, Ω", tables, series,
      { distr: 3, range: (u, low, high) => (low === null ? [1, 100] : [low / 1.35, high * 1.2]) }, false);
  }

  function phases() {
    const tables = [], series = [];
    data.curves.forEach((c, i) => {
      const columns = [c.phase, c.modelPhase].filter(Boolean);
      if (!columns.length) return;
      tables.push([c.f, ...columns]);
      if (c.phase) series.push(c.modelPhase ? line(i, true) : { ...line(i, false), width: 2 });
      if (c.modelPhase) series.push(line(i, false, true));
    });
    if (!tables.length) return null;
    return chart("phase", 140, "phase, °", tables, series,
      { range: (u, low, high) => (low === null ? [-90, 90] : [Math.min(low - 6, -50), Math.max(high + 6, 50)]) }, false);
  }

  function thirds() {
    const tables = [], series = [], bands = [];
    let column = 1;
    data.third.rows.forEach((row) => {
      const reach = filled(row.reach);
      tables.push([row.f, row.value, ...(reach.length ? [reach, reach.map((r) => -r)] : [])]);
      series.push({ ...line(row.curve, false), width: 1.5 });
      if (reach.length) {
        const edge = { ...line(row.curve, false), edge: true, width: 0.5, stroke: () => curveColour(row.curve) + "90" };
        series.push(edge, edge);
        bands.push({ series: [column + 1, column + 2], fill: () => curveColour(row.curve) + "30" });
      }
      column += reach.length ? 3 : 1;
    });
    if (!tables.length) return null;
    const limit = (low, high) => 1.15 * Math.max(Math.abs(low), Math.abs(high), data.third.least);
    return chart("third", 150, data.third.label, tables, series,
      { range: (u, low, high) => (low === null ? [-1, 1] : [-limit(low, high), limit(low, high)]) }, true, bands);
  }

  // ---- points with a name ----------------------------------------------------------------------

  const named = data.marks.map((m) => ({ ...m, element: made("span", { class: "mark-name" }, m.text), dot: made("i") }));

  // Beside its point, where it covers no other name and stays inside.
  function nameMarks(u) {
    const taken = [], wide = u.over.clientWidth, high = u.over.clientHeight;
    for (const m of named) {
      const x = u.valToPos(m.f, "x"), y = u.valToPos(m.z, "y");
      const seen = shown.takes[m.curve] && x >= -1 && x <= wide + 1 && y >= 0 && y <= high;
      for (const e of [m.element, m.dot]) { if (!e.parentElement) u.over.append(e); e.hidden = !seen; }
      if (!seen) continue;
      m.dot.className = "mark-dot";
      m.dot.style.cssText = `left:${x}px;top:${y}px;background:${colour("--ink")}`;
      const w = m.element.offsetWidth, h = m.element.offsetHeight;
      // Above a point, or below it where the curve rises on both sides.
      const ups = (far) => (m.name === "least" ? [far / 3, -h - far / 3] : [-h - far / 3, far / 3]);
      const places = [8, 18, 34, 56].flatMap((far) => ups(far).flatMap((up) => [x + far, x - w - far, x - w / 2].map((a) => [a, y + up])));
      const free = ([a, b]) => a >= 0 && a + w <= wide && b >= 0 && b + h <= high
        && taken.every((t) => a + w < t[0] || a > t[0] + t[2] || b + h < t[1] || b > t[1] + t[3]);
      const found = places.find(free);
      m.element.hidden = !found;
      if (!found) continue;
      taken.push([...found, w, h]);
      m.element.style.cssText = `left:${found[0]}px;top:${found[1]}px`;
    }
  }

  // ---- reading ---------------------------------------------------------------------------------

  function at(curve, frequency) {
    const f = curve.f;
    let low = 0, high = f.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (f[middle] < frequency) low = middle; else high = middle;
    }
    return frequency / f[low] < f[high] / frequency ? low : high;
  }

  let place_hz = null;
  const rows = [];

  function tell(frequency) {
    place_hz = frequency;
    const spoken = [];
    data.curves.forEach((c, i) => {
      const k = at(c, frequency);
      const inside = frequency >= c.f[0] / 1.05 && frequency <= c.f[c.f.length - 1] * 1.05;
      const third = data.third.rows.find((row) => row.curve === i);
      const values = inside
        ? [hertz(c.f[k]), digits(c.z[k], 4), c.phase ? degrees(c.phase[k]) : "–",
           c.model ? digits(c.model[k], 4) : "–",
           third ? small(third.value[at(third, frequency)]) : "–",
           third && third.reach ? small(third.reach[at(third, frequency)]) : "–"]
        : ["–", "–", "–", "–", "–", "–"];
      rows[i].forEach((cell, column) => { cell.textContent = values[column]; });
      if (shown.takes[i] && inside)
        spoken.push(`${c.name}: ${values[1]} ohm${c.phase ? `, phase ${values[2]} degrees` : ""}`);
    });
    view.setAttribute("aria-valuenow", String(Number(frequency.toPrecision(4))));
    view.setAttribute("aria-valuetext", `${hertz(frequency)}. ${spoken.join("; ")}`);
  }

  function go(frequency) {
    const f = Math.min(Math.max(frequency, whole[0]), whole[1]);
    if (f < band[0] || f > band[1]) {
      const half = Math.sqrt(band[1] / band[0]);
      zoom(f / half, f * half);
    }
    tell(f);
    mark();
  }

  function mark() {
    if (place_hz === null) return;
    for (const { u } of charts) u.setCursor({ left: u.valToPos(place_hz, "x"), top: 10 }, false);
  }

  function step(by) {
    const reference = data.curves[shown.takes.indexOf(true)] ?? data.curves[0];
    const f = reference.f;
    const k = place_hz === null ? peak(reference) : at(reference, place_hz) + by;
    go(f[Math.min(Math.max(k, 0), f.length - 1)]);
  }

  // The highest point of the lower half of the curve: above it the coil's inductance may be higher.
  function peak(c) {
    let best = 0;
    c.z.forEach((z, k) => { if (c.f[k] < 2000 && z > c.z[best]) best = k; });
    return best;
  }

  function zoom(low, high) {
    if (!(high / low > 1.05)) return;
    band = [Math.max(low, whole[0]), Math.min(high, whole[1])];
    for (const { u } of charts) u.setScale("x", { min: band[0], max: band[1] });
    setTimeout(mark); // once the new scales hold
  }
  function closer(factor) {
    const middle = place_hz !== null && place_hz >= band[0] && place_hz <= band[1]
      ? place_hz : Math.sqrt(band[0] * band[1]);
    zoom(middle * (band[0] / middle) ** factor, middle * (band[1] / middle) ** factor);
  }

  function keys(event) {
    const octave = event.shiftKey ? 3 : 1 / 3;
    const here = place_hz ?? data.curves[0].f[peak(data.curves[0])];
    const does = {
      ArrowLeft: () => (event.shiftKey ? go(here * 2 ** -octave) : step(-1)),
      ArrowRight: () => (event.shiftKey ? go(here * 2 ** octave) : step(1)),
      ArrowDown: () => go(here / 1.12), ArrowUp: () => go(here * 1.12),
      PageDown: () => go(here / 2), PageUp: () => go(here * 2),
      Home: () => go(whole[0]), End: () => go(whole[1]),
      "+": () => closer(0.6), "=": () => closer(0.6), "-": () => closer(1 / 0.6), 0: () => zoom(...whole),
    }[event.key];
    if (!does || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    does();
  }

  // ---- switches --------------------------------------------------------------------------------

  function apply() {
    for (const { name, u, box, owners } of charts) {
      owners.forEach(({ of, model }, index) =>
        u.setSeries(index + 1, { show: shown.takes[of] && (!model || shown.model) }, false));
      if (name === "third") box.hidden = !shown.third;
    }
    rows.forEach((row, i) => { row[0].parentElement.hidden = !shown.takes[i]; });
  }

  // A piece of the curve itself: who cannot tell the colours tells the dashes.
  function swatch(index) {
    const stroke = `var(--curve-${(index % 6) + 1})`;
    let at = 0;
    const pieces = dashes(index).map((length, k) => `${k % 2 ? "transparent" : stroke} ${at}px ${(at += length)}px`);
    const drawn = pieces.length ? `repeating-linear-gradient(90deg, ${pieces.join(", ")})` : stroke;
    return made("span", { class: "swatch", style: `--swatch: ${drawn}` });
  }
  function box(text, checked, change, index) {
    const input = made("input", { type: "checkbox" });
    input.checked = checked;
    input.addEventListener("change", () => { change(input.checked); apply(); });
    const label = made("label", {}, input);
    if (index !== undefined) label.append(swatch(index));
    label.append(text);
    return label;
  }
  function button(text, spoken, does) {
    const element = made("button", { type: "button", "aria-label": spoken }, text);
    element.addEventListener("click", does);
    return element;
  }

  const switches = made("div", { class: "switches", role: "group", "aria-label": "What to show" });
  data.curves.forEach((c, i) => switches.append(box(c.name, true, (on) => { shown.takes[i] = on; }, i)));
  if (shown.model) switches.append(box("model (thin)", true, (on) => { shown.model = on; }));
  if (data.third.rows.length) switches.append(box(data.third.name, true, (on) => { shown.third = on; }));
  switches.append(made("span", { class: "zoom" },
    button("+", "Closer", () => closer(0.6)), button("−", "Wider", () => closer(1 / 0.6)),
    button("whole band", "Whole band", () => zoom(...whole))));

  const view = made("div", {
    class: "view", id: "curve-view", tabindex: "0", role: "slider", "aria-label": "Frequency at which the curves are read",
    "aria-valuemin": String(whole[0]), "aria-valuemax": String(whole[1]), "aria-orientation": "horizontal",
    "aria-describedby": "curve-keys",
  });
  view.addEventListener("keydown", keys);
  view.append(...[magnitudes(), phases(), thirds()].filter(Boolean));

  const reach = data.third.rows.some((row) => row.reach);
  const columns = ["at", "|Z|, Ω", "phase, °", ...(shown.model ? ["model, Ω"] : []), data.third.label, ...(reach ? ["± 95 %, Ω"] : [])];
  const head = made("tr", {}, made("th", { scope: "col" }, data.what));
  columns.forEach((text) => head.append(made("th", { scope: "col", class: text === "model, Ω" ? "n wide" : "n" }, text)));
  const body = made("tbody");
  data.curves.forEach((c, i) => {
    const cells = Array.from({ length: 6 }, () => made("td", { class: "n" }));
    cells[3].className = "n wide";
    rows.push(cells);
    const wanted = cells.filter((cell, k) => (k !== 3 || shown.model) && (k !== 5 || reach));
    body.append(made("tr", {},
      made("th", { scope: "row" }, swatch(i), c.name),
      ...wanted));
  });
  const readout = made("div", { class: "scroll" },
    made("table", { class: "readout", id: "readout" }, made("thead", {}, head), body));

  place.append(switches, view, readout, made("p", { class: "hint", id: "curve-keys" },
    "Point at a curve to read it; drag across to zoom, double click for the whole band. Keys: ← → next point, "
    + "↑ ↓ a sixth of an octave, page keys an octave, + − zoom, 0 whole band."));
  place.hidden = false;
  document.documentElement.classList.add("lively");

  function fit() {
    const width = Math.max(280, view.clientWidth);
    const short = width < 500;
    for (const { name, u } of charts)
      u.setSize({ width, height: { magnitude: short ? 250 : 320, phase: short ? 110 : 140, third: short ? 130 : 150 }[name] });
    setTimeout(mark);
  }
  new ResizeObserver(fit).observe(view);
  fit();
  apply();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => charts.forEach(({ u }) => u.redraw(false)));
  setTimeout(() => step(0));
  still.setAttribute("data-replaced", "");
})();
