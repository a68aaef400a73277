// Parts of a form for gloves: big choices, steppers, when, drafts that survive
// a reload, and faults beside their field.
import { h, $, $$, fill } from './dom.js';
import { now, trusted } from './state.js';
import { hm, span } from './say.js';
import { Refused, NoLine } from './net.js';
import { key } from './net.js';

// draft keeps what was typed or tapped until the entry is taken.
export function draft(name, first) {
  const k = 'draft:' + name;
  let d;
  try {
    d = { ...first, ...JSON.parse(sessionStorage.getItem(k) || '{}') };
  } catch {
    d = { ...first };
  }
  d.key ||= key(); // one entry, one key: a repeat is harmless
  const save = () => sessionStorage.setItem(k, JSON.stringify(d));
  save();
  return { d, save, done: () => sessionStorage.removeItem(k) };
}

let serial = 0;

// choices is a set of big buttons of which one is down. list: [{value, text,
// sub, disabled}].
export function choices(label, list, value, onpick, opt = {}) {
  const name = 'c' + ++serial;
  const inputs = list.map((o) => h('label', { class: 'opt' },
    h('input', { type: 'radio', name, value: o.value, checked: o.value === value, disabled: o.disabled, onchange: () => onpick(o.value) }),
    h('span', null, o.text, o.sub ? h('em', null, o.sub) : null)));
  for (const [i, o] of list.entries()) if (o.value === value) $('input', inputs[i]).checked = true;
  return h('fieldset', { 'data-field': opt.field || '' }, h('legend', null, label), h('div', { class: 'opts ' + (opt.cls || '') }, inputs), h('p', { class: 'err', role: 'alert' }));
}

// stepper goes up and down by taps; holding repeats.
export function stepper(label, { get, set, step, min = 0, max = 1e9, say, none }) {
  const out = h('output', { 'aria-live': 'polite' });
  const show = () => { out.textContent = get() === null ? none || '–' : say(get()); };
  const go = (dir) => {
    const v = get();
    const next = v === null ? (dir > 0 ? Math.max(min, step) : min) : Math.round((v + dir * step) / step) * step;
    set(Math.min(max, Math.max(min, next)));
    show();
  };
  const btn = (dir) => {
    let rep = 0, wait = 0;
    const stop = () => { clearInterval(rep); clearTimeout(wait); };
    return h('button', {
      type: 'button', 'aria-label': (dir < 0 ? 'Less: ' : 'More: ') + label, onclick: () => go(dir),
      onpointerdown: () => { wait = setTimeout(() => { rep = setInterval(() => go(dir), 110); }, 500); },
      onpointerup: stop, onpointerleave: stop, onpointercancel: stop,
    }, dir < 0 ? '\u2212' : '+');
  };
  const el = h('div', { class: 'step', role: 'group', 'aria-label': label }, btn(-1), out, btn(1));
  show();
  el.refresh = show;
  return el;
}

// when asks for a moment without a keyboard: now, 5, 15, 30 minutes ago, other.
// It keeps minutes ago in d.ago, so that "now" is the moment of saving.
export function when(d, save, label, opt = {}) {
  const other = ![0, 5, 15, 30].includes(d.ago);
  let pick = other ? 'other' : String(d.ago);
  const step = stepper('minutes ago', {
    get: () => d.ago, set: (v) => { d.ago = v; save(); }, step: 5, min: 0, max: 60 * 72,
    say: (v) => (v === 0 ? 'now' : trusted() ? hm(now() - v * 60e3) : span(v * 60e3) + ' ago') + (v >= 60 && trusted() ? ', ' + span(v * 60e3) + ' ago' : v && trusted() ? ', ' + v + ' min ago' : ''),
  });
  step.hidden = pick !== 'other';
  const fs = choices(label, [
    { value: '0', text: 'Now' }, { value: '5', text: '5 min ago' }, { value: '15', text: '15 min ago' }, { value: '30', text: '30 min ago' }, { value: 'other', text: 'Other' },
  ], pick, (v) => {
    pick = v;
    step.hidden = v !== 'other';
    if (v !== 'other') d.ago = +v;
    else if (d.ago < 45) d.ago = 45;
    step.refresh();
    save();
  }, { field: opt.field || 'at', cls: 'three' });
  fs.insertBefore(step, fs.lastChild);
  return fs;
}
export const moment = (d) => new Date(Math.round(now() - d.ago * 60e3)).toISOString();

// field is one typed input with its label and its fault.
export function field(label, name, input, hint) {
  const id = 'f' + ++serial;
  input.id = id;
  input.name ||= name;
  const err = h('p', { class: 'err', role: 'alert', id: id + 'e' });
  input.setAttribute('aria-describedby', id + 'e');
  return h('div', { class: 'field', 'data-field': name }, h('label', { for: id }, label), hint ? h('p', { class: 'small' }, hint) : null, input, err);
}

// faults shows each fault beside its field; those without one go to the foot.
export function faults(root, list) {
  for (const e of $$('.err', root)) e.textContent = '';
  for (const e of $$('.bad', root)) e.classList.remove('bad');
  const rest = [];
  let first = null;
  for (const f of list || []) {
    const base = String(f.field || '').split(/[.[]/)[0];
    const box = f.field && (root.querySelector(`[data-field="${CSS.escape(f.field)}"]`) || root.querySelector(`[data-field~="${CSS.escape(base)}"]`) || $$('[data-field]', root).find((x) => x.dataset.field.split(' ').includes(f.field)));
    const err = box && $('.err', box);
    if (!err) {
      rest.push((f.field ? f.field + ': ' : '') + f.what);
      continue;
    }
    err.textContent = (err.textContent ? err.textContent + '; ' : '') + f.what;
    first ||= box;
    const inp = $('input:not([type=radio]), select', box);
    if (inp) inp.classList.add('bad');
  }
  const foot = $('.err.foot', root);
  if (foot) foot.textContent = rest.join('; ');
  (first || (rest.length ? foot : null))?.scrollIntoView({ block: 'center' });
}

// slip builds a page for one entry: title, parts, and the save button where the
// thumb is. save may throw Refused; the form keeps everything then.
export function slip(main, { title, sub, parts, button, save, backTo = '#/', ink = true }) {
  const root = h('form', { class: 'page slip', novalidate: true },
    h('a', { class: 'back', href: backTo }, 'Back'), h('h1', null, title), sub ? h('p', { class: 'small' }, sub) : null,
    parts, h('p', { class: 'err foot', role: 'alert' }));
  const bar = $('#bar');
  const go = h('button', { type: 'button', class: 'first' + (ink ? ' ink' : '') }, button);
  let busy = false;
  const submit = async (ev) => {
    ev?.preventDefault();
    if (busy) return; // a double tap
    busy = true;
    go.disabled = true;
    faults(root, []);
    try {
      await save();
    } catch (e) {
      if (e instanceof Refused) faults(root, e.faults);
      else if (e instanceof NoLine) faults(root, [{ field: '', what: 'no line to the board; what you entered is still here' }]);
      else faults(root, [{ field: '', what: e.message }]);
    } finally {
      busy = false;
      go.disabled = false;
    }
  };
  go.addEventListener('click', submit);
  root.addEventListener('submit', submit);
  bar.dataset.slip = '1';
  fill(bar, h('a', { class: 'btn', href: backTo }, 'Back'), go);
  fill(main, root);
  return root;
}

