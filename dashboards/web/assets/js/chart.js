// SPDX-License-Identifier: Apache-2.0
// Charts on demand: temperature, cure and moist air along the shop's clock.

import { h, useEffect, useRef, useState } from './lib.js';
import { now, trusted } from './state.js';
import { DAY, atWall, clock, hourOf, hourWord, hoursIn, num, shortDay, sleeps, stateWord } from './say.js';
import { t as say } from './text.js';

let lib = null;

// plot fetches the chart library once, when first needed.
export function plot() {
  lib ||= new Promise((ok, bad) => {
    const tag = document.createElement('script');
    tag.src = 'vendor/uplot.js';
    tag.onload = () => ok(window.uPlot);
    tag.onerror = () => { lib = null; bad(new Error(say('chart.notcome'))); };
    document.head.append(tag);
  });
  return lib;
}

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

// splits puts ticks on whole hours of the shop's clock, or days when the span is
// long.
function splits(u, i, min, max) {
  const H = 3600, w = (max - min) / H;
  const room = Math.max(3, Math.floor(u.bbox.width / devicePixelRatio / 64));
  const step = [1, 2, 3, 4, 6, 12, 24, 48, 168, 336, 744].find((x) => w / x <= room) || 2160;
  if (step < 24) return hoursIn(min * 1000, max * 1000).filter(([, hh]) => hh % step === 0).map(([t]) => t / 1000);
  // Midnights of the shop's clock; a day of 23 or 25 hours is still one day.
  const out = [], n = Math.round((min * 1000 - now()) / DAY) - 1, days = step / 24;
  for (let d = n; ; d++) {
    const t = atWall(d, 0) / 1000;
    if (t > max) return out;
    if (t >= min && (d - n) % days === 0) out.push(t);
  }
}
const tick = (t) => (hourOf(t * 1000) === 0 ? shortDay(t * 1000) : hourWord(hourOf(t * 1000)));

// chart draws one figure. series: [{label, ys, color, dash, width, fill, axis,
// say, hide}], xs in ms. opt: {height, bands: [[hi, lo]], marks: [{t, word}],
// gaps: [[a, b]], segments, yUnit, range}. It returns {el, gone}.
async function draw(box, xs, series, opt = {}) {
  const U = await plot();
  const ink = { graph: css('--graph'), soft: css('--soft'), rule: css('--rule'), ink: css('--ink'), harm: css('--harm'), tone: css('--tone'), wash: css('--wash'), paper: css('--paper') };
  const px = devicePixelRatio;
  const font = '12px ' + css('--sans');
  const under = (u) => {
    const c = u.ctx, { left, top, width, height } = u.bbox;
    c.save();
    c.setLineDash([]);
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
        c.fillText(say('none.reading'), (a + b) / 2, top + 20 * px);
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
        c.fillText(stateWord(seg.state), a + 5 * px, top + height - 7 * px);
      }
    }
    c.restore();
  };
  const over = (u) => {
    const c = u.ctx, { left, top, width, height } = u.bbox;
    const n = u.valToPos(now() / 1000, 'x', true);
    c.save();
    c.setLineDash([]);
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
      const y = opt.marksLow ? top + height - 14 * px : top + 22 * px;
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
    axes: [opt.plain ? { ...axis(), values: (_, v) => v.map((t) => say('unit.h', { n: t / 3600 })), incrs: [1800, 3600, 7200, 14400, 21600, 43200], size: 28 } : { ...axis(), splits, values: (_, v) => (trusted() ? v.map(tick) : v.map((t) => say('unit.h', { n: Math.round((t - now() / 1000) / 3600) }))), size: 28 }, { ...axis(null, 44), values: (_, v) => v.map((x) => (opt.yval ? opt.yval(x) : String(Math.round(x * 10) / 10).replace('-', '\u2212'))) }],
    series: [{}, ...series.map((z) => ({ label: z.label, stroke: z.hide ? undefined : ink[z.color || 'graph'], width: z.hide ? 0 : z.width || 1.6, dash: z.dash, points: { show: false }, spanGaps: false }))],
    bands: (opt.bands || []).map(([a, b]) => ({ series: [a, b], fill: ink.soft + '33' })),
    hooks: { drawClear: [under], draw: [over], setCursor: [(v) => read(v)] },
  }, [xs.map((t) => t / 1000), ...series.map((z) => z.ys)], box);
  const out = document.createElement('p');
  out.className = 'small reading';
  out.textContent = opt.hint || say('chart.hint');
  box.append(out);
  const read = (v) => {
    const i = v.cursor.idx;
    if (i == null) return;
    const bits = series.filter((z) => z.say && z.ys[i] != null).map((z) => z.say(z.ys[i], i));
    out.textContent = (opt.plain ? say('unit.h', { n: num(xs[i] / 3600e3, 1) }) : clock(xs[i], true)) + ': ' + (bits.join(', ') || say('none.reading'));
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

export const lineKey = (color, dash, fan) => h('svg', { width: 34, height: 14, viewBox: '0 0 34 14', 'aria-hidden': 'true', class: 'k-' + color },
  fan ? h('rect', { width: 34, height: 14, class: 'fan' }) : h('path', { d: 'M0 7H34', class: 'kline', 'stroke-dasharray': dash }));

// gapsOf lists the stretches without readings: the board marks each by a row of
// nulls between two good ones.
export function gapsOf(xs, ys) {
  const out = [];
  let last = null, torn = false;
  for (let i = 0; i < xs.length; i++) {
    if (ys[i] == null) {
      torn = true;
      continue;
    }
    if (torn && last !== null) out.push([last, xs[i]]);
    last = xs[i];
    torn = false;
  }
  return out;
}


// Chart draws a figure and keeps it to the width; it is drawn anew when its key
// changes, as Preact has it. legend: [[color, dash, fan, word]].
export function Chart({ xs, series, opt, legend, title }) {
  const box = useRef(null), [err, setErr] = useState('');
  useEffect(() => {
    let gone = false, c = null;
    draw(box.current, xs, series, opt).then((x) => { if (gone) x.gone(); else c = x; }, (e) => setErr(e.message));
    return () => { gone = true; if (c) c.gone(); };
  }, []);
  return h('figure', { class: 'figure' }, title ? h('h2', null, title) : null,
    legend ? h('div', { class: 'legend' }, legend.map(([color, dash, fan, text]) => h('span', { key: text }, color ? lineKey(color, dash, fan) : null, text))) : null,
    h('div', { class: 'chart', ref: box }), err ? h('p', { class: 'small' }, err) : null);
}

// Table is rows under their heads; wider than the screen, it can be moved aside.
export const Table = ({ heads, rows }) => h('div', { class: 'scroll', tabindex: 0, role: 'group', 'aria-label': say('table') }, h('table', null,
  h('thead', null, h('tr', null, heads.map((x, i) => h('th', { key: i }, x)))), h('tbody', null, rows.map((r, i) => h('tr', { key: i }, r.map((x, k) => h('td', { key: k }, x)))))));
