// Curves over frequency, on the plotting library: logarithmic axes, bands, a readout under the pointer.

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const tick = (f) => (f >= 1000 ? `${f / 1000}k` : `${f}`);
const DASHES = [[], [9, 4], [3, 3], [9, 3, 2, 3], [14, 3]];
const AXES = { Hz: "frequency, Hz", s: "time, s" };
const STEPS = [[1, 2, 3, 5, 7], [1, 2, 5], [1, 3], [1]];

export function digits(value, count = 4) {
  if (value === null || value === undefined || Number.isNaN(value)) return "–";
  if (value === 0) return "0";
  const decimals = Math.max(0, Math.min(6, count - 1 - Math.floor(Math.log10(Math.abs(value)))));
  return value.toFixed(decimals).replace("-", "−");
}

function rungs(low, high, room, apart) {
  if (!(low > 0) || !(high > low)) return [low, high];
  for (const steps of STEPS) {
    const found = [];
    for (let power = Math.floor(Math.log10(low)); power <= Math.log10(high); power++)
      for (const step of steps) {
        const value = Number((step * 10 ** power).toPrecision(3));
        if (value >= low * 0.999 && value <= high * 1.001) found.push(value);
      }
    const gap = (k) => (room * Math.log(found[k] / found[k - 1])) / Math.log(high / low);
    if (found.length > 1 && found.every((_, k) => !k || gap(k) >= apart)) return found;
  }
  return [low, high];
}

// sets: [{name, f, y, low?, high?, dash?, width?, tone?}]; every set has frequencies of its own.
export function chart(place, { unit, sets, logY = false, x = "Hz", logX = true, lines = [], least = null }) {
  if (place.plot) place.plot.destroy();
  place.replaceChildren();
  const drawn = sets.filter((one) => one.f.length > 1);
  if (!drawn.length) return;
  const tables = drawn.map((one) => [one.f, one.y, ...(one.low ? [one.low, one.high] : [])]);
  const data = uPlot.join(tables);
  const series = [{ label: x, value: (_, v) => (v === null ? "–" : `${digits(v)} ${x}`) }];
  const bands = [];
  drawn.forEach((one, k) => {
    const stroke = one.ink ? colour("--ink") : colour(`--curve-${((one.tone ?? k) % 5) + 1}`);
    series.push({
      label: one.name, stroke, width: one.width ?? 2, dash: DASHES[(one.dash ?? k + Math.floor(k / 5)) % 5], spanGaps: true,
      points: { show: false }, value: (_, v) => (v === null ? "–" : `${digits(v)} ${unit}`),
    });
    if (!one.low) return;
    const at = series.length;
    for (const edge of ["low", "high"])
      series.push({ label: edge, stroke: "transparent", width: 0, spanGaps: true, points: { show: false } });
    bands.push({ series: [at + 1, at], fill: `${stroke}40` });
  });
  const ink = colour("--soft");
  const grid = { stroke: colour("--line"), width: 1 };
  // By the least height, not by the height that a legend of several lines has made.
  const size = () => ({ width: Math.max(240, place.clientWidth), height: Math.max(140, parseFloat(getComputedStyle(place).minHeight) - 46) });
  const axis = (label, log, apart) => ({
    stroke: ink, grid, ticks: grid, label, labelSize: 18, labelFont: "13px system-ui, sans-serif", font: "12px system-ui, sans-serif",
    ...(log && {
      splits: (u, i, low, high) => rungs(low, high, apart === 44 ? u.bbox.width / devicePixelRatio : u.bbox.height / devicePixelRatio, apart),
      values: (_, found) => found.map(tick),
      filter: (_, found) => found,
    }),
  });
  const limits = (values, log) => {
    const flat = values.flat().filter((v) => v !== null && (!log || v > 0));
    let low = Math.min(...flat), high = Math.max(...flat);
    if (log) return [low / 1.08, high * 1.08];
    if (least !== null) low = Math.max(low, least);
    const air = (high - low || Math.abs(high) || 1) * 0.06;
    return [low - air, high + air];
  };
  const xRange = (() => {
    const all = drawn.flatMap((one) => [one.f[0], one.f[one.f.length - 1]]);
    return [Math.min(...all), Math.max(...all)];
  })();
  const yRange = limits(drawn.flatMap((one) => [one.y, ...(one.low ? [one.low, one.high] : [])]), logY);
  place.plot = new uPlot(
    {
      ...size(),
      series, bands,
      scales: {
        x: { time: false, distr: logX ? 3 : 1, range: () => place.xRange ?? xRange },
        y: { distr: logY ? 3 : 1, range: () => yRange },
      },
      axes: [axis(AXES[x] ?? x, logX, 44), { ...axis(place.dataset.axis ?? unit, logY, 26), size: 54 }],
      legend: { live: true, markers: { width: 2 } },
      cursor: { drag: { x: false, y: false }, points: { size: 7 } },
      hooks: { draw: [(u) => marks(u, lines)] },
    },
    data,
    place,
  );
  hideEdges(place, drawn);
  place.setAttribute("role", "img");
  place.setAttribute("aria-label", words(drawn, unit, x));
  if (!place.watched) {
    place.watched = new ResizeObserver(() => place.plot?.setSize(size()));
    place.watched.observe(place);
  }
  return place.plot;
}

// The edges of a band are no curves of their own: no line in the legend.
function hideEdges(place, drawn) {
  const rows = place.querySelectorAll(".u-legend .u-series");
  let at = 1;
  for (const one of drawn) {
    at += 1;
    if (one.low) {
      rows[at].hidden = rows[at + 1].hidden = true;
      rows[at].classList.add("away");
      rows[at + 1].classList.add("away");
      at += 2;
    }
  }
}

function marks(u, lines) {
  const ends = []; // of the words so far, row by row: none is written over another
  for (const line of lines) {
    const along = line.x !== undefined;
    const at = u.valToPos(along ? line.x : line.y, along ? "x" : "y", true);
    const { left, top, width, height } = u.bbox;
    if (along ? at < left || at > left + width : at < top || at > top + height) continue;
    u.ctx.save();
    u.ctx.strokeStyle = u.ctx.fillStyle = colour(line.tone ?? "--outside");
    u.ctx.lineWidth = devicePixelRatio * 1.5;
    u.ctx.setLineDash([5 * devicePixelRatio, 4 * devicePixelRatio]);
    u.ctx.beginPath();
    u.ctx.moveTo(along ? at : left, along ? top : at);
    u.ctx.lineTo(along ? at : left + width, along ? top + height : at);
    u.ctx.stroke();
    if (line.words) {
      u.ctx.textAlign = "left";
      u.ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
      const begin = (along ? at : left) + 5 * devicePixelRatio;
      const free = ends.findIndex((end) => end < begin);
      const row = along ? (free < 0 ? ends.length : free) : 0;
      if (along) ends[row] = begin + u.ctx.measureText(line.words).width;
      u.ctx.fillText(line.words, begin, along ? top + 14 * (row + 1) * devicePixelRatio : at - 5 * devicePixelRatio);
    }
    u.ctx.restore();
  }
}

function words(drawn, unit, x) {
  return drawn
    .map((one) => {
      const known = one.y.map((v, k) => [v, one.f[k]]).filter(([v]) => v !== null);
      const [most, at] = known.reduce((a, b) => (b[0] > a[0] ? b : a));
      return `${one.name}: at most ${digits(most)} ${unit} at ${digits(at)} ${x}`;
    })
    .join("; ");
}

export const ofCurve = (name, data, more = {}) => ({ name, f: data.f, y: data.z, low: data.low, high: data.high, ...more });
