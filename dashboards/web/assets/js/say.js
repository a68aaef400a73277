// SPDX-License-Identifier: Apache-2.0
// How the page says times, temperatures, masses and sentences: one formatter for
// the shop's clock and zone, the reader's units, and the 12 or 24 h face.

import { h } from './lib.js';
import { S, now, settings, trusted } from './state.js';
import { states } from './states.js';
import { cap, locale, mark, t } from './text.js';

export const MIN = 60e3, HOUR = 3600e3, DAY = 86400e3;

// --- the shop's zone --------------------------------------------------------

const fmts = new Map();
function fmt(at, opts, loc = locale()) {
  const { zone, shift } = theZone();
  const key = loc + zone + JSON.stringify(opts);
  let f = fmts.get(key);
  if (!f) {
    try {
      f = new Intl.DateTimeFormat(loc, { ...opts, timeZone: zone });
    } catch {
      f = new Intl.DateTimeFormat(loc, opts);
    }
    fmts.set(key, f);
  }
  return f.format(at + shift);
}

// theZone is the shop's: a zone's name, or a fixed offset such as +05:45, which
// not every browser takes and is added by hand.
function theZone() {
  const z = (S.snap && S.snap.zone) || undefined;
  const off = /^(?:UTC)?([+-])(\d\d):?(\d\d)$/.exec(z || '');
  return off ? { zone: 'UTC', shift: (off[1] === '-' ? -1 : 1) * (+off[2] * 60 + +off[3]) * MIN } : { zone: z, shift: 0 };
}

const NUMBERS = { year: 'numeric', month: '2-digit', day: '2-digit', hour: '2-digit', minute: '2-digit', hourCycle: 'h23' };
// wall is what the shop's clock shows at t, as if it were UTC, in whole minutes.
function wall(at) {
  const x = fmt(at, NUMBERS, 'en-GB').match(/\d+/g).map(Number); // day, month, year
  return Date.UTC(x[2], x[1] - 1, x[0], x[3], x[4]);
}
// fromWall is when the shop's clock shows w. Of an hour that comes twice it is
// the first; an hour that is left out counts from the jump.
function fromWall(w) {
  const off = (u) => wall(u) - Math.floor(u / MIN) * MIN;
  let u = w - off(w);
  u = w - off(u);
  const early = w - off(u - 3 * HOUR);
  return wall(early) === w ? Math.min(u, early) : u;
}

const tickCache = new Map();
// hoursIn lists the whole hours of the shop's clock in [t0, t1]: in zones with a
// half or quarter hour they are not whole hours of UTC, and across a change of
// daylight saving one is missing or comes twice. Each is [t, hour].
export function hoursIn(t0, t1) {
  const key = [t0, t1, S.snap && S.snap.zone].join();
  let out = tickCache.get(key);
  if (!out) {
    out = [];
    const q = 15 * MIN; // every zone in use is a multiple of it off UTC
    for (let at = Math.ceil(t0 / q) * q; at <= t1; at += q) {
      const w = wall(at);
      if (w % HOUR === 0) out.push([at, (w / HOUR) % 24]);
    }
    if (tickCache.size > 40) tickCache.clear();
    tickCache.set(key, out);
  }
  return out;
}
export const hourOf = (at) => Math.floor(wall(at) / HOUR) % 24;
// floorHour is the last whole hour of the shop's clock.
export const floorHour = (at) => Math.floor(at / MIN) * MIN - (wall(at) % HOUR);
// atWall is the moment at which the shop's clock shows that hour and minute, on
// the day that many days from today.
export function atWall(day, hour, minute = 0) {
  const w = wall(now());
  return fromWall(Math.floor(w / DAY) * DAY + day * DAY + hour * HOUR + minute * MIN);
}
// wallParts are the day (from today), hour and minute at t.
export function wallParts(at) {
  const w = wall(at);
  return { day: Math.floor(w / DAY) - Math.floor(wall(now()) / DAY), hour: Math.floor(w / HOUR) % 24, minute: (w / MIN) % 60 };
}

