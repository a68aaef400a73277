// SPDX-License-Identifier: Apache-2.0
// The finger test of a coat: one tap on the word is the entry; the time only
// where it was earlier.
import { h, useState } from '../lib.js';
import { coats, panelName } from '../state.js';
import { finger, name } from '../say.js';
import { feelCoat } from '../acts.js';
import { Foot, When } from '../form.js';
import { Fingers } from '../bench.js';
import { t, word } from '../text.js';

export const ownFoot = true;

export default function Feel({ rest }) {
  const id = rest[0], e = coats().find((x) => x.id === id);
  const [at, setAt] = useState(null), [err, setErr] = useState('');
  const pick = (k) => {
    location.hash = '#/';
    feelCoat(id, k, at, t('said.feel', { finger: finger(k), panel: e ? panelName(e.panel) : '' })).catch((x) => setErr(x.message));
  };
  return [h('div', { class: 'page slip', key: 'p' }, h('a', { class: 'back', href: '#/' }, t('back')), h('h1', null, t('finger.ask')),
    h('p', { class: 'small' }, e ? [name(panelName(e.panel)), ', ', word('kind.', e.kind), '. '] : '', t('finger.where')),
    h(Fingers, { onPick: pick }), h('p', { class: 'err', role: 'alert' }, err), h(When, { label: t('when.was'), at, onPick: setAt })),
  h(Foot, null, h('a', { class: 'btn', href: '#/' }, t('back')))];
}
