// SPDX-License-Identifier: Apache-2.0
// What the first view needs of a page's frame: the foot with the undo line, the
// button that is held, and the net under a page that breaks. Parts of forms are
// in form.js, which pages bring with them.

import { Component, h, useEffect, useRef, useState } from './lib.js';
import { S } from './state.js';
import { undo } from './acts.js';
import { stop, t } from './text.js';

// Hold is a button that acts only after half a second's press, by finger or by
// key, so that a brushed glove ends nothing.
export function Hold({ label, aria, onHeld, cls = '' }) {
  const [down, setDown] = useState(false);
  const timer = useRef(0);
  const stop = () => { clearTimeout(timer.current); timer.current = 0; setDown(false); };
  const start = () => {
    if (timer.current) return;
    setDown(true);
    timer.current = setTimeout(() => { stop(); onHeld(); }, 500);
  };
  useEffect(() => () => clearTimeout(timer.current), []);
  const keyed = (ev) => {
    if (ev.key !== 'Enter' && ev.key !== ' ') return;
    ev.preventDefault();
    if (!ev.repeat) start();
  };
  return h('button', {
    type: 'button', class: 'hold ' + cls + (down ? ' down' : ''), 'aria-label': aria, onpointerdown: (ev) => ev.button === 0 && start(), onpointerup: stop, onpointercancel: stop,
    onpointerleave: stop, onkeydown: keyed, onkeyup: stop, onblur: stop, oncontextmenu: (ev) => ev.preventDefault(),
  }, h('span', null, label));
}

// UndoLine says the last entry and takes it back; it stays until the next one
// and never lies over what the thumb aims at.
export function UndoLine() {
  const u = S.undo;
  if (S.said && !u) return h('div', { class: 'undo', role: 'status' }, h('span', null, S.said));
  if (!u) return h('div', { class: 'undo empty', role: 'status' }, S.said);
  return h('div', { class: 'undo', role: 'status', 'data-n': u.n }, h('span', { translate: u.board ? false : undefined }, S.said || (S.queue.some((q) => q.key === u.key && q.kept) ? stop(u.text) + ' ' + t('kept') : u.text)),
    h('button', { type: 'button', disabled: !!u.state, onclick: undo }, t('undo')));
}

// Foot is what stands at the thumb on every page: the undo line over the bar.
export const Foot = ({ children, label }) => h('div', { id: 'foot' }, h(UndoLine), h('div', { id: 'bar', role: 'group', 'aria-label': label || t('bar') }, children));

// Catch keeps a fault of one page from taking the frame with it.
export class Catch extends Component {
  componentDidCatch(e) {
    console.error(e);
    this.setState({ e });
  }
  render({ children }, { e }) {
    return e ? h('div', { class: 'page' }, h('p', { class: 'say' }, t('page.broke')), h('p', { class: 'why' }, e.message), h('p', null, h('a', { class: 'btn', href: '#/' }, t('to.bench')))) : children;
  }
}
