// Charts on demand: temperature, cure and moist air along the shop's clock.
import { h, s } from './dom.js';
import { now, trusted } from './state.js';
import { hourLabel, hourOf, shortDay, clock, num, WORD } from './say.js';
import { sleeps } from './strip.js';

let lib = null;

// plot fetches the chart library once, when first needed.
function plot() {
  lib ||= new Promise((ok, bad) => {
    document.head.append(h('link', { rel: 'stylesheet', href: 'vendor/uplot.css' }));
    const tag = h('script', { src: 'vendor/uplot.js' });
    tag.onload = () => ok(window.uPlot);
    tag.onerror = () => { lib = null; bad(new Error('the chart did not come')); };
    document.head.append(tag);
  });
  return lib;
}

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

// hourTicks puts ticks on whole shop hours, or days when the span is long.
function splits(u, i, min, max) {
  const HOUR = 3600, w = (max - min) / HOUR;
  const room = Math.max(3, Math.floor(u.bbox.width / devicePixelRatio / 64));
  const step = [1, 2, 3, 4, 6, 12, 24, 48, 168, 336, 744].find((x) => w / x <= room) || 2160;
  const out = [];
  if (step < 24) {
    for (let t = Math.ceil(min / HOUR) * HOUR; t <= max; t += HOUR) if (hourOf(t * 1000) % step === 0) out.push(t);
  } else {
    let t = Math.ceil(min / HOUR) * HOUR;
    while (t <= max && hourOf(t * 1000) !== 0) t += HOUR;
    for (; t <= max; t += step * HOUR) out.push(t);
  }
  return out;
}
const tick = (t) => {
  const x = t * 1000;
  return hourOf(x) === 0 ? shortDay(x).replace(/ (\w{3})\w*$/, ' $1') : hourLabel(x);
};

