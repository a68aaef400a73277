// SPDX-License-Identifier: Apache-2.0
// The strip: one horizontal figure a coat, from the pour to the horizon. Each
// state is a texture and a word; the window is an ink bar whose ends fade with
// the doubt; now is a plumb line.

import { h } from './lib.js';
import { ms, now, trusted } from './state.js';
import { states } from './states.js';
import { HOUR, cap, clock, deg, floorHour, hm, hourWord, hoursIn, minus, sleeps, stateWord, weekday } from './say.js';
import { has, t as say, word as codeWord } from './text.js';

// range is what a strip spans: three hours back and nine ahead on a phone, six
// and eighteen on a wide screen. It starts on a whole hour of the shop's clock so
// that the plumb line creeps and the hours stand still.
export function range(wide) {
  const t = floorHour(now());
  return wide ? [t - 6 * HOUR, t + 18 * HOUR] : [t - 3 * HOUR, t + 9 * HOUR];
}

// defs are the textures, drawn once into the page.
export function defs() {
  return h('svg', { width: 0, height: 0, class: 'off', 'aria-hidden': 'true', focusable: 'false' }, h('defs', null, states.filter((x) => x.tile).map(({ code, tile }) =>
    h('pattern', { id: 'tx-' + code, key: code, width: tile.w, height: tile.h, patternUnits: 'userSpaceOnUse' },
      (tile.dots || []).map(([x, y, r]) => h('circle', { cx: x, cy: y, r, class: 'tx-dot' })), (tile.lines || []).map((d) => h('path', { d, class: 'tx-line' + (tile.thin ? ' thin' : '') }))))));
}

// look is how a state's box and word are drawn: one without a texture is a plain
// tone, the unknown one an empty frame.
const plain = new Set(states.filter((x) => !x.tile).map((x) => x.code));
const look = (state) => (plain.has(state) ? 'plain' : state);

function drop(x, y) {
  return h('path', { d: `M${r(x)} ${y}c2.6 3.6 3.6 5 3.6 6.6a3.6 3.6 0 0 1 -7.2 0c0 -1.6 1 -3 3.6 -6.6z`, class: 'drop' });
}

const r = (x) => Math.round(x * 10) / 10;

function thumb(x, y, word) {
  return h('g', { class: 'thumb', transform: `translate(${r(x)} ${y}) rotate(-16)` },
    h('title', null, word),
    h('ellipse', { rx: 6, ry: 9 }),
    h('path', { d: 'M-3.6 4.2a4 5.6 0 1 1 7.2 0M-2 5.8a2 3.4 0 1 1 4 0M0 3.4v3' }));
}

// torn is paper torn out: two ragged edges, nothing between.
function torn(x0, x1, y, hgt) {
  const n = 6, step = hgt / n, jag = [0, 3, -1, 2.5, -2, 1.5, 0];
  const edge = (x, dir) => jag.map((j, i) => [r(x + dir * j), r(y + i * step)]);
  const l = edge(x0, 1), q = edge(x1, -1);
  const path = (pts) => pts.map((p) => p.join(' ')).join('L');
  return h('g', { class: 'torn' },
    h('path', { d: 'M' + path(l) + 'L' + path([...q].reverse()) + 'Z', class: 'torn-out' }),
    h('path', { d: 'M' + path(l), class: 'torn-edge' }), h('path', { d: 'M' + path(q), class: 'torn-edge' }));
}

// windowStops gives the bar's opacity along time: it rises over the doubt of
// the opening and falls over that of the closing.
function windowStops(w, t1) {
  const o = w.opens_band || {}, c = w.closes_band || {};
  const far = t1 + 1000 * HOUR;
  const q = (b, k, d) => ms(b[k]) ?? d;
  const o1 = q(o, 'p10', ms(w.opens)), o9 = q(o, 'p90', o1 === null ? null : ms(w.opens) ?? far);
  if (o1 === null) return null;
  const c1 = q(c, 'p10', ms(w.closes) ?? far), c9 = q(c, 'p90', c1 === far ? far + HOUR : far);
  const ramp = (t, a, b) => (b <= a ? (t >= a ? 1 : 0) : Math.min(1, Math.max(0, (t - a) / (b - a))));
  const end = Math.min(c9, t1 + HOUR);
  const at = [o1, o9, c1, c9];
  for (let i = 1; i < 8; i++) at.push(o1 + ((end - o1) * i) / 8);
  const ts = [...new Set(at.filter((t) => t >= o1 && t <= end))].sort((a, b) => a - b);
  return { from: o1, to: end, open: o9, stops: ts.map((t) => [t, ramp(t, o1, o9) * (1 - ramp(t, c1, c9))]) };
}

