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
