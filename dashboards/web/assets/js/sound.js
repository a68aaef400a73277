// SPDX-License-Identifier: Apache-2.0
// The page's voice: a tone for each kind of call, switched on by one tap,
// because a browser plays nothing before it was touched.

import { h } from './lib.js';
import { S, changed } from './state.js';
import { call } from './line.js';
import { tell } from './acts.js';
import { t } from './text.js';

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

export async function on() {
  await test();
  localStorage.setItem('sound', 'on');
  keepAwake();
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

// trouble says what about being woken wants the person: asked, unheard, untested,
// off, or "" when all is well.
export function trouble() {
  const tested = S.snap && S.snap.settings.wake_tested;
  if (asked) return 'asked';
  if (no && !tested) return 'unheard';
  if (!tested) return 'untested';
  return S.sound ? '' : 'off';
}

// Notice is the line about being woken, with what to do about it.
export function Notice({ always }) {
  const what = trouble();
  const btn = (key, f, cls) => h('button', { type: 'button', class: cls, onclick: () => tell(key, f) }, t(key));
  const side = (mark, text, ...kids) => h('div', { class: 'note side' + (mark ? ' harm' : '') }, h('p', null, mark && h('span', { class: 'mark' }, mark), mark && ' ', text), h('div', { class: 'do' }, kids));
  if (what === 'asked') return h('div', { class: 'note' }, h('p', null, h('b', null, t('sound.did'))), h('div', { class: 'do' }, btn('sound.yes', () => heard(true), 'first'), btn('sound.again', test), btn('sound.no', () => heard(false))));
  if (what === 'unheard') return side(t('sound.unheard'), t('sound.unheard.do'), btn('sound.again', test));
  if (what === 'untested') return side(t('sound.untested'), t('sound.untested.do'), btn('sound.try', on));
  if (what === 'off') return side('', t('sound.off'), btn('sound.on', on));
  return always ? side('', t('sound.is.on'), btn('sound.test', test)) : null;
}

export const awakeWord = () => (navigator.wakeLock ? (wake ? t('sound.awake') : '') : t('sound.noawake'));
