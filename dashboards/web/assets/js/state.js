// SPDX-License-Identifier: Apache-2.0
// What the page knows: the last snapshot, the lists of panels and epoxies, the
// shop's clock, and who wants to hear when any of it changes.

export const S = {
  snap: null, // the last snapshot
  got: 0, // when it came, this phone's clock, ms
  heard: 0, // when the board was last heard at all
  lost: false, // no line to the board
  login: false, // the board wants a code first
  panels: [],
  resins: [],
  pieces: [],
  jobs: {}, // id -> the job with its steps
  queue: [], // entries kept on this phone
  me: null, // {name, role, tent}
  tent: null, // the tent's answer; null where there is none or none was asked for
  undo: null, // the last entry: {text, undo, state}
  said: '', // a passing word, such as "Saved."
  sound: false,
};

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

export const panelOf = (id) => S.panels.find((x) => x.id === id);
export const panelName = (id) => (panelOf(id) || {}).name || id;
export const resinByName = (n) => S.resins.find((r) => r.name === n);
export const coats = () => (S.snap && S.snap.result && S.snap.result.coats) || [];
export const firing = () => ((S.snap && S.snap.alerts) || []).filter((a) => a.state === 'firing' || a.state === 'acknowledged');
// ms reads a time, null for none; Go's zero time means never.
export const ms = (t) => (t && !String(t).startsWith('0001-') ? Date.parse(t) : null);
export const iso = (t) => new Date(Math.round(t)).toISOString();
// may is true when this phone's log-in may do a thing of that role.
export const may = (role) => !S.me || S.me.role === 'control' || S.me.role === role || (role === 'look' && S.me.role === 'record');

// The last snapshot and lists are kept on the phone, so that the bench stands
// and entries can be made after a reload without a line.
const KEEP = 'last-seen';
export function remember() {
  try {
    localStorage.setItem(KEEP, JSON.stringify({ snap: S.snap, got: S.got, panels: S.panels, pieces: S.pieces, resins: S.resins, jobs: S.jobs }));
  } catch {
    // A full or forbidden store costs only the view after a reload.
  }
}
export function recall() {
  try {
    const x = JSON.parse(localStorage.getItem(KEEP) || 'null');
    if (x && x.snap && !S.snap) Object.assign(S, x);
  } catch {
    localStorage.removeItem(KEEP);
  }
}
