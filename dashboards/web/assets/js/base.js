// What every page stands on: elements, what is known, how it is said, and the
// strip.

// Small helpers to build and update the page. Nothing here sets a style
// attribute: the page's security policy forbids it.

const SVG = 'http://www.w3.org/2000/svg';

function build(el, attrs, kids) {
  for (const k in attrs || {}) {
    const v = attrs[k];
    if (v == null || v === false) continue;
    if (k.startsWith('on')) el.addEventListener(k.slice(2), v);
    else if (k === 'value' && 'value' in el) { el.value = v; el.setAttribute('value', v); }
    else el.setAttribute(k, v === true ? '' : v);
  }
  add(el, kids);
  return el;
}

export function add(el, kids) {
  for (const k of kids) {
    if (Array.isArray(k)) add(el, k);
    else if (k != null && k !== false && k !== '') el.append(k.nodeType ? k : String(k));
  }
}

// h makes an HTML element.
export const h = (tag, attrs, ...kids) => build(document.createElement(tag), attrs, kids);
// s makes an SVG element.
export const s = (tag, attrs, ...kids) => build(document.createElementNS(SVG, tag), attrs, kids);

const keyOf = (n) => (n.nodeType === 1 ? n.getAttribute('data-key') : null);

// morph changes a into b's likeness while keeping a's elements, so that the
// focus, a pressed finger and the reader's place survive an update.
export function morph(a, b) {
  if (a.nodeType !== b.nodeType || a.nodeName !== b.nodeName || keyOf(a) !== keyOf(b)) {
    a.replaceWith(b);
    return b;
  }
  if (a.nodeType !== 1) {
    if (a.data !== b.data) a.data = b.data;
    return a;
  }
  if (a.isEqualNode(b)) return a;
  for (const { name, value } of [...b.attributes]) {
    if (a.getAttribute(name) !== value) a.setAttribute(name, value);
  }
  for (const { name } of [...a.attributes]) {
    if (!b.hasAttribute(name)) a.removeAttribute(name);
  }
  morphKids(a, [...b.childNodes]);
  return a;
}

// morphKids gives a the wanted children, as add takes them.
export function morphKids(a, kids) {
  const frag = document.createDocumentFragment();
  add(frag, kids);
  const want = [...frag.childNodes];
  const keyed = new Map();
  for (const n of a.childNodes) {
    const k = keyOf(n);
    if (k) keyed.set(k, n);
  }
  let at = a.firstChild;
  for (const w of want) {
    const k = keyOf(w);
    let have = k ? keyed.get(k) : at;
    if (!k) while (have && keyOf(have)) have = have.nextSibling;
    if (!have) {
      a.insertBefore(w, at);
      continue;
    }
    if (have !== at) a.insertBefore(have, at);
    const now = morph(have, w);
    at = now.nextSibling;
  }
  while (at) {
    const next = at.nextSibling;
    at.remove();
    at = next;
  }
}

// fill puts new children in place of the old.
export function fill(el, ...kids) {
  el.replaceChildren();
  add(el, kids);
}

export const $ = (sel, root = document) => root.querySelector(sel);
export const $$ = (sel, root = document) => [...root.querySelectorAll(sel)];

// What the page knows: the last snapshot, the lists of panels and epoxies, and
// the shop's clock.

export const S = {
  snap: null, // the last snapshot
  got: 0, // when it came, this phone's clock, ms
  heard: 0, // when the board was last heard at all
  lost: false, // no line to the board
  panels: [],
  resins: [],
  queue: [], // entries kept on this phone
  tent: undefined, // the tent's answer; null where there is none
  sound: false,
};

// now is the shop's time, ms: the board's clock carried on by this phone's.
export function now() {
  if (!S.snap) return Date.now();
  const speed = S.snap.settings.speed > 0 ? S.snap.settings.speed : 1;
  // A demo's clock is carried on for a few seconds only, lest a late snapshot
  // throw the line far ahead.
  const real = Math.max(0, Date.now() - S.got);
  return Date.parse(S.snap.at) + (speed > 1 ? Math.min(real, 3000) * speed : real);
}

export const settings = () => (S.snap ? S.snap.settings : {});
export const trusted = () => !S.snap || settings().clock_trusted;

const subs = new Set();
export function onChange(f) {
  subs.add(f);
  return () => subs.delete(f);
}
let due = 0;
// changed tells whoever draws; several changes in one frame are drawn once.
export function changed() {
  if (due) return;
  due = requestAnimationFrame(() => {
    due = 0;
    for (const f of [...subs]) f();
  });
}

