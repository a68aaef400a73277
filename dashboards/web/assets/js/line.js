// SPDX-License-Identifier: Apache-2.0
// The line to the board: requests, live events, and the queue of entries that
// wait on this phone while the line is down.
//
// Every entry is written to IndexedDB before it is sent and leaves only when
// the board has answered, each under a key of its own, so that a double tap, a
// lost answer or a reload never enters a thing twice.

import { useEffect } from './lib.js';
import { S, changed, ms, now, remember, settings } from './state.js';
import { t } from './text.js';

const workSubs = new Set();
// onWork tells a page when anything was entered, here or elsewhere; it returns
// the way to stop.
export function onWork(f) {
  workSubs.add(f);
  return () => workSubs.delete(f);
}

// useFresh asks when a page opens, and again whenever anything was entered.
export const useFresh = (ask, deps = []) => useEffect(() => { ask(); return onWork(ask); }, deps);

const API = '/api/v1';

export class Refused extends Error {
  constructor(status, faults) {
    super(faults.map((f) => f.what).join('; ') || t('line.refused', { n: status }));
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
  if (settings().units === 'us') headers.Prefer = 'units=us'; // in sentences; figures are °C
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
    const faults = (data && Array.isArray(data.error) && data.error) || [{ field: '', what: res.statusText || t('line.refused', { n: res.status }) }];
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
      if (!id) throw new Refused(409, [{ field: '', what: t('line.orphan') }]);
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
  let sent = 0;
  try {
    do {
      again = false;
      await load();
      for (const e of S.queue) {
        if (e.refused) continue;
        const w = waiting.get(e.key);
        try {
          const out = await call(e.method, await resolve(e.path), await resolve(e.body), e.key);
          const id = out && (out.entry || out.id);
          if (id) await setId(e.key, id);
          if (out && out.next) takeNext(out.next);
          await drop(e);
          waiting.delete(e.key);
          if (w) w.ok({ key: e.key, id, out });
          sent++;
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
          if (!(err instanceof Refused)) setLost(true);
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
    if (sent) refresh();
  }
}

// takeNext puts a card of the board's answer in the place of the one shown, so
// that the next step stands before the next snapshot comes.
function takeNext(list) {
  if (!S.snap) return;
  const mine = new Map(list.map((n) => [n.panel, n]));
  const old = S.snap.next || [];
  S.snap.next = [...old.filter((n) => !mine.has(n.panel)), ...list];
  changed();
}

// forget takes an entry that was not sent, or that the board refused, off this
// phone.
export async function forget(k) {
  const e = S.queue.find((q) => q.key === k);
  if (e) await drop(e);
  return !!e;
}

// resend tries an entry that was refused once more: what it needed may have come
// from another phone by now.
export async function resend(e) {
  e.refused = '';
  await put(e);
  await flush();
}

// --- live ------------------------------------------------------------------

// take shows a state, unless it is late. One that was asked for before a newer one
// came by the live line lacks what was entered since; one that came by that line may
// be older by a board's clock that was set.
export function take(snap, asked = Infinity) {
  const older = S.snap ? ms(S.snap.at) - ms(snap.at) : 0;
  if (older > 0 && S.got >= asked) return;
  if (older > 1000 && older < 60e3 && S.snap.settings.clock_trusted === snap.settings.clock_trusted) return;
  S.snap = snap;
  S.got = S.heard = Date.now();
  setLost(false);
  changed();
  remember();
}

export async function lists() {
  const [p, r, c] = await Promise.all([get('/panels'), get('/resins'), get('/pieces')]);
  S.panels = rows(p, 'panels');
  S.resins = rows(r, 'resins');
  S.pieces = rows(c, 'pieces');
  changed();
  remember();
}
// rows takes a list that comes bare or under its name.
export const rows = (x, name) => (Array.isArray(x) ? x : (x && x[name]) || []);

let es = null, tries = 0, timer = 0;

// refresh asks for the state as it is now, and shows it once what it wants is
// there too.
export async function refresh(wants) {
  try {
    const asked = Date.now(), snap = await get('/snapshot');
    await wants;
    take(snap, asked);
    tries = 0;
  } catch (e) {
    if (!(e instanceof Refused) || e.status >= 500) setLost(true);
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
    for (const f of [...workSubs]) f();
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