// sleeps lists the sleeping hours that touch [t0, t1], each night by its own
// clock: a night across a change of daylight saving is longer or shorter.
export function sleeps(t0, t1) {
  const { sleep_from: a, sleep_to: b } = settings();
  if (!a || !b || a === b || !trusted()) return [];
  const min = (x) => (+x.slice(0, 2) * 60 + +x.slice(3, 5)) * MIN;
  const from = min(a), to = min(b) + (min(b) <= from ? DAY : 0);
  const out = [];
  for (let day = Math.floor(wall(t0) / DAY) * DAY - DAY; ; day += DAY) {
    const x = fromWall(day + from), y = fromWall(day + to);
    if (x >= t1) return out;
    if (y > t0) out.push([Math.max(t0, x), Math.min(t1, y)]);
  }
}

// --- clock times ------------------------------------------------------------

export const dayKey = (at) => Math.floor(wall(at) / DAY);
export const longDay = (at) => mark(fmt(at, { weekday: 'long', day: 'numeric', month: 'long' }));
export const shortDay = (at) => mark(fmt(at, { weekday: 'short', day: 'numeric', month: 'short' }));
export const weekday = (at) => mark(fmt(at, { weekday: 'short' }));

const twelve = () => settings().clock === '12h';
const two = (x) => String(x).padStart(2, '0');
// face is a clock face's hour and minute: 14:05 or 2:05 pm.
export const face = (hour, minute) => (twelve() ? t(hour < 12 ? 'clock.am' : 'clock.pm', { x: (hour % 12 || 12) + ':' + two(minute) }) : two(hour) + ':' + two(minute));
// hm is the bare clock time.
export const hm = (at) => { const w = wall(at); return face(Math.floor(w / HOUR) % 24, (w / MIN) % 60); };
// hourWord is an hour on an axis or a dial.
export const hourWord = (hour) => (twelve() ? t(hour < 12 ? 'clock.axis.am' : 'clock.axis.pm', { x: hour % 12 || 12 }) : two(hour));

// span says a length of time; minutes go to five beyond an hour.
export function span(d) {
  let m = Math.round(Math.abs(d) / MIN);
  if (m < 1) return t('span.under');
  if (m < 60) return t('span.min', { n: m });
  m = Math.round(m / 5) * 5;
  const days = Math.floor(m / 1440), hrs = Math.floor((m % 1440) / 60), mins = m % 60;
  if (days >= 2) return hrs ? t('span.days.h', { n: days, h: hrs }) : t('span.days', { n: days });
  const hh = days * 24 + hrs;
  return mins && hh < 10 ? t('span.h.min', { n: hh, m: mins }) : t('span.h', { n: hh });
}

// epoxy is a resin's name with the word, which a person's own name may have in it.
export const epoxy = (n) => (/epoxy/i.test(n) ? name(n) : t('epoxy', { name: name(n) }));
export const ago = (at) => (at > now() ? t('span.ahead', { span: span(at - now()) }) : t('span.ago', { span: span(now() - at) }));

// clock says a time in the shop's clock, with the day when it is another one;
// without a clock to trust, as a length of time from now. An exact time is one
// that somebody entered; others go to five minutes beyond an hour.
export function clock(at, exact) {
  if (at == null || !isFinite(at)) return '';
  if (!trusted()) return ago(at);
  const n = now();
  if (!exact && Math.abs(at - n) > HOUR) at = Math.round(at / (5 * MIN)) * 5 * MIN;
  if (dayKey(at) === dayKey(n)) return hm(at);
  if (Math.abs(at - n) < 6 * DAY) return weekday(at) + '\u00a0' + hm(at);
  return shortDay(at) + ' ' + hm(at);
}

export const timeEl = (at, exact, cls) => h('time', { datetime: new Date(at).toISOString(), class: cls }, clock(at, exact));