export const panelName = (id) => {
  const p = S.panels.find((x) => x.id === id);
  return (p && p.name) || id;
};
export const resinByName = (n) => S.resins.find((r) => r.name === n);
export const coats = () => (S.snap && S.snap.result && S.snap.result.coats) || [];
// ms reads a time, null for none; Go's zero time means never.
export const ms = (t) => (t && !String(t).startsWith('0001-') ? Date.parse(t) : null);

// How the page says times, temperatures and sentences: in the shop's clock and
// the reader's units.

const MIN = 60e3, HOUR = 3600e3;
const cache = new Map();

// parts splits a time by the shop's zone, which is a zone's name or a fixed
// offset such as +01:00 (not every browser takes the latter).
function fmt(t, opts) {
  let zone = (S.snap && S.snap.zone) || undefined;
  let at = t;
  const off = /^(?:UTC)?([+-])(\d\d):?(\d\d)$/.exec(zone || '');
  if (off) {
    at = t + (off[1] === '-' ? -1 : 1) * (+off[2] * 60 + +off[3]) * MIN;
    zone = 'UTC';
  }
  const key = zone + JSON.stringify(opts);
  let f = cache.get(key);
  if (!f) {
    try {
      f = new Intl.DateTimeFormat('en-GB', { ...opts, timeZone: zone });
    } catch {
      f = new Intl.DateTimeFormat('en-GB', opts);
    }
    cache.set(key, f);
  }
  return f.format(at);
}

export const dayKey = (t) => fmt(t, { year: 'numeric', month: '2-digit', day: '2-digit' });
export const longDay = (t) => fmt(t, { weekday: 'long', day: 'numeric', month: 'long' });
export const shortDay = (t) => fmt(t, { weekday: 'short', day: 'numeric', month: 'short' });
export const hourOf = (t) => +fmt(t, { hour: '2-digit', hourCycle: 'h23' });

// hm is the bare clock time.
export function hm(t) {
  if (settings().clock === '12h') {
    return fmt(t, { hour: 'numeric', minute: '2-digit', hourCycle: 'h12' }).replace(/\s?([ap])\.?m\.?/i, (_, a) => '\u00a0' + a.toLowerCase() + 'm');
  }
  return fmt(t, { hour: '2-digit', minute: '2-digit', hourCycle: 'h23' });
}

// hourLabel is an hour on an axis.
export function hourLabel(t) {
  if (settings().clock !== '12h') return fmt(t, { hour: '2-digit', hourCycle: 'h23' });
  const x = hourOf(t);
  return (x % 12 || 12) + (x < 12 ? 'am' : 'pm');
}

// span says a length of time; minutes go to five beyond an hour.
export function span(d) {
  let m = Math.round(Math.abs(d) / MIN);
  if (m < 1) return 'under a minute';
  if (m < 60) return m + ' min';
  m = Math.round(m / 5) * 5;
  const days = Math.floor(m / 1440), hrs = Math.floor((m % 1440) / 60), mins = m % 60;
  if (days >= 2) return days + ' days' + (hrs ? ' ' + hrs + ' h' : '');
  const hh = days * 24 + hrs;
  return hh + ' h' + (mins && hh < 10 ? ' ' + mins + ' min' : '');
}

export const ago = (t) => (t > now() ? span(t - now()) + ' from now' : span(now() - t) + ' ago');

// clock says a time in the shop's clock, with the day when it is another one;
// without a clock to trust, as a length of time from now. An exact time is one
// that somebody entered; others go to five minutes beyond an hour.
export function clock(t, exact) {
  if (t == null || !isFinite(t)) return '';
  if (!trusted()) return ago(t);
  const n = now();
  if (!exact && Math.abs(t - n) > HOUR) t = Math.round(t / (5 * MIN)) * 5 * MIN;
  if (dayKey(t) === dayKey(n)) return hm(t);
  if (Math.abs(t - n) < 6 * 24 * HOUR) return fmt(t, { weekday: 'short' }) + '\u00a0' + hm(t);
  return shortDay(t) + ' ' + hm(t);
}

export const timeEl = (t, exact, cls) => h('time', { datetime: new Date(t).toISOString(), class: cls }, clock(t, exact));