// hours marks the clock along the range.
function hours(t0, t1, x, w, y, narrow, clear) {
  const step = narrow ? 3 : 2;
  const out = [];
  const put = (px, text, cls) => clear === undefined || Math.abs(px - clear) > 34 ? out.push(h('text', { x: r(px), y, class: 'hour' + (cls || ''), 'text-anchor': 'middle' }, text)) : 0;
  if (!trusted()) {
    for (let d = -24; d <= 24; d++) {
      const px = x(now() + d * HOUR);
      if (d % step || px < 4 || px > w - 14) continue;
      put(px, d === 0 ? say('now') : say('strip.off', { sign: d > 0 ? '+' : '\u2212', n: Math.abs(d) }));
    }
    return out;
  }
  for (const [t, hh] of hoursIn(t0, t1)) {
    const px = x(t), mid = hh === 0;
    if (hh % step || px < 4 || px > w - (mid ? 24 : 8)) continue;
    put(px, mid ? weekday(t) + ' ' + hourWord(hh) : hourWord(hh), mid ? ' day' : '');
  }
  return out;
}

// grid rules the hours behind a strip or a column of strips.
export const grid = (t0, t1, x, y0, y1, step = 3) => hoursIn(t0, t1).filter(([, hh]) => hh % step === 0)
  .map(([t, hh]) => h('line', { x1: r(x(t)), x2: r(x(t)), y1: y0, y2: y1, class: 'hair' + (hh === 0 ? ' day' : '') }));

// axis is the shared time axis of a wide screen.
export function axis(w, t0, t1) {
  const x = (t) => ((t - t0) / (t1 - t0)) * w;
  const n = x(now());
  return h('svg', { class: 'axis', width: w, height: 40, viewBox: `0 0 ${w} 40`, 'aria-hidden': 'true' },
    sleeps(t0, t1).map(([a, b]) => h('rect', { class: 'sleep', x: r(x(a)), y: 32, width: r(x(b) - x(a)), height: 8 })),
    hours(t0, t1, x, w, 24, false, n),
    h('text', { x: r(n), y: 24, class: 'nowlab', 'text-anchor': 'middle' }, trusted() ? hm(now()) : say('now')),
    h('path', { d: `M${r(n)} 29V40`, class: 'plumb' }));
}

