// What a tap does: entries with their undo, holds of half a second, and the
// few actions that need no page of their own.
import { h, $, fill } from './dom.js';
import { S, now, changed } from './state.js';
import { enter, forget, call, key, refresh, lists } from './net.js';
import * as sound from './sound.js';

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
    await call('POST', '/clock', { time: new Date().toISOString() });
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
};

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
