// SPDX-License-Identifier: Apache-2.0
// Parts of a form for gloves: big choices, steppers, the dial that says when,
// drafts that survive a reload, faults beside their field, and the page for one
// entry with the one filled button.

import { h, useEffect, useRef, useState } from './lib.js';
import { changed, iso, now, trusted } from './state.js';
import { HOUR, ago, atWall, clock, face, hourWord, wallParts, weekday } from './say.js';
import { NoLine, Refused, key } from './line.js';
import { Foot, Hold } from './foot.js';
import { t } from './text.js';

export { Foot, Hold };

// useDraft keeps what was typed or tapped until the entry is taken: through a
// reload as well. It returns the draft, a way to change it, and its end.
export function useDraft(name, first) {
  const k = 'draft:' + name;
  const [d] = useState(() => {
    let x;
    try {
      x = { ...first(), ...JSON.parse(sessionStorage.getItem(k) || '{}') };
    } catch {
      x = first();
    }
    x.key ||= key(); // one entry, one key: a repeat is harmless
    return x;
  });
  const set = (patch) => {
    Object.assign(d, patch);
    sessionStorage.setItem(k, JSON.stringify(d));
    changed();
  };
  return [d, set, () => sessionStorage.removeItem(k)];
}

// --- faults -----------------------------------------------------------------

// faultsOf is what a failed save has to say, beside its fields.
const faultsOf = (e) => (e instanceof Refused ? e.faults : [{ field: '', what: t('form.kept', { why: e instanceof NoLine ? t('form.noline') : e.message }) }]);

// A form's faults, for its fields to look up. Forms are not nested, so that one
// at a time is enough.
const form = { faults: [], seen: new Set() };

