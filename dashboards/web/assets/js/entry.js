// What is entered and how it travels: the line to the board and its queue, taps
// and their undo, the parts of a form, what you did, the page's voice.
import { $, $$, FINGER, S, STATES, WORD, changed, clock, coats, deg, fill, fromUnit, grams, h, hm, minus, ms, now, panelName, resinByName, span, temp, toUnit, trusted, unit } from './base.js';

// The line to the board: requests, live events, and the queue of entries that
// wait on this phone while the line is down.
//
// Every entry is written to IndexedDB before it is sent and leaves only when
// the board has answered, each under a key of its own, so that a double tap, a
// lost answer or a reload never enters a thing twice.

// hooks are what a page wants to hear of, without tying the modules in a circle.
export const hooks = { onWork: null };

const API = '/api/v1';

export class Refused extends Error {
  constructor(status, faults) {
    super(faults.map((f) => f.what).join('; ') || 'refused (' + status + ')');
    this.status = status;
    this.faults = faults;
  }
}
export class NoLine extends Error {}

export function key() {
  const b = crypto.getRandomValues(new Uint8Array(16));
  return [...b].map((x) => x.toString(16).padStart(2, '0')).join('');
}

// call makes one request. A failed line is NoLine; a refusal is Refused with
// the faults and their fields.
export async function call(method, path, body, idem) {
  const headers = {}, file = body instanceof Blob;
  if (body !== undefined) headers['Content-Type'] = 'application/' + (file ? 'octet-stream' : 'json');
  if (idem) headers['Idempotency-Key'] = idem;
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), file ? 36e5 : 20e3);
  let res, text;
  try {
    res = await fetch(API + path, {
      method, headers, body: file ? body : JSON.stringify(body), signal: stop.signal, credentials: 'same-origin', cache: 'no-store',
    });
    text = await res.text();
  } catch (e) {
    throw new NoLine(e.message);
  } finally {
    clearTimeout(timer);
  }
  let data = null;
  try {
    data = text ? JSON.parse(text) : null;
  } catch {
    data = null;
  }
  S.heard = Date.now();
  if (!res.ok) {
    const faults = (data && Array.isArray(data.error) && data.error) || [{ field: '', what: res.statusText || 'the board refused (' + res.status + ')' }];
    if (res.status === 401) needLogin();
    throw Object.assign(new Refused(res.status, faults), { confirm: data && data.confirm });
  }
  if (S.lost) setLost(false);
  return data;
}
export const get = (path) => call('GET', path);

export function needLogin() {
  S.login = true;
  if (!location.hash.startsWith('#/login')) {
    sessionStorage.setItem('after-login', location.hash || '#/');
    location.hash = '#/login';
  }
}

function setLost(x) {
  if (S.lost === x) return;
  S.lost = x;
  changed();
  if (!x) flush();
}

// --- the queue -------------------------------------------------------------

let dbp = null;
function db() {
  dbp ||= new Promise((ok, bad) => {
    const q = indexedDB.open('curewright', 1);
    q.onupgradeneeded = () => {
      q.result.createObjectStore('queue', { keyPath: 'n', autoIncrement: true });
      q.result.createObjectStore('ids'); // entry key -> the id that the board gave
    };
    q.onsuccess = () => ok(q.result);
    q.onerror = () => bad(q.error);
  }).catch(() => null); // private windows may refuse: memory then, and said so
  return dbp;
}
const mem = { queue: [], ids: new Map(), n: 1 };

async function tx(store, mode, f) {
  const d = await db();
  if (!d) return null;
  return new Promise((ok, bad) => {
    const t = d.transaction(store, mode);
    const q = f(t.objectStore(store));
    t.oncomplete = () => ok(q && q.result);
    t.onerror = t.onabort = () => bad(t.error);
  });
}

async function load() {
  const d = await db();
  S.queue = d ? await tx('queue', 'readonly', (o) => o.getAll()) : mem.queue;
  S.volatile = !d;
  changed();
}
async function put(e) {
  if (!(await db())) {
    e.n ||= mem.n++;
    mem.queue = [...mem.queue.filter((x) => x.n !== e.n), e];
  } else {
    e.n = await tx('queue', 'readwrite', (o) => o.put(e));
  }
  await load();
}
async function drop(e) {
  if (!(await db())) mem.queue = mem.queue.filter((x) => x.n !== e.n);
  else await tx('queue', 'readwrite', (o) => o.delete(e.n));
  await load();
}
async function idOf(k) {
  if (!(await db())) return mem.ids.get(k);
  return tx('ids', 'readonly', (o) => o.get(k));
}
async function setId(k, id) {
  if (!(await db())) mem.ids.set(k, id);
  else await tx('ids', 'readwrite', (o) => o.put(id, k));
}

// An entry may speak of another one that is not sent yet as "local:KEY".
async function resolve(x) {
  if (typeof x === 'string') {
    let out = x;
    for (const m of x.match(/local:[0-9a-f]{32}/g) || []) {
      const id = await idOf(m.slice(6));
      if (!id) throw new Refused(409, [{ field: '', what: 'what it belongs to was not sent' }]);
      out = out.replace(m, x === m ? id : encodeURIComponent(id));
    }
    return out;
  }
  if (Array.isArray(x)) return Promise.all(x.map(resolve));
  if (x && typeof x === 'object') {
    const out = {};
    for (const k in x) out[k] = await resolve(x[k]);
    return out;
  }
  return x;
}

const waiting = new Map(); // entry key -> {ok, bad}
let busy = false, again = false;