// band says a range of times: "about 11:05 (10:40 to 11:35)".
export function band(b) {
  const p10 = ms(b && b.p10), p50 = ms(b && b.p50), p90 = ms(b && b.p90);
  if (p50 === null) return p10 === null ? 'not in sight' : 'not before ' + clock(p10);
  const out = ['about ' + clock(p50)];
  if (p10 !== null) out.push(' (' + clock(p10) + ' to ' + (p90 === null ? 'not in sight' : clock(p90)) + ')');
  return out.join('');
}

const us = () => settings().units === 'us';
export const unit = () => (us() ? '°F' : '°C');
export const toUnit = (c) => (us() ? c * 1.8 + 32 : c);
export const fromUnit = (x) => (us() ? (x - 32) / 1.8 : x);
// deg is a temperature's number: half a degree, whole in °F.
export function deg(c) {
  if (c == null) return '–';
  const v = us() ? Math.round(c * 1.8 + 32) : Math.round(c * 2) / 2;
  return (Object.is(v, -0) ? 0 : v) + '';
}
export const temp = (c) => (c == null ? 'no reading' : minus(deg(c)) + '\u202f' + unit());
export const diffNum = (k) => minus((us() ? Math.round(k * 1.8) : Math.round(k * 2) / 2) + '');
export const diff = (k) => diffNum(k) + '\u202f' + unit();
export const minus = (x) => String(x).replace('-', '\u2212');
export const num = (x, d = 0) => (x == null ? '–' : minus(Number(x).toFixed(d)));

// tempEl is a temperature with its unit small beside it.
export const tempEl = (c) => (c == null
  ? h('b', { class: 'none' }, 'no reading')
  : h('b', null, minus(deg(c)), h('small', null, unit())));

// sentence turns the model's parts into nodes. Times keep their own element so
// that they stand out and a screen reader can tell them.
export function sentence(parts) {
  return (parts || []).map((p) => {
    let x = p.text || '';
    let el = null;
    if (p.time) el = h(p.bold ? 'b' : 'span', { class: 't' }, timeEl(ms(p.time)));
    else if (p.temp_c !== undefined && p.temp_c !== null) x = temp(p.temp_c);
    else if (p.diff_k !== undefined && p.diff_k !== null) x = diff(p.diff_k);
    return el || (p.bold ? h('b', null, x) : x);
  });
}

export const plain = (parts) => sentence(parts).map((n) => (n.nodeType ? n.textContent : n)).join('');

export const WORD = { wet: 'wet', tacky: 'tacky', green: 'green', firm: 'firm', hard: 'hard', unknown: 'not known' };
export const FINGER = { wet: 'Flows, strings', tacky: 'Sticks, lifts clean', green: 'No stick, nail dents', firm: 'Nail slides, no dent', hard: 'Sands to dust' };
export const STATES = ['wet', 'tacky', 'green', 'firm', 'hard'];
export const WHY = {
  cold_glass: 'it set glassy from the cold before it gelled: it may feel hard and is not',
  below_minimum: 'it was colder than the data sheet allows',
  outside_range: 'it was outside the range the epoxy was fitted in',
  no_reading: 'there is no reading of its temperature yet',
  gap: 'the readings have a gap too long to bridge',
};
export const chance = (p) => {
  if (p < 0.05) return 'hardly';
  if (p > 0.95) return 'all but certain';
  return Math.round(p * 10) + ' in 10';
};
export const grams = (g) => (g == null ? 'not weighed' : Math.round(g) + '\u202fg');
export const cap = (x) => x.charAt(0).toUpperCase() + x.slice(1);

// The strip: one horizontal figure a coat, from the pour to the horizon. Each
// state is a texture and a word; the window is an ink bar whose ends fade with
// the doubt; now is a plumb line.

// range is what a strip spans: three hours back and nine ahead on a phone, six
// and eighteen on a wide screen. It starts on a whole hour so that the plumb
// line creeps and the hours stand still.
export function range(wide) {
  const t = Math.floor(now() / HOUR) * HOUR;
  return wide ? [t - 6 * HOUR, t + 18 * HOUR] : [t - 3 * HOUR, t + 9 * HOUR];
}

