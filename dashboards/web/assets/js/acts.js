// SPDX-License-Identifier: Apache-2.0
// What a tap does: an entry with its undo, and the few actions that need no
// page of their own.

import { S, changed, iso, now, settings } from './state.js';
import { call, enter, forget, key, lists, refresh } from './line.js';
import { t } from './text.js';

export const enc = encodeURIComponent;

let fade = 0;
// say shows a passing word at the foot.
export function say(text) {
  S.said = text;
  clearTimeout(fade);
  fade = setTimeout(() => { S.said = ''; changed(); }, 5000);
  changed();
}

// did puts the last entry on the undo line, where it stays until the next one.
let n = 0;
export function did(text, undo, key) {
  S.said = '';
  S.undo = { text, undo, state: '', n: ++n, key };
  changed();
}

export async function undo() {
  const u = S.undo;
  if (!u || u.state) return;
  u.state = 'busy';
  changed();
  try {
    await u.undo();
    S.undo = null;
    say(t('undo.done'));
  } catch (e) {
    u.state = '';
    say(t('undo.not', { why: e.message }));
  }
}

// back takes one entry back: off this phone if it never left, else by an entry
// of its own, which the record keeps beside the first.
export function back(r, method, path, body, what) {
  return async () => {
    if (r.kept && (await forget(r.key))) return;
    await enter({ key: key(), method, path, body, say: t('undo.of', { what }) });
    soon();
  };
}

// soon asks for the new state after an entry.
export function soon() {
  refresh();
  lists().catch(() => {});
}

// entry makes one entry and puts it on the undo line. e: {method, path, body,
// say, back: [method, path of the id, body], done}.
export async function entry(e) {
  const r = await enter({ key: e.key || key(), method: e.method || 'POST', path: e.path, body: e.body, say: e.say, act: e.act });
  const ref = r.id ? enc(r.id) : 'local:' + r.key;
  const [m, p, b] = e.back(ref);
  did(e.done || e.say, back(r, m, p, b, e.say), r.key);
  soon();
  return r;
}

// step makes one entry of a job: done, mixed, feel, skip, later, repeat. The
// board's own words say what it did; undo takes the whole of it back.
export function step(next, act, body, what) {
  body = { at: iso(now()), ...body };
  return entry({
    path: `/jobs/${enc(next.job)}/${act}`, body, say: what, done: what, act: { what: act, job: next.job, panel: next.panel, ...body },
    back: (ref) => ['POST', `/entries/${ref}/undo`, {}],
  }).then((r) => {
    if (r.out && S.undo) {
      if (r.out.say) S.undo.text = r.out.say;
      S.undo.board = true;
      S.warnings = r.out.warnings || [];
      changed();
    }
    return r;
  });
}

// feelCoat enters a finger test of a coat outside any job.
export const feelCoat = (id, state, at, words) => entry({
  path: `/coats/${enc(id)}/feels`, body: { at: iso(at ?? now()), state }, say: words, back: (ref) => ['DELETE', '/feels/' + ref],
});

export const patchCoat = (id, body, undoBody, what, done) => entry({ method: 'PATCH', path: '/coats/' + enc(id), body, say: what, done, back: () => ['PATCH', '/coats/' + enc(id), undoBody] });

// tell is for small actions that are not work: their fault is said at the foot.
const running = new Set();
export async function tell(name, f, done) {
  if (running.has(name)) return; // a double tap
  running.add(name);
  try {
    await f();
    if (done) say(done);
  } catch (e) {
    say(t('not.done', { why: e.message || '' }));
  } finally {
    setTimeout(() => running.delete(name), 800);
  }
}

export const ack = (a) => tell('ack' + a.id, async () => {
  await enter({ key: key(), method: 'POST', path: `/alerts/${enc(a.id)}/ack`, body: {}, say: t('act.ack') });
  // It is quiet at once; the board's word follows.
  a.state = 'acknowledged';
  changed();
  refresh();
});

export const usedUp = (batch) => tell('used' + batch, () => {
  if (S.snap) S.snap.cups = (S.snap.cups || []).filter((c) => c.batch !== batch);
  localStorage.removeItem('last:batch');
  return entry({
    path: `/batches/${enc(batch)}/end`, body: { at: iso(now()) }, say: t('act.used'), done: t('act.used.done'),
    back: () => ['PATCH', '/batches/' + enc(batch), { ended: null }],
  });
});

export const endCoat = (id) => tell('end' + id, () => patchCoat(id, { ended: iso(now()) }, { ended: null }, t('act.ended'), t('act.ended.done')));

export const takeClock = () => tell('clock', async () => {
  try {
    await call('POST', '/clock', { time: new Date().toISOString() });
  } catch (e) {
    // Far from the last record: asked once more.
    if (!e.confirm || !window.confirm(e.message)) throw e;
    await call('POST', '/clock', { time: new Date().toISOString(), confirm: e.confirm });
  }
  refresh();
}, t('act.clock'));

export const shop = () => settings().shop_name || t('shop');