// enter puts one entry into the queue and tries to send it. It resolves to
// {id, kept}: kept means it waits on this phone. A refusal by the board rejects
// with Refused and takes the entry out, so that the form can show the faults.
// e: {key, method, path, body, say}.
export async function enter(e) {
  e.key ||= key();
  if (S.queue.some((q) => q.key === e.key)) return { key: e.key, kept: true }; // a double tap
  e.at = now();
  const done = new Promise((ok, bad) => waiting.set(e.key, { ok, bad }));
  await put(e);
  flush();
  return done;
}

export async function flush() {
  if (busy) {
    again = true;
    return;
  }
  busy = true;
  try {
    do {
      again = false;
      await load();
      for (const e of S.queue) {
        if (e.refused) continue;
        const w = waiting.get(e.key);
        try {
          const out = await call(e.method, await resolve(e.path), await resolve(e.body), e.key);
          if (out && out.id) await setId(e.key, out.id);
          await drop(e);
          waiting.delete(e.key);
          if (w) w.ok({ key: e.key, id: out && out.id, out });
        } catch (err) {
          if (err instanceof Refused && err.status !== 401 && err.status !== 429 && err.status < 500) {
            waiting.delete(e.key);
            if (w && !e.kept) {
              await drop(e);
              w.bad(err);
            } else {
              e.refused = err.message;
              await put(e);
            }
            continue;
          }
          if (!(err instanceof Refused)) {
            setLost(true);
          }
          // Everything behind it waits too: the order of work is kept.
          for (const q of S.queue) {
            const w2 = waiting.get(q.key);
            if (!q.kept) {
              q.kept = true;
              await put(q);
            }
            waiting.delete(q.key);
            if (w2) w2.ok({ key: q.key, kept: true });
          }
          return;
        }
      }
    } while (again);
  } finally {
    busy = false;
  }
}

// forget takes an entry that was not sent, or that the board refused, off this
// phone.
export async function forget(k) {
  const e = S.queue.find((q) => q.key === k);
  if (e) await drop(e);
  return !!e;
}

// --- live ------------------------------------------------------------------

export function take(snap) {
  if (S.snap && ms(snap.at) < ms(S.snap.at) - 1000 && S.snap.settings.clock_trusted === snap.settings.clock_trusted && ms(S.snap.at) - ms(snap.at) < 60e3) return;
  S.snap = snap;
  S.got = S.heard = Date.now();
  setLost(false);
  changed();
}

export async function lists() {
  const [p, r] = await Promise.all([get('/panels'), get('/resins')]);
  S.panels = rows(p, 'panels');
  S.resins = rows(r, 'resins');
  changed();
}
// rows takes a list that comes bare or under its name.
export const rows = (x, name) => (Array.isArray(x) ? x : (x && x[name]) || []);

let es = null, tries = 0, timer = 0;

export async function refresh() {
  try {
    take(await get('/snapshot'));
    tries = 0;
  } catch (e) {
    if (!(e instanceof Refused)) setLost(true);
    else if (e.status >= 500) setLost(true);
  }
}

export function live() {
  clearTimeout(timer);
  if (es) es.close();
  es = new EventSource(API + '/events');
  es.addEventListener('snapshot', (m) => {
    tries = 0;
    take(JSON.parse(m.data));
  });
  es.addEventListener('work', () => {
    lists().catch(() => {});
    hooks.onWork && hooks.onWork();
  });
  es.onopen = () => {
    tries = 0;
    S.heard = Date.now();
    setLost(false);
    flush();
  };
  es.onerror = () => {
    if (es.readyState === EventSource.CLOSED || tries > 2) {
      es.close();
      clearTimeout(timer);
      timer = setTimeout(() => refresh().then(() => !S.login && live()), Math.min(30e3, 1000 * 2 ** Math.min(tries, 5)));
    }
    tries++;
    if (tries > 1) setLost(true);
  };
}

// watchLine asks again when nothing was heard for long: a phone that slept, or
// a line that died without a word.
export function watchLine() {
  setInterval(() => {
    if (!S.login && Date.now() - S.heard > 60e3) refresh();
    if (S.queue.some((q) => !q.refused)) flush();
  }, 10e3);
  document.addEventListener('visibilitychange', () => {
    // Out of sight and silent, a page lets go of its line; one that may have to
    // sound keeps it.
    if (document.visibilityState === 'hidden' && !S.sound && es) es.close();
    if (document.visibilityState === 'visible' && !S.login) {
      refresh();
      if (!es || es.readyState === EventSource.CLOSED) live();
    }
  });
  addEventListener('online', () => { refresh(); flush(); });
  addEventListener('offline', () => setLost(true));
  // A page that is left, but kept by the browser for the way back, must not hold
  // its line: there are only six to one board.
  addEventListener('pagehide', () => es && es.close());
  addEventListener('pageshow', (ev) => ev.persisted && !S.login && (refresh(), live()));
  load().then(flush);
}

// What a tap does: entries with their undo, holds of half a second, and the
// few actions that need no page of their own.

let toastTimer = 0;

// toast says what was done, with one way back for twelve seconds.
export function toast(text, undo) {
  const box = $('#toast');
  clearTimeout(toastTimer);
  const btn = undo && h('button', { type: 'button', onclick: async () => {
    btn.disabled = true;
    try {
      await undo();
      toast('Undone.');
    } catch (e) {
      toast('Could not be undone: ' + e.message + '.');
    }
  } }, 'Undo');
  fill(box, h('span', null, text), btn || '');
  toastTimer = setTimeout(() => box.replaceChildren(), undo ? 12e3 : 5e3);
}