// sleeps lists the sleeping hours that touch [t0, t1].
export function sleeps(t0, t1) {
  const { sleep_from: a, sleep_to: b } = settings();
  if (!a || !b || a === b || !trusted()) return [];
  const min = (x) => +x.slice(0, 2) * 60 + +x.slice(3, 5);
  const at = (t) => { // minutes after the shop's midnight
    const x = hm24(t).split(':');
    return +x[0] * 60 + +x[1];
  };
  const from = min(a), len = (min(b) - from + 1440) % 1440;
  const out = [];
  let start = t0 - ((at(t0) - from + 1440) % 1440) * MIN;
  start = Math.round(start / MIN) * MIN;
  for (; start < t1; start += 1440 * MIN) {
    const x = Math.max(t0, start), y = Math.min(t1, start + len * MIN);
    if (y > x) out.push([x, y]);
  }
  return out;
}
const hm24 = (t) => String(hourOf(t)).padStart(2, '0') + ':' + String(Math.floor(t / MIN) % 60).padStart(2, '0');

// defs are the textures, drawn once into the page.
export function defs() {
  const p = (id, w, hh, ...k) => [
    s('pattern', { id: 'tx-' + id, width: w, height: hh, patternUnits: 'userSpaceOnUse' }, ...k.map((f) => f())),
  ];
  const dot = (x, y, r) => () => s('circle', { cx: x, cy: y, r, class: 'tx-dot' });
  const line = (d, c) => () => s('path', { d, class: 'tx-line ' + (c || '') });
  return s('svg', { width: 0, height: 0, class: 'off', 'aria-hidden': 'true', focusable: 'false' }, s('defs', null,
    p('wet', 7, 7, dot(1.7, 1.7, 1), dot(5.2, 5.2, 1)),
    p('tacky', 10, 10, line('M1 6 L4.5 1.5'), line('M6 9.5 L9.5 5')),
    p('green', 10, 5.5, line('M0 2.75H10')),
    p('firm', 22, 12, line('M2 3.5H9', 'thin'), line('M13 9.5H20', 'thin')),
    p('unknown', 18, 12, line('M0 6q2.25 -5 4.5 0t4.5 0t4.5 0t4.5 0', 'thin')),
  ));
}

function drop(x, y) {
  return s('path', { d: `M${r(x)} ${y}c2.6 3.6 3.6 5 3.6 6.6a3.6 3.6 0 0 1 -7.2 0c0 -1.6 1 -3 3.6 -6.6z`, class: 'drop' });
}

const r = (x) => Math.round(x * 10) / 10;

function thumb(x, y, word) {
  return s('g', { class: 'thumb', transform: `translate(${r(x)} ${y}) rotate(-16)` },
    s('title', null, word),
    s('ellipse', { rx: 6, ry: 9 }),
    s('path', { d: 'M-3.6 4.2a4 5.6 0 1 1 7.2 0M-2 5.8a2 3.4 0 1 1 4 0M0 3.4v3' }));
}

