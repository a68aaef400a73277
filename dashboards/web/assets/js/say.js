// How the page says times, temperatures and sentences: in the shop's clock and
// the reader's units.
import { h } from './dom.js';
import { S, now, settings, trusted, ms } from './state.js';

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
    return fmt(t, { hour: 'numeric', minute: '2-digit', hourCycle: 'h12' }).replace(/\s?([ap])\.?m\.?/i, (_, a) => ' ' + a.toLowerCase() + 'm');
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
  if (t === null || t === undefined || !isFinite(t)) return '';
  if (!trusted()) return ago(t);
  const n = now();
  if (!exact && Math.abs(t - n) > HOUR) t = Math.round(t / (5 * MIN)) * 5 * MIN;
  if (dayKey(t) === dayKey(n)) return hm(t);
  if (Math.abs(t - n) < 6 * 24 * HOUR) return fmt(t, { weekday: 'short' }) + ' ' + hm(t);
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
  if (c === null || c === undefined) return '–';
  const v = us() ? Math.round(c * 1.8 + 32) : Math.round(c * 2) / 2;
  return (Object.is(v, -0) ? 0 : v) + '';
}
export const temp = (c) => (c === null || c === undefined ? 'no reading' : minus(deg(c)) + '\u202f' + unit());
export const diffNum = (k) => minus((us() ? Math.round(k * 1.8) : Math.round(k * 2) / 2) + '');
export const diff = (k) => diffNum(k) + '\u202f' + unit();
export const minus = (x) => String(x).replace('-', '\u2212');
export const num = (x, d = 0) => (x === null || x === undefined ? '–' : minus(Number(x).toFixed(d)));

// tempEl is a temperature with its unit small beside it.
export const tempEl = (c) => (c === null || c === undefined
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
export const grams = (g) => (g === null || g === undefined ? 'not weighed' : Math.round(g) + '\u202fg');
export const cap = (x) => x.charAt(0).toUpperCase() + x.slice(1);