// back takes one entry back: off this phone if it never left, else by an entry
// of its own, which the record keeps beside the first.
export function back(r, method, path, body, say) {
  return async () => {
    if (r.kept && (await forget(r.key))) return;
    await enter({ key: key(), method, path, body, say });
    soon();
  };
}

// soon asks for the new state after an entry.
export function soon() {
  refresh();
  lists().catch(() => {});
}

export async function patchCoat(id, body, undoBody, say, done) {
  const r = await enter({ key: key(), method: 'PATCH', path: '/coats/' + encodeURIComponent(id), body, say });
  toast(done + (r.kept ? ' Kept on this phone.' : ''), back(r, 'PATCH', '/coats/' + encodeURIComponent(id), undoBody, 'undo: ' + say));
  soon();
}

const ACTS = {
  async ack(id) {
    await enter({ key: key(), method: 'POST', path: `/alerts/${encodeURIComponent(id)}/ack`, body: {}, say: 'heard the call' });
    // It is quiet at once; the board's word follows.
    for (const a of (S.snap && S.snap.alerts) || []) if (a.id === id && a.state === 'firing') a.state = 'acknowledged';
    changed();
    refresh();
  },
  async used(id) {
    const r = await enter({ key: key(), method: 'POST', path: `/batches/${encodeURIComponent(id)}/end`, body: { at: iso(now()) }, say: 'cup used up' });
    if (S.snap) S.snap.cups = (S.snap.cups || []).filter((c) => c.batch !== id);
    changed();
    toast('Cup used up.' + (r.kept ? ' Kept on this phone.' : ''), back(r, 'PATCH', '/batches/' + encodeURIComponent(id), { ended: null }, 'undo: cup used up'));
    soon();
  },
  async end(id) {
    await patchCoat(id, { ended: iso(now()) }, { ended: null }, 'watch ended', 'No longer watched. It stays in the record.');
    if (!location.hash.startsWith('#/coat')) return;
    location.hash = '#/';
  },
  async clock() {
    try {
      await call('POST', '/clock', { time: new Date().toISOString() });
    } catch (e) {
      // Far from the last record: asked once more.
      if (!e.confirm || !window.confirm(e.message)) throw e;
      await call('POST', '/clock', { time: new Date().toISOString(), confirm: e.confirm });
    }
    refresh();
    toast('The board goes by this phone’s clock now.');
  },
  forget: (id) => forget(id),
  soundOn: () => sound.on(),
  soundTest: () => sound.test(),
  heard: () => sound.heard(true),
  unheard: () => sound.heard(false),
  async tentOff() {
    await call('POST', '/tent/off', { why: 'by hand, on the page' });
    toast('Heat is off until you switch it on.');
    S.tent = undefined;
    refresh();
  },
  tentSolvent: () => tentDo('POST', 'solvent', {}, 'Heat is off for 30 minutes.'),
  tentRelease: () => tentDo('POST', 'release', {}, 'Released. Heat stays off until it is asked for.'),
  tentResume: () => tentDo('PUT', 'resume', { on: !S.tent?.resume }, 'Kept.'),
};

async function tentDo(method, what, body, say) {
  S.tent = await call(method, '/tent/' + what, body);
  toast(say);
  refresh();
}

export const iso = (t) => new Date(Math.round(t)).toISOString();

const running = new Set();
export async function run(name, id) {
  const k = name + ' ' + id;
  if (running.has(k) || !ACTS[name]) return;
  running.add(k);
  try {
    await ACTS[name](id);
  } catch (e) {
    toast(e.message ? 'Not done: ' + e.message + '.' : 'Not done.');
  } finally {
    setTimeout(() => running.delete(k), 800);
  }
}

export function click(ev) {
  const b = ev.target.closest && ev.target.closest('[data-do]');
  if (!b || b.disabled || b.classList.contains('hold')) return;
  run(b.dataset.do, b.dataset.id || '');
}

// holds makes buttons of class "hold" act only after half a second's press, by
// finger or by key, so that a brushed glove ends nothing.
export function holds() {
  let timer = 0, held = null;
  const start = (b) => {
    if (held || b.disabled) return;
    held = b;
    b.classList.add('down');
    timer = setTimeout(() => {
      stop();
      b.dispatchEvent(new CustomEvent('held', { bubbles: true }));
      if (b.dataset.do) run(b.dataset.do, b.dataset.id || '');
    }, 500);
  };
  const stop = () => {
    clearTimeout(timer);
    if (held) held.classList.remove('down');
    held = null;
  };
  const hold = (ev) => ev.target.closest && ev.target.closest('button.hold');
  document.addEventListener('pointerdown', (ev) => {
    const b = hold(ev);
    if (b && ev.button === 0) start(b);
  });
  for (const t of ['pointerup', 'pointercancel', 'blur']) addEventListener(t, stop);
  document.addEventListener('contextmenu', (ev) => hold(ev) && ev.preventDefault());
  document.addEventListener('keydown', (ev) => {
    const b = hold(ev);
    if (b && (ev.key === 'Enter' || ev.key === ' ')) {
      ev.preventDefault();
      if (!ev.repeat) start(b);
    }
  });
  document.addEventListener('keyup', stop);
}