// band says a range of times: "about 11:05 (10:40 to 11:35)".
export function band(b) {
  const p = (k) => { const x = b && b[k]; return x ? Date.parse(x) : null; };
  const p10 = p('p10'), p50 = p('p50'), p90 = p('p90');
  if (p50 === null) return p10 === null ? t('band.never') : t('band.notbefore', { at: clock(p10) });
  if (p10 === null) return t('band.about', { at: clock(p50) });
  return t('band.range', { at: clock(p50), from: clock(p10), to: p90 === null ? t('band.never') : clock(p90) });
}

// --- temperatures, masses ---------------------------------------------------

const us = () => settings().units === 'us';
export const isUS = us;
export const unit = () => (us() ? '°F' : '°C');
export const toUnit = (c) => (us() ? c * 1.8 + 32 : c);
export const fromUnit = (x) => (us() ? (x - 32) / 1.8 : x);
export const minus = (x) => String(x).replace('-', '\u2212');
// deg is a temperature's number: half a degree, whole in °F.
export function deg(c) {
  if (c == null) return '–';
  const v = us() ? Math.round(c * 1.8 + 32) : Math.round(c * 2) / 2;
  return (Object.is(v, -0) ? 0 : v) + '';
}
export const temp = (c) => (c == null ? t('none.reading') : minus(deg(c)) + '\u202f' + unit());
export const diffNum = (k) => minus((us() ? Math.round(k * 1.8) : Math.round(k * 2) / 2) + '');
export const diff = (k) => diffNum(k) + '\u202f' + unit();
// rate is a ramp in degrees an hour.
export const rate = (k) => t('unit.rate', { x: minus(String(us() ? Math.round(k * 1.8) : Math.round(k * 10) / 10)), unit: unit() });
export const num = (x, d = 0) => (x == null ? '–' : minus(Number(x).toFixed(d)));
export const grams = (g) => (g == null ? t('none.weighed') : t('unit.g', { n: Math.round(g) }));
export const gm2 = (g) => t('unit.gm2', { n: Math.round(g) });
export const area = (a) => t('unit.m2', { n: Number(a).toFixed(a < 0.1 ? 2 : 1) });

// tempEl is a temperature with its unit small beside it.
export const tempEl = (c) => (c == null
  ? h('b', { class: 'none' }, t('none.reading'))
  : h('b', null, minus(deg(c)), h('small', null, unit())));

// --- the board's words ------------------------------------------------------

// Said is text that comes from the board or from a person: names, the model's
// sentences. It is marked as such, for it is not the catalogue's to translate.
// The board says temperatures in the unit that line.js asks for, times of the 12 h
// face are said here.
export const Said = ({ children, as = 'span', ...rest }) => h(as, { translate: false, ...rest }, Array.isArray(children) ? children.map(ours) : ours(children));
export const name = (x) => h('span', { translate: false }, x);
function ours(x) {
  return typeof x === 'string' && twelve() ? x.replace(/\b([01]\d|2[0-3]):([0-5]\d)\b/g, (_, a, b) => face(+a, +b)) : x;
}

// sentence turns the model's parts into nodes. Times keep their own element so
// that they stand out and a screen reader can tell them.
export const sentence = (parts) => (parts && parts.length ? h(Said, null, parts.map(part)) : null);
function part(p) {
  let x = p.text;
  if (p.time) x = timeEl(Date.parse(p.time));
  else if (p.temp_c != null) x = temp(p.temp_c);
  else if (p.diff_k != null) x = diff(p.diff_k);
  return p.bold ? h('b', null, x) : x;
}
// plain is the same sentence as text alone.
export const plain = (parts) => (parts || []).map((p) => p.text || (p.time ? clock(Date.parse(p.time)) : p.temp_c != null ? temp(p.temp_c) : p.diff_k != null ? diff(p.diff_k) : '')).join('');

// STATES are the states that a finger can find, from wet on.
export const STATES = states.filter((x) => x.finger).map((x) => x.code);
export const stateWord = (k) => t('state.' + k);
export const finger = (k) => t('finger.' + k);
export const chance = (p) => (p < 0.05 ? t('chance.hardly') : p > 0.95 ? t('chance.sure') : t('chance.tenths', { n: Math.round(p * 10) }));
export { cap };
