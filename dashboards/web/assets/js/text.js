// SPDX-License-Identifier: Apache-2.0
// What the page says. Every string of its own stands in a catalogue: en.js for the
// first view, en-pages.js for the rest; a language is the same two with the same
// keys. A message is a text with {places}, or a function of the facts that returns
// one (for plurals).

import { en } from './en.js';
import { states, words } from './states.js';

const cat = { ...en, ...words };
for (const { code, word, finger } of states) Object.assign(cat, { ['state.' + code]: word }, finger && { ['finger.' + code]: finger });
// In the pseudo-language each message stands in brackets: whatever is bare on a
// page was not taken from the catalogue. Tests ask for it by ?lang=pseudo.
const pseudo = new URLSearchParams(location.search).get('lang') === 'pseudo';

let rest = null;
// pageTexts fetches what only the pages beyond the bench say.
export const pageTexts = () => (rest ||= import('./en-pages.js').then((m) => Object.assign(cat, m.en), (e) => { rest = null; throw e; }));

export const locale = () => cat.locale;
export const mark = (x) => (pseudo && /\p{L}/u.test(x) ? '\u27e6' + x + '\u27e7' : x);
export const has = (key) => cat[key] !== undefined;

// t says the message of that key. With plain facts it is a string; where a fact
// is an element, a list of parts to be drawn.
export function t(key, facts = {}) {
  let m = cat[key];
  if (typeof m === 'function') m = m(facts);
  if (m === undefined) throw new Error('no text for ' + key);
  if (!m.includes('{')) return mark(m);
  const parts = m.split(/\{(\w+)\}/);
  const rich = parts.some((p, i) => i % 2 && facts[p] !== null && typeof facts[p] === 'object');
  if (!rich) return mark(parts.map((p, i) => (i % 2 ? facts[p] ?? '' : p)).join(''));
  return parts.map((p, i) => (i % 2 ? facts[p] : mark(p)));
}

// word says a code of the board's, or the code itself where the catalogue does
// not know it yet.
export const word = (prefix, code) => (has(prefix + code) ? t(prefix + code) : code);
export const cap = (x) => x.charAt(0).toUpperCase() + x.slice(1);
// stop ends a sentence of the board's that has no end.
export const stop = (x) => (/[.!?]$/.test(x) ? x : x + '.');