// Parts of a form for gloves: big choices, steppers, when, drafts that survive
// a reload, and faults beside their field.

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
      type: 'button', 'aria-label': (dir < 0 ? '\u2212 less: ' : '+ more: ') + label, onclick: () => go(dir),
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

// refused shows why the board did not take a form; without a line it says that
// nothing is lost.
export const refused = (root, e) => faults(root, e instanceof Refused ? e.faults : [{ what: (e instanceof NoLine ? 'no line to the board' : e.message) + '; what you entered is still here' }]);

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
      refused(root, e);
    } finally {
      busy = false;
      go.disabled = false;
    }
  };
  go.addEventListener('click', submit);
  root.addEventListener('submit', submit);
  root.addEventListener('keydown', (ev) => ev.key === 'Enter' && ev.target.tagName === 'INPUT' && submit(ev));
  bar.dataset.slip = '1';
  fill(bar, h('a', { class: 'btn', href: backTo }, 'Back'), go);
  fill(main, root);
  return root;
}

// The page's voice: a tone for each kind of call, switched on by one tap,
// because a browser plays nothing before it was touched.
export const sound = (() => {
  let ctx = null, asked = false, lastPlay = 0, wake = null;

  // Patterns: frequency in Hz (0 is silence) and length in s. Each is told apart
  // by rhythm as well as by pitch.
  const PATTERN = {
    'act now': [[880, 0.18], [0, 0.1], [880, 0.18], [0, 0.1], [1175, 0.36]],
    closing: [[660, 0.4], [0, 0.2], [550, 0.4], [0, 0.2], [660, 0.4]],
    danger: [[1400, 0.14], [0, 0.07], [1400, 0.14], [0, 0.07], [1400, 0.14], [0, 0.07], [1400, 0.14], [0, 0.25], [700, 0.5]],
  };
  const EVERY = { 'act now': 60e3, closing: 120e3, danger: 12e3 };
  const RANK = ['danger', 'act now', 'closing'];

  const wanted = () => localStorage.getItem('sound') === 'on';

  function play(name) {
    if (!ctx || ctx.state !== 'running') return false;
    let t = ctx.currentTime + 0.03;
    for (const [f, d] of PATTERN[name] || PATTERN['act now']) {
      if (f) {
        const o = ctx.createOscillator(), g = ctx.createGain();
        o.type = 'triangle';
        o.frequency.value = f;
        g.gain.setValueAtTime(0.0001, t);
        g.gain.exponentialRampToValueAtTime(0.7, t + 0.015);
        g.gain.setValueAtTime(0.7, t + d - 0.03);
        g.gain.exponentialRampToValueAtTime(0.0001, t + d);
        o.connect(g).connect(ctx.destination);
        o.start(t);
        o.stop(t + d + 0.02);
      }
      t += d;
    }
    return true;
  }

  async function open() {
    ctx ||= new (window.AudioContext || window.webkitAudioContext)();
    await ctx.resume();
    S.sound = ctx.state === 'running';
  }

  async function on() {
    await open();
    localStorage.setItem('sound', 'on');
    keepAwake();
    play('act now');
    asked = true;
    changed();
  }

  async function test() {
    await open();
    play('act now');
    asked = true;
    changed();
  }

  async function heard(yes) {
    asked = false;
    if (yes) {
      localStorage.setItem('sound', 'on');
      await call('POST', '/sound/test', { channel: 'page', heard: true });
      if (S.snap) S.snap.settings.wake_tested = true;
      no = false;
    } else {
      no = true;
    }
    changed();
  }
  let no = false;

  // start lets any first touch switch the sound on where it was wanted before.
  function start() {
    const first = async () => {
      if (wanted() && !S.sound) {
        await open();
        keepAwake();
        changed();
      }
    };
    document.addEventListener('pointerdown', first, { passive: true });
    document.addEventListener('keydown', first);
    document.addEventListener('visibilitychange', () => document.visibilityState === 'visible' && wanted() && keepAwake());
  }

  // keepAwake asks for a screen that stays on; only a secure page may.
  async function keepAwake() {
    if (!navigator.wakeLock) return;
    try {
      wake = await navigator.wakeLock.request('screen');
    } catch {
      wake = null;
    }
  }

  // follow plays what fires and nobody has acknowledged, again at its own pace.
  function follow() {
    const firing = ((S.snap && S.snap.alerts) || []).filter((a) => a.state === 'firing' && a.sound);
    const top = RANK.find((r) => firing.some((a) => a.sound === r));
    if (!top) return;
    if (Date.now() - lastPlay < EVERY[top] && lastWhat === top) return;
    if (play(top)) {
      lastPlay = Date.now();
      lastWhat = top;
    }
  }
  let lastWhat = '';

  // notice is the line about being woken, "" when all is well.
  function notice() {
    if (asked) {
      return h('div', { class: 'note', 'data-key': 'sound' }, h('p', null, h('b', null, 'Did you hear it?')),
        h('div', { class: 'do' }, h('button', { type: 'button', class: 'first', 'data-do': 'heard' }, 'Yes, I heard it'),
          h('button', { type: 'button', 'data-do': 'soundTest' }, 'Play it again'),
          h('button', { type: 'button', 'data-do': 'unheard' }, 'No')));
    }
    const t = S.snap && S.snap.settings.wake_tested;
    if (no && !t) {
      return h('div', { class: 'note harm side', 'data-key': 'sound' }, h('p', null, h('span', { class: 'mark' }, 'Not heard.'), ' Turn the volume up and the silent switch off, then try again.'),
        h('div', { class: 'do' }, h('button', { type: 'button', 'data-do': 'soundTest' }, 'Play it again')));
    }
    if (!t) {
      return h('div', { class: 'note harm side', 'data-key': 'sound' }, h('p', null, h('span', { class: 'mark' }, 'No way to wake you is set up.'), ' Try the sound on this phone, and keep this page open.'),
        h('div', { class: 'do' }, h('button', { type: 'button', 'data-do': 'soundOn' }, 'Try the sound')));
    }
    if (!S.sound) {
      return h('div', { class: 'note side', 'data-key': 'sound' }, h('p', null, 'The sound is off on this phone.'),
        h('div', { class: 'do' }, h('button', { type: 'button', 'data-do': 'soundOn' }, 'Sound on')));
    }
    return null;
  }

  const awakeWord = () => (navigator.wakeLock ? (wake ? 'The screen stays on while this page is open.' : '') : 'Set the phone’s screen to stay on: over plain HTTP a page may not do it.');
  return { on, test, heard, start, follow, notice, awakeWord };
})();