// strip draws one coat. opt: w (px), t0, t1, wide, trace (points of the panel's
// temperature, may be missing).
export function strip(e, opt) {
  const { w, t0, t1, wide } = opt;
  const x = (t) => ((t - t0) / (t1 - t0)) * w;
  const inx = (t) => Math.max(0, Math.min(w, x(t)));
  const n = now(), nx = x(n);
  const lane = wide ? 40 : 0; // the temperature's
  const yB = 12 + lane, hB = wide ? 54 : 34, yW = yB + hB + 4, hW = 9;
  const win = e.next_window;
  const g = [];

  for (const [a, b] of sleeps(t0, t1)) g.push(h('rect', { class: 'sleep', x: r(x(a)), y: 0, width: r(x(b) - x(a)), height: 7 }));
  if (wide && opt.alone) g.push(...grid(t0, t1, x, 7, yW + hW));

  const labels = [];
  const st = e.strip || {};
  for (const seg of st.segments || []) {
    const a = ms(seg.from), b = ms(seg.to);
    if (a === null || b === null || b <= t0 || a >= t1) continue;
    const cut = a < n && b > n ? [[a, n, false], [n, b, true]] : [[a, b, a >= n]];
    for (const [p, q, fut] of cut) {
      const px = inx(p), pw = inx(q) - px;
      if (pw <= 0) continue;
      const box = { x: r(px), y: yB, width: r(pw), height: hB };
      const f = fut ? ' fut' : '';
      g.push(h('rect', { class: 'base b-' + look(seg.state) + f, ...box }));
      if (!plain.has(seg.state)) g.push(h('rect', { class: 'tex' + f, fill: `url(#tx-${seg.state})`, ...box }));
    }
    const px = inx(a), pw = inx(b) - px;
    if (a > t0) g.push(h('path', { class: 'joint', d: `M${r(px)} ${yB}V${yB + hB}` }));
    const word = stateWord(seg.state);
    // The word goes into the longest piece that meets neither the plumb line
    // nor torn paper, when there is room.
    let free = [[px, px + pw]];
    const cuts = [[nx - 3, nx + 3], ...(st.gaps || []).map((q) => [inx(ms(q.from)) - 2, inx(ms(q.to)) + 2])];
    for (const [c, d] of cuts) free = free.flatMap(([p, q]) => (d <= p || c >= q ? [[p, q]] : [[p, c], [d, q]]));
    const best = free.reduce((m, f) => (f[1] - f[0] > m[1] - m[0] ? f : m), [0, 0]);
    if (best[1] - best[0] >= word.length * 6.6 + 12) labels.push(h('text', { x: r(best[0] + 6), y: yB + hB - 7, class: 'word' + (best[0] >= nx - 1 ? ' fut' : '') + ' w-' + look(seg.state) }, word));
  }
  for (const gap of st.gaps || []) {
    const a = inx(ms(gap.from)), b = inx(ms(gap.to));
    if (b <= a) continue;
    g.push(torn(a, Math.max(b, a + 7), yB - 3, hB + 6));
    if (b - a > 74) labels.push(h('text', { x: r((a + b) / 2), y: yB + hB / 2 + 4, class: 'word', 'text-anchor': 'middle' }, say('none.reading')));
  }
  g.push(...labels);

  if (wide && opt.trace && opt.trace.length) g.push(...tempLine(opt.trace, x, w, t0, t1, n, lane));

  let foot = yW + hW;
  const under = [];
  if (win) {
    const ws = windowStops(win, t1);
    if (ws && ws.to > t0 && ws.from < t1) {
      const id = 'w-' + String(e.id).replace(/[^\w-]/g, '_');
      const a = x(ws.from), b = Math.max(a + 1, x(ws.to));
      g.push(h('defs', null, h('linearGradient', { id, gradientUnits: 'userSpaceOnUse', x1: r(a), x2: r(b), y1: 0, y2: 0 },
        ws.stops.map(([t, o]) => h('stop', { offset: r(((x(t) - a) / (b - a)) * 1000) / 1000, class: 'wstop', 'stop-opacity': Math.round(o * 100) / 100 })))));
      const from = Math.max(0, a), to = Math.min(w, b);
      g.push(h('rect', { x: r(from), y: yW, width: r(Math.max(0, to - from)), height: hW, fill: `url(#${id})`, class: 'win ' + win.status }));
      const text = codeWord('window.', win.kind);
      const tw = text.length * 6.3;
      let tx = Math.max(2, Math.min(w - tw - 2, Math.max(a, 0)));
      // Clear of the bob.
      if (nx > tx - 8 && nx < tx + tw + 8) tx = nx + 10 + tw < w ? nx + 10 : Math.max(2, nx - 10 - tw);
      under.push(h('text', { x: r(tx), y: yW + hW + 14, class: 'winword ' + win.status, translate: has('window.' + win.kind) ? undefined : 'no' }, text));
      foot = yW + hW + 18;
    }
  }
  for (const d of st.drops || []) {
    const a = inx(ms(d.from)), b = inx(ms(d.to));
    if (b < a || (a === b && (b === 0 || a === w))) continue;
    const k = Math.max(1, Math.floor((b - a) / 12));
    for (let i = 0; i < k; i++) under.push(drop(a + (k === 1 ? (b - a) / 2 : 6 + i * 12), foot + 3));
    if (!under.dew) {
      under.dew = true;
      const text = say(e.blush && e.blush.condensed ? 'strip.dew' : 'strip.damp');
      const tx = b + 32 < w ? b + 7 : a - 34;
      if (Math.abs(tx + 12 - nx) > 22 || foot > yW + hW + 8) under.push(h('text', { x: r(tx), y: foot + 13, class: 'dropword' }, text));
    }
  }
  if (under.dew) foot += 16;
  g.push(...under);

  for (const f of st.feels || []) {
    const t = ms(f.at);
    if (t >= t0 && t <= t1) g.push(thumb(Math.max(8, Math.min(w - 8, x(t))), yB + hB / 2 - 1, say('strip.felt', { at: clock(t, true), state: stateWord(f.state) })));
  }

  const plumbTo = yW + hW + (wide ? 0 : 2);
  // On a wide bench one line hangs past all strips; else each has its own.
  if (!wide || opt.alone) {
    g.push(h('path', { class: 'plumb', d: `M${r(nx)} 0V${plumbTo}` }));
    g.push(h('path', { class: 'bob', d: `M${r(nx - 4)} ${plumbTo}h8l-1.2 4.6 -2.8 6.4 -2.8 -6.4z` }));
    foot = Math.max(foot, plumbTo + 11); // the bob
    g.push(...hours(t0, t1, x, w, foot + 13, true));
    foot += 17;
  }
  const H = foot + (wide ? 2 : 0);
  return h('svg', { class: 'strip', width: w, height: H, viewBox: `0 0 ${w} ${H}`, role: 'img', 'aria-label': describe(e, n) }, g);
}