function mine(field) {
  const names = String(field || '').split(' ');
  for (const n of names) form.seen.add(n);
  return form.faults.filter((f) => names.some((n) => n && (f.field === n || (!form.seen.has(f.field) && String(f.field).startsWith(n + '[')) || String(f.field).split(/[.[]/)[0] === n)));
}

// Err shows the faults of its fields; the first of a form comes into view.
export function Err({ field, foot }) {
  const ref = useRef(null);
  const list = foot ? form.faults.filter((f) => ![...form.seen].some((n) => n && (f.field === n || String(f.field).split(/[.[]/)[0] === n))) : mine(field);
  const text = list.map((f) => (foot && f.field ? f.field + ': ' : '') + f.what).join('; ');
  useEffect(() => {
    if (text && form.faults[0] === list[0] && !list[0].live) ref.current.scrollIntoView({ block: 'center' });
  }, [form.faults, text]);
  return h('p', { class: 'err' + (foot ? ' foot' : ''), role: 'alert', ref, translate: false }, text);
}
export const bad = (field) => mine(field).length > 0;

// useForm runs a save with its faults: nothing typed is lost by a refusal.
export function useForm(save, found = []) {
  const [st, set] = useState({ busy: false, faults: [] });
  const live = useRef(true);
  useEffect(() => () => { live.current = false; }, []);
  form.faults = [...st.faults, ...found];
  form.seen = new Set();
  const ref = useRef(null);
  const submit = async (ev) => {
    ev?.preventDefault();
    if (ref.current) return; // a double tap
    ref.current = true;
    set({ busy: true, faults: [] });
    let faults = [];
    try {
      await save();
    } catch (e) {
      faults = e.faults && !(e instanceof Refused) ? e.faults : faultsOf(e);
    }
    ref.current = false;
    if (live.current) {
      set({ busy: false, faults });
      changed(); // the fields are drawn by the page, not by this form
    }
  };
  return { busy: st.busy, submit };
}
// Wrong is thrown by a save that can say itself what is missing.
export class Wrong extends Error {
  constructor(field, what) {
    super(what);
    this.faults = [{ field, what }];
  }
}

// --- choices, fields --------------------------------------------------------

let serial = 0;
const useId = () => useState(() => 'f' + ++serial)[0];

// Choices is a set of big buttons of which one is down. list: [{value, text,
// sub, disabled, said}].
export function Choices({ label, list, value, onPick, field, cls = '', many }) {
  const id = useId();
  return h('fieldset', { 'data-field': field || '' }, h('legend', null, label), h('div', { class: 'opts ' + cls },
    list.map((o) => h('label', { class: 'opt', key: o.value },
      h('input', {
        type: many ? 'checkbox' : 'radio', name: id, value: o.value, checked: many ? value.includes(o.value) : o.value === value, disabled: o.disabled,
        onchange: (ev) => onPick(many ? (ev.target.checked ? [...value, o.value] : value.filter((x) => x !== o.value)) : o.value),
      }),
      h('span', null, h('b', { class: 'lab1', translate: o.said ? false : undefined }, o.text), o.sub ? h('em', null, o.sub) : null)))),
  field ? h(Err, { field }) : null);
}

// Field is one typed input with its label, hint and fault.
export function Field({ label, field, hint, value, onInput, type = 'text', unit, ...rest }) {
  const id = useId();
  return h('div', { class: 'field', 'data-field': field }, h('label', { for: id }, label), hint ? h('p', { class: 'small' }, hint) : null,
    h('div', { class: unit ? 'withunit' : null }, h('input', { id, type, name: field, value, class: bad(field) ? 'bad' : null, 'aria-describedby': id + 'e', autocomplete: 'off', oninput: (ev) => onInput(ev.target.value), ...rest }), unit ? h('span', null, unit) : null),
    h('div', { id: id + 'e' }, h(Err, { field })));
}

// number reads a typed number with a comma or a point; null for nothing, NaN for
// what is none.
export const number = (v) => (String(v ?? '').trim() === '' ? null : Number(String(v).trim().replace(',', '.').replace('\u2212', '-')));

// Stepper goes up and down by taps; holding repeats.
export function Stepper({ label, value, set, step, min = 0, max = 1e9, say, none }) {
  const v = useRef(value);
  v.current = value;
  const rep = useRef({});
  const go = (dir) => {
    const x = v.current;
    const next = x === null ? (dir > 0 ? Math.max(min, step) : min) : Math.round((x + dir * step) / step) * step;
    v.current = Math.min(max, Math.max(min, next));
    set(v.current);
  };
  const stop = () => { clearInterval(rep.current.rep); clearTimeout(rep.current.wait); };
  useEffect(() => stop, []);
  const btn = (dir) => h('button', {
    type: 'button', 'aria-label': t(dir < 0 ? 'less' : 'more.of', { what: label }), onclick: () => go(dir),
    onpointerdown: () => { rep.current.wait = setTimeout(() => { rep.current.rep = setInterval(() => go(dir), 110); }, 500); },
    onpointerup: stop, onpointerleave: stop, onpointercancel: stop,
  }, dir < 0 ? '\u2212' : '+');
  return h('div', { class: 'step', role: 'group', 'aria-label': label }, btn(-1), h('output', { 'aria-live': 'polite' }, value === null ? none || '–' : say(value)), btn(1));
}

// --- when -------------------------------------------------------------------

// The dial is an oval so that twelve gloved fingers' breadths fit a phone's
// width: its places lie at equal distances along it, twelve at the top.
const A = 132, B = 178;
const SPOTS = (() => {
  const fine = [];
  let len = 0, px = 0, py = -B;
  for (let i = 0; i <= 3600; i++) {
    const a = (i / 3600) * 2 * Math.PI, x = A * Math.sin(a), y = -B * Math.cos(a);
    len += Math.hypot(x - px, y - py);
    fine.push([len, x, y]);
    [px, py] = [x, y];
  }
  return Array.from({ length: 12 }, (_, k) => { const f = fine.find(([l]) => l >= (k * len) / 12); return [Math.round(A + f[1]), Math.round(B + f[2])]; });
})();

function Dial({ label, at, middle }) {
  return h('div', { class: 'dial', role: 'group', 'aria-label': label },
    h('svg', { width: 2 * A + 64, height: 2 * B + 64, 'aria-hidden': 'true' }, h('ellipse', { class: 'track', cx: A + 32, cy: B + 32, rx: A, ry: B })),
    at.map((o, k) => h('button', { type: 'button', key: k, class: 'spot', style: { left: SPOTS[k][0] + 'px', top: SPOTS[k][1] + 'px' }, disabled: !o.pick, onclick: o.pick, 'aria-label': o.aria }, o.text)),
    h('div', { class: 'middle' }, middle));
}

// When asks for a moment in at most four taps: the hour on a dial of the last
// twelve, then five minutes; a half day or a day earlier beside it. at is null
// for now, so that "now" is the moment of saving.
export function When({ label, at, onPick, field = 'at', open: always }) {
  const [open, setOpen] = useState(!!always);
  const [back, setBack] = useState({ half: false, day: false });
  const [hour, setHour] = useState(null);
  const n = now();
  const done = (x) => { onPick(x); setHour(null); setOpen(false); };
  if (!open) {
    return h('fieldset', { 'data-field': field }, h('legend', null, label),
      h('div', { class: 'opts two' },
        h('label', { class: 'opt' }, h('input', { type: 'radio', name: 'when' + field, checked: at === null, onchange: () => onPick(null), onclick: () => onPick(null) }), h('span', null, h('b', { class: 'lab1' }, at === null ? t('now.cap') : clock(at, true)), at === null ? null : h('em', null, ago(at)))),
        h('button', { type: 'button', onclick: () => { setHour(null); setOpen(true); } }, t(at === null ? 'when.earlier' : 'when.change'))),
      h(Err, { field }));
  }
  const shift = (back.half ? 12 : 0) + (back.day ? 24 : 0);
  const base = n - shift * HOUR;
  const here = wallParts(base);
  let spotsNow, middle;
  if (hour === null) {
    // The last twelve hours of the shop's clock, each at its place on the dial.
    spotsNow = Array.from({ length: 12 }, (_, k) => {
      let x = here.hour - ((here.hour % 12) - k + 12) % 12, day = here.day;
      if (x < 0) { x += 24; day--; }
      return { text: trusted() ? hourWord(x) : '\u2212' + Math.round((n - atWall(day, x)) / HOUR), pick: () => setHour({ hour: x, day }), aria: hourWord(x) };
    });
    const from = atWall(here.day, here.hour) - 11 * HOUR;
    middle = [h('b', null, t('when.hour')), h('span', null, weekday(from) === weekday(base) ? weekday(base) : weekday(from) + ' – ' + weekday(base))];
  } else {
    spotsNow = Array.from({ length: 12 }, (_, k) => {
      const x = atWall(hour.day, hour.hour, k * 5);
      return { text: ':' + String(k * 5).padStart(2, '0'), pick: x <= n ? () => done(x) : null, aria: face(hour.hour, k * 5) };
    });
    middle = [h('b', null, hourWord(hour.hour) + ':'), h('span', null, weekday(atWall(hour.day, hour.hour)))];
  }
  const shifts = h('div', null,
    hour === null
      ? h('button', { type: 'button', 'aria-pressed': String(back.half), class: back.half ? 'on' : '', onclick: () => setBack({ ...back, half: !back.half }) }, t('when.half'))
      : h('button', { type: 'button', onclick: () => setHour(null) }, t('when.hour.again')),
    h('button', { type: 'button', 'aria-pressed': String(back.day), class: back.day ? 'on' : '', onclick: () => { setBack({ ...back, day: !back.day }); if (hour) setHour({ ...hour, day: hour.day + (back.day ? 1 : -1) }); } }, t('when.yesterday')));
  return h('fieldset', { 'data-field': field, class: 'when' }, label && h('legend', null, label),
    h(Dial, { label: t(hour === null ? 'when.hours' : 'when.minutes'), at: spotsNow, middle: [middle, shifts] }),
    !always && h('div', { class: 'opts one' }, h('button', { type: 'button', onclick: () => done(null) }, t('now.cap'))),
    h(Err, { field }));
}
// moment is when it was, for the board; at is null for now.
export const moment = (at) => iso(at === null || at === undefined ? now() : at);

// --- a page for one entry ----------------------------------------------------

// Slip is a page for one entry: title, parts, and the save button where the
// thumb is. save may throw Refused or Wrong; the form keeps everything then.
// live: faults that are found while it is filled in.
export function Slip({ title, sub, button, save, backTo = '#/', children, extra, live, wide }) {
  const f = useForm(save, live);
  const kids = [
    h('form', { class: 'page slip' + (wide ? ' wide' : ''), novalidate: true, onsubmit: f.submit },
      h('a', { class: 'back', href: backTo }, t('back')), h('h1', null, title), sub ? h('p', { class: 'small' }, sub) : null,
      children, h(Err, { foot: true }), h('button', { type: 'submit', class: 'vh', tabindex: -1, 'aria-hidden': 'true' }, button)),
    h(Foot, null, extra || h('a', { class: 'btn', href: backTo }, t('back')), h('button', { type: 'button', class: 'first', disabled: f.busy, onclick: f.submit }, button))];
  return kids;
}