// What you did, told with one thumb: mixed, on the panel, finger test, cloth is
// in, a new panel, tonight's low.
export const flows = (() => {
  const last = (k, d) => localStorage.getItem('last:' + k) || d;
  const keep = (k, v) => localStorage.setItem('last:' + k, v);
  const kept = (r) => (r.kept ? ' Kept on this phone, will send.' : '');
  const enc = encodeURIComponent;

  async function need() {
    if (S.panels.length && S.resins.length) return;
    await lists().catch(() => {});
  }

  async function draw(main, r) {
    if (r.name === 'low') return low(main);
    await need();
    if (r.name === 'mixed') return mixed(main);
    if (r.name === 'panel') return panel(main, r.args);
    if (r.name === 'on') return S.panels.length ? on(main, r) : panel(main, { then: 'on' });
    if (r.name === 'feel') return feel(main, r.rest[0]);
    if (r.name === 'cloth') return cloth(main, r.rest[0]);
    return undefined;
  }

  const resinChoices = (d, save, refresh) => choices('Which epoxy', S.resins.map((x) => ({ value: x.name, text: x.name, sub: x.generic ? 'generic, fit your own' : null })), d.resin, (v) => {
    d.resin = v;
    save();
    refresh && refresh();
  }, { field: 'resin', cls: S.resins.length === 3 ? 'three' : '' });

  const soleResin = () => {
    const was = last('resin', '');
    return resinByName(was) ? was : S.resins.length === 1 ? S.resins[0].name : (S.resins.find((x) => !x.generic) || S.resins[0] || {}).name || '';
  };

  // --- mixed -----------------------------------------------------------------

  function mixed(main) {
    const { d, save, done } = draft('mixed', { resin: soleResin(), resin_g: +last('resin_g', 100), hardener_g: null, touched: false, weighed: true, shape: last('shape', 'cup'), ago: 0 });
    const ratio = () => (resinByName(d.resin) || {}).ratio_by_weight || null;
    const want = () => { const q = ratio(); return q ? Math.round((d.resin_g * q[1]) / q[0]) : null; };
    const hint = h('p', { class: 'small', role: 'status' });
    const follow = () => {
      if (!d.touched) d.hardener_g = want();
      const w = want(), tol = (resinByName(d.resin) || {}).ratio_tolerance_pct;
      if (!ratio()) hint.textContent = 'This epoxy has no mix ratio here: go by its sheet, enter what the scale said.';
      else if (d.hardener_g !== null && Math.abs(d.hardener_g - w) > Math.max(1, (w * (tol ?? 5)) / 100)) hint.textContent = `The sheet wants ${grams(w)} to ${grams(d.resin_g)}: this is ${minus(Math.round((d.hardener_g / w - 1) * 100))} % off.`;
      else hint.textContent = `By weight ${ratio()[0]} to ${ratio()[1]}. In all ${grams(d.resin_g + (d.hardener_g || 0))}.`;
      save();
    };
    const hard = stepper('grams of hardener', { get: () => d.hardener_g, set: (v) => { d.hardener_g = v; d.touched = true; follow(); }, step: 1, min: 0, max: 5000, say: (v) => grams(v) + ' hardener', none: 'hardener not set' });
    const res = stepper('grams of resin', { get: () => d.resin_g, set: (v) => { d.resin_g = v; follow(); hard.refresh(); }, step: 10, min: 10, max: 5000, say: (v) => grams(v) + ' resin' });
    const amount = h('div', { 'data-field': 'resin_g hardener_g' });
    const presets = choices('How much resin, by the scale', [...[50, 100, 150, 200, 300].map((g) => ({ value: String(g), text: grams(g) })), { value: 'no', text: 'Not weighed' }], d.weighed ? String(d.resin_g) : 'no', (v) => {
      d.weighed = v !== 'no';
      if (d.weighed) d.resin_g = +v;
      amount.hidden = !d.weighed;
      follow();
      res.refresh();
      hard.refresh();
    }, { field: 'grams', cls: 'three' });
    amount.append(res, hard, hint, h('p', { class: 'err', role: 'alert' }));
    amount.hidden = !d.weighed;
    follow();
    hard.refresh();
    slip(main, {
      title: 'Mixed', button: 'Mixed', parts: [
        resinChoices(d, save, () => { d.touched = false; follow(); hard.refresh(); }), presets, amount,
        choices('In what', [{ value: 'cup', text: 'Cup' }, { value: 'tray', text: 'Tray', sub: 'stays cooler' }, { value: 'bond', text: 'Thick, for a joint' }], d.shape, (v) => { d.shape = v; save(); }, { field: 'shape', cls: 'three' }),
        when(d, save, 'When did you begin to mix', { field: 'mixed' })],
      async save() {
        const body = { resin: d.resin, mixed: moment(d), shape: d.shape };
        if (d.weighed) {
          body.resin_g = d.resin_g;
          if (d.hardener_g !== null) body.hardener_g = d.hardener_g;
        }
        const r = await enter({ key: d.key, method: 'POST', path: '/batches', body, say: 'cup of ' + d.resin + ' mixed ' + clock(ms(body.mixed), true) });
        keep('resin', d.resin);
        keep('shape', d.shape);
        if (d.weighed) keep('resin_g', d.resin_g);
        keep('batch', JSON.stringify({ ref: r.id || 'local:' + r.key, resin: d.resin, mixed: body.mixed }));
        done();
        const ref = r.id || 'local:' + r.key;
        toast('Mixed.' + kept(r), back(r, 'DELETE', '/batches/' + (r.id ? enc(r.id) : ref), undefined, 'undo: mixed'));
        location.hash = '#/';
        soon();
      },
    });
  }

  // --- on the panel ----------------------------------------------------------

  // The cups that may have gone on: those still running, and the last one mixed
  // here, which may not have reached the board yet.
  function cups() {
    const out = ((S.snap && S.snap.cups) || []).map((c) => ({ ref: c.batch, resin: c.resin, mixed: c.mixed, grams: c.grams }));
    let mine = null;
    try {
      mine = JSON.parse(last('batch', 'null'));
    } catch { mine = null; }
    if (mine && !out.some((c) => c.ref === mine.ref) && now() - ms(mine.mixed) < 2 * 3600e3 && S.queue.some((q) => 'local:' + q.key === mine.ref)) out.unshift(mine);
    return out.sort((a, b) => ms(b.mixed) - ms(a.mixed));
  }

  const KINDS = [
    { value: 'tack coat', text: 'Tack coat', sub: 'for cloth pressed into it' },
    { value: 'wet-out', text: 'Wet-out', sub: 'with cloth, or filling its weave' },
    { value: 'fill coat', text: 'Fill coat', sub: 'over glass that is still soft' },
    { value: 'bond', text: 'Bond', sub: 'thickened' },
    { value: 'seal', text: 'Seal' },
  ];
  const NEXT = [
    { value: 'cloth', text: 'Cloth into it', sub: 'once tacky' },
    { value: 'wet', text: 'Wet on wet' },
    { value: 'coat', text: 'Another coat' },
    { value: 'fill', text: 'Fill coat', sub: 'once no stick' },
    { value: 'none', text: 'Nothing' },
  ];
  const USUAL = { 'tack coat': 'cloth', 'wet-out': 'fill', 'fill coat': 'coat', bond: 'none', seal: 'coat' };

  function on(main, r) {
    const asked = r.rest[0];
    const open = coats();
    const firstPanel = asked || last('panel', '') || S.panels[0].id;
    const list = cups();
    const { d, save, done } = draft('on:' + (asked || '') + ':' + (r.args.kind || ''), {
      panel: S.panels.some((p) => p.id === firstPanel) ? firstPanel : S.panels[0].id,
      kind: r.args.kind || '', cup: list[0] ? list[0].ref : 'none', resin: list[0] ? list[0].resin : soleResin(), next: '', ago: 0, close: true,
    });
    if (d.cup !== 'none' && !list.some((c) => c.ref === d.cup)) d.cup = list[0] ? list[0].ref : 'none';
    const under = () => open.filter((e) => e.panel === d.panel).sort((a, b) => ms(b.applied_at) - ms(a.applied_at));
    const resinBox = h('div', null, resinChoices(d, save));
    resinBox.hidden = d.cup !== 'none';
    const over = h('div');
    const showOver = () => {
      const u = under();
      fill(over, ...(u.length ? [h('label', { class: 'check' }, h('input', { type: 'checkbox', checked: d.close, onchange: (ev) => { d.close = ev.target.checked; save(); } }),
        h('span', null, `Stop watching the ${u[0].kind} of ${clock(ms(u[0].applied_at), true)} under it`))] : []));
      const box = $('input', over);
      if (box) box.checked = d.close;
    };
    showOver();
    const nextBox = h('div');
    const showNext = () => fill(nextBox, choices('What comes next on it', NEXT, d.next, (v) => { d.next = v; save(); }, { field: 'next' }));
    showNext();
    slip(main, {
      title: asked ? `On ${panelName(asked)}` : 'On the panel', button: 'It is on', parts: [
        asked && S.panels.some((p) => p.id === asked) ? null : [choices('Which panel', S.panels.map((p) => ({ value: p.id, text: p.name || p.id })), d.panel, (v) => { d.panel = v; save(); showOver(); }, { field: 'panel', cls: 'two' }),
          h('p', null, h('a', { class: 'plain', href: '#/panel?then=on' }, 'A new panel'))],
        choices('What kind of coat', KINDS, d.kind, (v) => {
          d.kind = v;
          if (!d.nextPicked) d.next = USUAL[v];
          showNext();
          save();
        }, { field: 'kind', cls: 'two' }),
        choices('From which cup', [...list.map((c) => ({ value: c.ref, text: c.resin, sub: 'mixed ' + clock(ms(c.mixed), true) + (c.grams ? ', ' + grams(c.grams) : '') })), { value: 'none', text: list.length ? 'None of these' : 'A cup I did not enter' }], d.cup, (v) => {
          d.cup = v;
          const c = list.find((x) => x.ref === v);
          if (c) d.resin = c.resin;
          resinBox.hidden = v !== 'none';
          save();
        }, { field: 'batches', cls: 'two' }),
        resinBox, nextBox,
        when(d, save, 'When did it go on', { field: 'applied' }), over],
      async save() {
        if (!d.kind) {
          faults($('form', main), [{ field: 'kind', what: 'say what kind of coat it is' }]);
          return;
        }
        const body = { panel: d.panel, resin: d.resin, kind: d.kind, applied: moment(d) };
        if (d.cup !== 'none') body.batches = [d.cup];
        if (d.next) body.next = d.next;
        const u = under()[0];
        const what = `${d.kind} on ${panelName(d.panel)} ${clock(ms(body.applied), true)}`;
        const r1 = await enter({ key: d.key, method: 'POST', path: '/coats', body, say: what });
        let r2 = null;
        if (u && d.close) r2 = await enter({ key: key(), method: 'PATCH', path: '/coats/' + enc(u.id), body: { ended: body.applied }, say: `${u.kind} under it no longer watched` });
        keep('panel', d.panel);
        done();
        const ref = r1.id ? enc(r1.id) : 'local:' + r1.key;
        toast('It is on.' + kept(r1), async () => {
          if (r2) await back(r2, 'PATCH', '/coats/' + enc(u.id), { ended: null }, `undo: ${u.kind} no longer watched`)();
          await back(r1, 'DELETE', '/coats/' + ref, undefined, 'undo: ' + what)();
        });
        location.hash = '#/';
        soon();
      },
    });
  }

  // --- finger test -----------------------------------------------------------

  function feel(main, id) {
    const e = coats().find((x) => x.id === id);
    const { d, save, done } = draft('feel:' + id, { state: '', ago: 0 });
    slip(main, {
      title: 'What does the finger find?', sub: (e ? `${panelName(e.panel)}, ${e.kind}. ` : '') + 'Gloved, on the witness, where no cloth will lie.', button: 'That is what I felt', parts: [
        choices('The finger says', STATES.map((s) => ({ value: s, text: FINGER[s], sub: WORD[s] })), d.state, (v) => { d.state = v; save(); }, { field: 'state', cls: 'one' }),
        when(d, save, 'When', { field: 'at' })],
      async save() {
        if (!d.state) {
          faults($('form', main), [{ field: 'state', what: 'tap what the finger found' }]);
          return;
        }
        const body = { at: moment(d), state: d.state };
        const r = await enter({ key: d.key, method: 'POST', path: `/coats/${enc(id)}/feels`, body, say: `finger test: ${FINGER[d.state].toLowerCase()}` });
        done();
        toast(`${FINGER[d.state]}.` + kept(r), back(r, 'DELETE', '/feels/' + (r.id ? enc(r.id) : 'local:' + r.key), undefined, 'undo: finger test'));
        location.hash = '#/';
        soon();
      },
    });
  }

  // --- cloth is in -----------------------------------------------------------

  function cloth(main, id) {
    const e = coats().find((x) => x.id === id);
    const { d, save, done } = draft('cloth:' + id, { name: last('cloth', 'glass'), g_m2: +last('g_m2', 0) || null, cover: '', ago: 0 });
    const step = stepper('grams a square metre', { get: () => d.g_m2, set: (v) => { d.g_m2 = v || null; save(); }, step: 10, min: 0, max: 2000, say: (v) => (v ? Math.round(v) + '\u202fg/m²' : 'weight not said'), none: 'weight not said' });
    slip(main, {
      title: 'Cloth is in', sub: e ? `${panelName(e.panel)}, ${e.kind}` : '', button: 'Cloth is in', parts: [
        choices('Which cloth', [{ value: 'glass', text: 'Glass' }, { value: 'aramid', text: 'Aramid' }, { value: 'carbon', text: 'Carbon' }], d.name, (v) => { d.name = v; save(); }, { field: 'cloth', cls: 'three' }),
        h('fieldset', null, h('legend', null, 'Its weight'), step),
        when(d, save, 'When was it laid', { field: 'laid' })],
      async save() {
        const laid = moment(d);
        let before = [];
        try {
          const full = await get('/coats/' + enc(id));
          before = (full.record && full.record.cloth) || [];
        } catch (err) {
          if (err.faults) throw err; // the board's word; without a line the entry waits
        }
        const one = { name: d.name, laid };
        if (d.g_m2) one.g_m2 = d.g_m2;
        const r = await enter({ key: d.key, method: 'PATCH', path: '/coats/' + enc(id), body: { cloth: [...before, one] }, say: `${d.name} cloth in ${clock(ms(laid), true)}` });
        keep('cloth', d.name);
        keep('g_m2', d.g_m2 || 0);
        done();
        toast('Cloth is in.' + kept(r), back(r, 'PATCH', '/coats/' + enc(id), { cloth: before }, 'undo: cloth is in'));
        location.hash = '#/';
        soon();
      },
    });
  }

  // --- a new panel -----------------------------------------------------------

  const slug = (x) => x.trim().toLowerCase().normalize('NFKD').replace(/[^a-z0-9]+/g, '-').replace(/^-|-$/g, '');

  function panel(main, args) {
    const probes = (S.snap && S.snap.probes) || [];
    const surface = probes.filter((p) => p.role !== 'outdoor' && p.role !== 'air' && p.role !== 'pot');
    const airs = probes.filter((p) => p.role === 'air' || p.role === '' || p.role === 'tent');
    const { d, save, done } = draft('panel', { name: '', core: 'foam', probe: 'none', air: (airs.find((p) => p.role === 'air') || {}).id || 'none', area_m2: 1 });
    const named = (ps, none) => [...ps.map((p) => ({ value: p.id, text: p.name || p.id, sub: p.panel && p.panel !== d.id ? 'now on ' + panelName(p.panel) : null })), { value: 'none', text: none }];
    const input = h('input', { type: 'text', autocomplete: 'off', autocapitalize: 'sentences', value: d.name, oninput: (ev) => { d.name = ev.target.value; save(); } });
    slip(main, {
      title: 'A new panel', sub: 'One side of the thing that you will coat. Flip it and the other side is a panel of its own.', button: 'Add the panel', parts: [
        field('What do you call it?', 'id', input, 'For instance: lid A, outer'),
        choices('What is it made of', ['foam', 'wood', 'honeycomb', 'metal', 'laminate'].map((v) => ({ value: v, text: v })), d.core, (v) => { d.core = v; save(); }, { field: 'core' }),
        choices('Which probe lies on it, or on its witness', named(surface, 'None: go by the air'), d.probe, (v) => { d.probe = v; save(); }, { field: 'probe', cls: 'two' }),
        choices('Which probe feels its air', named(airs, 'None'), d.air, (v) => { d.air = v; save(); }, { field: 'air', cls: 'two' }),
        h('fieldset', { 'data-field': 'area_m2' }, h('legend', null, 'How big'), stepper('square metres', { get: () => d.area_m2, set: (v) => { d.area_m2 = Math.round(v * 10) / 10; save(); }, step: 0.1, min: 0.1, max: 200, say: (v) => v.toFixed(1) + '\u202fm²' }), h('p', { class: 'err', role: 'alert' }))],
      backTo: args.then ? '#/' + args.then : '#/',
      async save() {
        const id = slug(d.name);
        if (!id) {
          faults($('form', main), [{ field: 'id', what: 'give it a name' }]);
          return;
        }
        const body = { id, name: d.name.trim(), core: d.core, area_m2: d.area_m2 };
        if (d.probe !== 'none') body.probe = d.probe;
        if (d.air !== 'none') body.air = d.air;
        const r = await enter({ key: d.key, method: 'POST', path: '/panels', body, say: 'panel ' + body.name });
        done();
        if (!S.panels.some((p) => p.id === id)) S.panels = [...S.panels, body];
        toast(`${body.name} added.` + kept(r), back(r, 'DELETE', '/panels/' + enc(id), undefined, 'undo: panel ' + body.name));
        location.hash = args.then === 'on' ? '#/on/' + enc(id) : '#/';
        changed();
        soon();
      },
    });
  }

  // --- tonight's low ---------------------------------------------------------

  function low(main) {
    const us = unit() === '°F';
    const { d, save, done } = draft('low', { low: 6 });
    const cs = us ? [-1, 2, 4, 7, 10, 13] : [0, 3, 6, 9, 12, 15];
    const step = stepper('tonight’s low', { get: () => Math.round(toUnit(d.low)), set: (v) => { d.low = fromUnit(v); save(); }, step: 1, min: us ? -40 : -40, max: us ? 110 : 40, say: () => temp(d.low) });
    slip(main, {
      title: 'Tonight’s low?', sub: 'What the weather report says for outdoors. The night’s forecast goes by it.', button: 'That is it', parts: [
        choices('About', cs.map((c) => ({ value: String(c), text: minus(deg(c)) + '\u202f' + unit() })), String(d.low), (v) => { d.low = +v; save(); step.refresh(); }, { field: 'low_c', cls: 'three' }), step],
      async save() {
        await call('PUT', '/settings', { low_c: Math.round(d.low * 10) / 10 });
        done();
        toast('Thank you. The night is judged by it.');
        location.hash = '#/';
        soon();
      },
    });
  }
  return { draw };
})();