// torn is paper torn out: two ragged edges, nothing between.
function torn(x0, x1, y, hgt) {
  const n = 6, step = hgt / n, jag = [0, 3, -1, 2.5, -2, 1.5, 0];
  const edge = (x, dir) => jag.map((j, i) => [r(x + dir * j), r(y + i * step)]);
  const l = edge(x0, 1), q = edge(x1, -1);
  const path = (pts) => pts.map((p) => p.join(' ')).join('L');
  return s('g', { class: 'torn' },
    s('path', { d: 'M' + path(l) + 'L' + path([...q].reverse()) + 'Z', class: 'torn-out' }),
    s('path', { d: 'M' + path(l), class: 'torn-edge' }), s('path', { d: 'M' + path(q), class: 'torn-edge' }));
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
function hours(t0, t1, x, w, y, narrow) {
  const step = narrow ? 3 : 2;
  const out = [];
  for (let t = Math.ceil(t0 / HOUR) * HOUR; t <= t1; t += HOUR) {
    const hh = hourOf(t);
    if (!trusted()) {
      const d = Math.round((t - now()) / HOUR);
      if (d % step) continue;
      const px = x(now() + d * HOUR);
      if (px < 4 || px > w - 14) continue;
      out.push(s('text', { x: r(px), y, class: 'hour', 'text-anchor': 'middle' }, d === 0 ? 'now' : (d > 0 ? '+' : '\u2212') + Math.abs(d) + 'h'));
      continue;
    }
    if (hh % step) continue;
    const px = x(t), mid = hh === 0;
    if (px < 4 || px > w - (mid ? 24 : 8)) continue;
    out.push(s('text', { x: r(px), y, class: 'hour' + (mid ? ' day' : ''), 'text-anchor': 'middle' }, mid ? shortDay(t).slice(0, 3) + ' ' + hourLabel(t) : hourLabel(t)));
  }
  return out;
}

const grid = (t0, t1, x, y0, y1) => {
  const out = [];
  for (let t = Math.ceil(t0 / HOUR) * HOUR; t <= t1; t += HOUR) {
    const hh = hourOf(t);
    if (hh % 3 === 0) out.push(s('path', { d: `M${r(x(t))} ${y0}V${y1}`, class: 'hair' + (hh === 0 ? ' day' : '') }));
  }
  return out;
};

// axis is the shared time axis of a wide screen.
export function axis(w, t0, t1) {
  const x = (t) => ((t - t0) / (t1 - t0)) * w;
  const n = x(now());
  return s('svg', { class: 'axis', width: w, height: 40, viewBox: `0 0 ${w} 40`, 'aria-hidden': 'true' },
    sleeps(t0, t1).map(([a, b]) => s('rect', { class: 'sleep', x: r(x(a)), y: 32, width: r(x(b) - x(a)), height: 8 })),
    hours(t0, t1, x, w, 24, false).filter((e) => Math.abs(+e.getAttribute('x') - n) > 34),
    s('text', { x: r(n), y: 24, class: 'nowlab', 'text-anchor': 'middle' }, trusted() ? hm(now()) : 'now'),
    s('path', { d: `M${r(n)} 29V40`, class: 'plumb' }));
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

  for (const [a, b] of sleeps(t0, t1)) g.push(s('rect', { class: 'sleep', x: r(x(a)), y: 0, width: r(x(b) - x(a)), height: 7 }));
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
      g.push(s('rect', { class: 'base b-' + seg.state + f, ...box }));
      if (seg.state !== 'hard') g.push(s('rect', { class: 'tex' + f, fill: `url(#tx-${seg.state})`, ...box }));
    }
    const px = inx(a), pw = inx(b) - px;
    if (a > t0) g.push(s('path', { class: 'joint', d: `M${r(px)} ${yB}V${yB + hB}` }));
    const word = WORD[seg.state] || seg.state;
    // The word goes into the longest piece that meets neither the plumb line
    // nor torn paper, when there is room.
    let free = [[px, px + pw]];
    const cuts = [[nx - 3, nx + 3], ...(st.gaps || []).map((q) => [inx(ms(q.from)) - 2, inx(ms(q.to)) + 2])];
    for (const [c, d] of cuts) free = free.flatMap(([p, q]) => (d <= p || c >= q ? [[p, q]] : [[p, c], [d, q]]));
    const best = free.reduce((m, f) => (f[1] - f[0] > m[1] - m[0] ? f : m), [0, 0]);
    if (best[1] - best[0] >= word.length * 6.6 + 12) labels.push(s('text', { x: r(best[0] + 6), y: yB + hB - 7, class: 'word' + (best[0] >= nx - 1 ? ' fut' : '') + ' w-' + seg.state }, word));
  }
  for (const gap of st.gaps || []) {
    const a = inx(ms(gap.from)), b = inx(ms(gap.to));
    if (b <= a) continue;
    g.push(torn(a, Math.max(b, a + 7), yB - 3, hB + 6));
    if (b - a > 74) labels.push(s('text', { x: r((a + b) / 2), y: yB + hB / 2 + 4, class: 'word', 'text-anchor': 'middle' }, 'no reading'));
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
      g.push(s('defs', null, s('linearGradient', { id, gradientUnits: 'userSpaceOnUse', x1: r(a), x2: r(b), y1: 0, y2: 0 },
        ws.stops.map(([t, o]) => s('stop', { offset: r(((x(t) - a) / (b - a)) * 1000) / 1000, class: 'wstop', 'stop-opacity': Math.round(o * 100) / 100 })))));
      const from = Math.max(0, a), to = Math.min(w, b);
      g.push(s('rect', { x: r(from), y: yW, width: r(Math.max(0, to - from)), height: hW, fill: `url(#${id})`, class: 'win ' + win.status }));
      const text = win.kind;
      const tw = text.length * 6.3;
      let tx = Math.max(2, Math.min(w - tw - 2, Math.max(a, 0)));
      // Clear of the bob.
      if (nx > tx - 8 && nx < tx + tw + 8) tx = nx + 10 + tw < w ? nx + 10 : Math.max(2, nx - 10 - tw);
      under.push(s('text', { x: r(tx), y: yW + hW + 14, class: 'winword ' + win.status }, text));
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
      const text = e.blush && e.blush.condensed ? 'dew' : 'damp';
      const tx = b + 32 < w ? b + 7 : a - 34;
      if (Math.abs(tx + 12 - nx) > 22 || foot > yW + hW + 8) under.push(s('text', { x: r(tx), y: foot + 13, class: 'dropword' }, text));
    }
  }
  if (under.dew) foot += 16;
  g.push(...under);

  for (const f of st.feels || []) {
    const t = ms(f.at);
    if (t >= t0 && t <= t1) g.push(thumb(Math.max(8, Math.min(w - 8, x(t))), yB + hB / 2 - 1, 'felt ' + clock(t, true) + ': ' + (WORD[f.state] || f.state)));
  }

  const plumbTo = yW + hW + (wide ? 0 : 2);
  // On a wide bench one line hangs past all strips; else each has its own.
  if (!wide || opt.alone) {
    g.push(s('path', { class: 'plumb', d: `M${r(nx)} 0V${plumbTo}` }));
    g.push(s('path', { class: 'bob', d: `M${r(nx - 4)} ${plumbTo}h8l-1.2 4.6 -2.8 6.4 -2.8 -6.4z` }));
    foot = Math.max(foot, plumbTo + 11); // the bob
    g.push(...hours(t0, t1, x, w, foot + 13, true));
    foot += 17;
  }
  const H = foot + (wide ? 2 : 0);
  return s('svg', { class: 'strip', width: w, height: H, viewBox: `0 0 ${w} ${H}`, role: 'img', 'aria-label': describe(e, n) }, g);
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
  if (fan.length > 1) out.push(s('path', { class: 'fan', d: 'M' + fan.map((p) => r(x(p.t)) + ' ' + y(p.hi)).join('L') + 'L' + [...fan].reverse().map((p) => r(x(p.t)) + ' ' + y(p.lo)).join('L') + 'Z' }));
  const past = pts.filter((p) => !p.f), fut = pts.filter((p) => p.f);
  if (past.length) out.push(s('path', { class: 'tline', d: line(past) }));
  if (fut.length) out.push(s('path', { class: 'tline fut', d: line(fut) }));
  const known = pts.filter((p) => p.c != null);
  if (known.length) {
    const low = known.reduce((m, p) => (p.c < m.c ? p : m));
    const lx = Math.max(14, Math.min(w - 16, x(low.t)));
    out.push(s('text', { class: 'tlab', x: r(lx), y: Math.min(lane + 9, y(low.c) - 4 < 14 ? y(low.c) + 12 : y(low.c) - 4), 'text-anchor': 'middle' }, minus(deg(low.c)) + '°'));
  }
  return out;
}

