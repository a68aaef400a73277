// The page's voice: a tone for each kind of call, switched on by one tap,
// because a browser plays nothing before it was touched.
import { h } from './dom.js';
import { S, changed } from './state.js';
import { call } from './net.js';

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

export const wanted = () => localStorage.getItem('sound') === 'on';

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

export async function on() {
  await open();
  localStorage.setItem('sound', 'on');
  keepAwake();
  play('act now');
  asked = true;
  changed();
}

export async function test() {
  await open();
  play('act now');
  asked = true;
  changed();
}

export async function heard(yes) {
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
export function start() {
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
export function follow() {
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
export function notice() {
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

export const awakeWord = () => (navigator.wakeLock ? (wake ? 'The screen stays on while this page is open.' : '') : 'Set the phone’s screen to stay on: over plain HTTP a page may not do it.');