// The way in on any address but the board's own: the one-time code that
// "curewright pair" prints.
export const login = (() => {
  function draw(main) {
    const code = h('input', { type: 'text', name: 'code', autocomplete: 'one-time-code', autocapitalize: 'characters', spellcheck: 'false', inputmode: 'text' });
    const fromLink = new URLSearchParams(location.hash.split('?')[1] || '').get('code');
    if (fromLink) code.value = fromLink;
    slip(main, {
      title: 'Who is it?', button: 'Come in', backTo: '#/login', sub: 'This page needs a code once. On the board, run “curewright pair” and type what it prints; it is good for ten minutes.',
      parts: [field('The code', 'code', code), h('p', { class: 'small' }, S.queue.length ? 'What you entered is kept on this phone and will be sent once you are in.' : '')],
      async save() {
        await call('POST', '/pair', { code: code.value.trim(), device: device() });
        S.login = false;
        await refresh();
        lists().catch(() => {});
        live();
        flush();
        location.hash = sessionStorage.getItem('after-login') || '#/';
        changed();
      },
    });
    const bar = $('#bar');
    bar.firstChild.remove();
    code.focus();
  }

  // device names this phone in the list of those let in.
  function device() {
    const u = navigator.userAgent;
    const kind = /iPhone|iPad|Android|Windows|Macintosh|Linux/.exec(u);
    return 'page on ' + (kind ? kind[0] : 'a browser');
  }
  return { draw };
})();