// tempLine is the panel's temperature: faint, dashed ahead, with a fan of doubt.
function tempLine(trace, x, w, t0, t1, n, lane) {
  const pts = trace.map((p) => ({ t: ms(p.at), c: p.temp_c, lo: p.temp_p10, hi: p.temp_p90, f: p.forecast, gap: p.gap }))
    .filter((p) => p.t >= t0 && p.t <= t1);
  const vals = pts.flatMap((p) => [p.c, p.lo, p.hi]).filter((v) => v != null);
  if (vals.length < 2) return [];
  let lo = Math.min(...vals), hi = Math.max(...vals);
  if (hi - lo < 4) { const m = (hi + lo) / 2; lo = m - 2; hi = m + 2; }
  const y = (c) => r(9 + (1 - (c - lo) / (hi - lo)) * (lane - 4));
  const out = [];
  const line = (ps) => {
    let d = '', pen = false;
    for (const p of ps) {
      if (p.c == null || p.gap) { pen = false; continue; }
      d += (pen ? 'L' : 'M') + r(x(p.t)) + ' ' + y(p.c);
      pen = true;
    }
    return d;
  };
  const fan = pts.filter((p) => p.f && p.lo != null && p.hi != null);
  if (fan.length > 1) out.push(h('path', { class: 'fan', d: 'M' + fan.map((p) => r(x(p.t)) + ' ' + y(p.hi)).join('L') + 'L' + [...fan].reverse().map((p) => r(x(p.t)) + ' ' + y(p.lo)).join('L') + 'Z' }));
  const past = pts.filter((p) => !p.f), fut = pts.filter((p) => p.f);
  if (past.length) out.push(h('path', { class: 'tline', d: line(past) }));
  if (fut.length) out.push(h('path', { class: 'tline fut', d: line(fut) }));
  const known = pts.filter((p) => p.c != null);
  if (known.length) {
    const low = known.reduce((m, p) => (p.c < m.c ? p : m));
    const lx = Math.max(14, Math.min(w - 16, x(low.t)));
    out.push(h('text', { class: 'tlab', x: r(lx), y: Math.min(lane + 9, y(low.c) - 4 < 14 ? y(low.c) + 12 : y(low.c) - 4), 'text-anchor': 'middle' }, minus(deg(low.c)) + '°'));
  }
  return out;
}

// describe says the strip in words, for those who do not see it.
export function describe(e, n) {
  const out = [], st = e.strip || {};
  for (const seg of st.segments || []) {
    const a = ms(seg.from), b = ms(seg.to), state = stateWord(seg.state);
    out.push(b <= n ? say('strip.until', { state, at: clock(b) }) : a <= n ? say('strip.now', { state }) : say('strip.from', { state, at: clock(a) }));
  }
  for (const g of st.gaps || []) out.push(say('strip.gap', { from: clock(ms(g.from)), to: clock(ms(g.to)) }));
  if ((st.drops || []).length) out.push(say('strip.drops'));
  const w = e.next_window;
  if (w) {
    const o = ms(w.opens), c = ms(w.closes);
    out.push(say('strip.window', { kind: codeWord('window.', w.kind), status: codeWord('wstatus.', w.status) }));
    if (o && o > n) out.push(say('strip.opens', { at: clock(o) }));
    if (c) out.push(say(c > n ? 'strip.closes' : 'strip.closed', { at: clock(c) }));
  }
  return cap(out.join('; ') || say('strip.none')) + '.';
}

// swatch is a small piece of a texture for the legend.
export function swatch(state) {
  return h('svg', { width: 34, height: 18, viewBox: '0 0 34 18', 'aria-hidden': 'true', class: 'swatch' },
    h('rect', { class: 'base b-' + look(state), width: 34, height: 18 }),
    !plain.has(state) && h('rect', { class: 'tex', fill: `url(#tx-${state})`, width: 34, height: 18 }));
}