// describe says the strip in words, for those who do not see it.
export function describe(e, n) {
  const out = [];
  for (const seg of (e.strip && e.strip.segments) || []) {
    const a = ms(seg.from), b = ms(seg.to);
    const word = WORD[seg.state] || seg.state;
    out.push(b <= n ? `${word} until ${clock(b)}` : a <= n ? `${word} now` : `${word} from about ${clock(a)}`);
  }
  for (const g of (e.strip && e.strip.gaps) || []) out.push(`no reading ${clock(ms(g.from))} to ${clock(ms(g.to))}`);
  if (((e.strip && e.strip.drops) || []).length) out.push('dew or damp on it');
  const w = e.next_window;
  if (w) {
    const o = ms(w.opens), c = ms(w.closes);
    out.push(`window ${w.kind}: ${w.status === 'before' ? 'not open yet' : w.status === 'cold' ? 'not now, too cold' : w.status === 'unknown' ? 'not known' : w.status}${o && o > n ? ', opens ' + clock(o) : ''}${c ? (c > n ? ', closes ' : ', closed ') + clock(c) : ''}`);
  }
  return cap(out.join('; ') || 'no time line yet') + '.';
}

// swatch is a small piece of a texture for the legend.
export function swatch(state) {
  return s('svg', { width: 34, height: 18, viewBox: '0 0 34 18', 'aria-hidden': 'true', class: 'swatch' },
    s('rect', { class: 'base b-' + state, width: 34, height: 18 }),
    state !== 'hard' && s('rect', { class: 'tex', fill: `url(#tx-${state})`, width: 34, height: 18 }));
}