// chart draws one figure. series: [{label, ys, color, dash, width, fill, axis,
// say, hide}], xs in ms. opt: {height, bands: [[hi, lo]], marks: [{t, word}],
// gaps: [[a, b]], segments, yUnit, range}. It returns {el, gone}.
export async function chart(box, xs, series, opt = {}) {
  const U = await plot();
  const ink = { graph: css('--graph'), soft: css('--soft'), rule: css('--rule'), ink: css('--ink'), harm: css('--harm'), tone: css('--tone'), wash: css('--wash'), paper: css('--paper') };
  const px = devicePixelRatio;
  const font = '12px ' + css('--sans');
  const under = (u) => {
    const c = u.ctx, { left, top, width, height } = u.bbox;
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    const X = (t) => u.valToPos(t / 1000, 'x', true);
    for (const [a, b] of opt.plain || u.scales.x.max - u.scales.x.min > 8 * 86400 ? [] : sleeps(u.scales.x.min * 1000, u.scales.x.max * 1000)) {
      c.fillStyle = ink.tone;
      c.fillRect(X(a), top, X(b) - X(a), 5 * px);
    }
    for (const g of opt.gaps || []) {
      const a = X(g[0]), b = Math.max(X(g[1]), X(g[0]) + 3 * px);
      c.fillStyle = ink.wash;
      c.fillRect(a, top, b - a, height);
      c.strokeStyle = ink.graph;
      c.lineWidth = px;
      for (const [x, d] of [[a, 1], [b, -1]]) {
        c.beginPath();
        for (let y = top, k = 0; y <= top + height + 8 * px; y += 8 * px, k++) c.lineTo(x + d * (k % 2 ? 3 : 0) * px, y);
        c.stroke();
      }
      if (b - a > 70 * px) {
        c.fillStyle = ink.soft;
        c.font = `${12 * px}px ${css('--sans')}`;
        c.textAlign = 'center';
        c.fillText('no reading', (a + b) / 2, top + 20 * px);
      }
    }
    for (const seg of opt.segments || []) {
      const a = Math.max(left, X(seg.from)), b = Math.min(left + width, X(seg.to));
      if (b <= a) continue;
      c.strokeStyle = ink.rule;
      c.lineWidth = px;
      c.beginPath();
      c.moveTo(a, top);
      c.lineTo(a, top + height);
      c.stroke();
      if (b - a > 38 * px) {
        c.fillStyle = ink.soft;
        c.font = `${12 * px}px ${css('--sans')}`;
        c.textAlign = 'left';
        c.fillText(WORD[seg.state] || seg.state, a + 5 * px, top + height - 7 * px);
      }
    }
    c.restore();
  };
  const over = (u) => {
    const c = u.ctx, { left, top, width, height } = u.bbox;
    const n = u.valToPos(now() / 1000, 'x', true);
    c.save();
    if (n >= left && n <= left + width) {
      c.strokeStyle = c.fillStyle = ink.graph;
      c.lineWidth = 1.5 * px;
      c.beginPath();
      c.moveTo(n, top);
      c.lineTo(n, top + height - 8 * px);
      c.stroke();
      c.beginPath();
      c.moveTo(n - 4 * px, top + height - 9 * px);
      c.lineTo(n + 4 * px, top + height - 9 * px);
      c.lineTo(n, top + height);
      c.fill();
    }
    for (const m of opt.marks || []) {
      const x = u.valToPos(m.t / 1000, 'x', true);
      if (x < left || x > left + width) continue;
      const y = top + 22 * px;
      c.strokeStyle = ink.graph;
      c.fillStyle = ink.paper;
      c.lineWidth = 1.3 * px;
      c.beginPath();
      c.ellipse(x, y, 5 * px, 8 * px, -0.28, 0, 7);
      c.fill();
      c.stroke();
      c.font = `${12 * px}px ${css('--sans')}`;
      c.fillStyle = ink.graph;
      c.textAlign = x > left + width - 60 * px ? 'right' : 'left';
      c.fillText(m.word, x + (c.textAlign === 'left' ? 9 : -9) * px, y + 4 * px);
    }
    c.restore();
  };
  const width = () => Math.max(240, Math.floor(box.clientWidth));
  const axis = (label, size) => ({ stroke: ink.soft, font, grid: { stroke: ink.rule, width: 1 }, ticks: { show: false }, size, gap: 4, label });
  const u = new U({
    width: width(), height: opt.height || 220, padding: [10, 12, 0, 0], legend: { show: false }, cursor: { drag: { x: true, y: false }, points: { size: 7 } },
    scales: { x: { time: false, range: opt.xrange ? () => opt.xrange.map((t) => t / 1000) : undefined }, y: { range: opt.range || ((_, a, b) => { const p = Math.max(0.5, (b - a) * 0.12); return [a - p, b + p]; }) } },
    axes: [opt.plain ? { ...axis(), values: (_, v) => v.map((t) => t / 3600 + ' h'), incrs: [1800, 3600, 7200, 14400, 21600, 43200], size: 28 } : { ...axis(), splits, values: (_, v) => (trusted() ? v.map(tick) : v.map((t) => Math.round((t - now() / 1000) / 3600) + ' h')), size: 28 }, { ...axis(null, 44), values: (_, v) => v.map((x) => (opt.yval ? opt.yval(x) : String(Math.round(x * 10) / 10).replace('-', '\u2212'))) }],
    series: [{}, ...series.map((z) => ({ label: z.label, stroke: z.hide ? undefined : ink[z.color || 'graph'], width: z.hide ? 0 : z.width || 1.6, dash: z.dash, points: { show: false }, spanGaps: false }))],
    bands: (opt.bands || []).map(([a, b]) => ({ series: [a, b], fill: ink.soft + '33' })),
    hooks: { drawClear: [under], draw: [over], setCursor: [(v) => read(v)] },
  }, [xs.map((t) => t / 1000), ...series.map((z) => z.ys)], box);
  const out = h('p', { class: 'small reading' }, opt.hint || 'Touch the chart to read it.');
  box.after(out);
  const read = (v) => {
    const i = v.cursor.idx;
    if (i === null || i === undefined) return;
    const bits = series.filter((z) => z.say && z.ys[i] !== null && z.ys[i] !== undefined).map((z) => z.say(z.ys[i], i));
    out.textContent = (opt.plain ? num(xs[i] / 3600e3, 1) + ' h' : clock(xs[i], true)) + ': ' + (bits.join(', ') || 'no reading');
  };
  const ro = new ResizeObserver(() => u.setSize({ width: width(), height: opt.height || 220 }));
  ro.observe(box);
  const u2 = u.root.querySelector('canvas');
  if (u2) {
    u2.setAttribute('role', 'img');
    u2.setAttribute('aria-label', opt.aria || series.map((z) => z.label).join(', '));
  }
  return { u, gone() { ro.disconnect(); u.destroy(); out.remove(); } };
}

export const key = (color, dash, fan) => s('svg', { width: 34, height: 14, viewBox: '0 0 34 14', 'aria-hidden': 'true', class: 'k-' + color },
  fan ? s('rect', { width: 34, height: 14, class: 'fan' }) : s('path', { d: 'M0 7H34', class: 'kline', 'stroke-dasharray': dash }));

// fill spreads rows over one list of times and marks gaps: rows of nulls stand
// for missing readings.
export function gapsOf(xs, ys, longer) {
  const out = [];
  let last = null;
  for (let i = 0; i < xs.length; i++) {
    if (ys[i] === null || ys[i] === undefined) continue;
    if (last !== null && xs[i] - last > longer) out.push([last, xs[i]]);
    last = xs[i];
  }
  return out;
}

