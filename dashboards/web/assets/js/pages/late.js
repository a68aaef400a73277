// SPDX-License-Identifier: Apache-2.0
// "When was it?" for the next step of a panel: the hour, five minutes, and the
// one button with that time on it.
import { h, useState } from '../lib.js';
import { S, iso, now, panelName } from '../state.js';
import { Said, ago, cap, clock, finger, name } from '../say.js';
import { step } from '../acts.js';
import { Foot, When } from '../form.js';
import { cardOf, onPanel } from '../jobs.js';
import { Fingers, buttonText } from '../bench.js';
import { t, word } from '../text.js';

export const ownFoot = true;

export default function Late({ rest, args }) {
  const panel = rest[0], card = cardOf(panel), e = onPanel(panel)[0];
  const [at, setAt] = useState(undefined), [feel, setFeel] = useState(args.what === 'feel'), [err, setErr] = useState(''), [busy, setBusy] = useState(false);
  if (!card) return [h('div', { class: 'page', key: 'p' }, h('h1', null, t('late.none')), h('p', null, t('late.none.why'))), h(Foot, null, h('a', { class: 'btn', href: '#/' }, t('page.')))];
  const act = card.primary === 'mixed' ? 'mixed' : 'done';
  const what = cap(card.kind ? word('kind.', card.kind) : word('do.', card.do));
  const send = async (what2, body, words) => {
    setBusy(true);
    try {
      await step(card, what2, { step: card.step, at: iso(at ?? now()), ...body }, words);
      location.hash = '#/';
    } catch (x) {
      setErr(x.message);
    }
    setBusy(false);
  };
  const label = act === 'mixed' ? t('next.mixed') : buttonText(card);
  const ready = at !== undefined;
  return [h('div', { class: 'page slip', key: 'p' }, h('a', { class: 'back', href: '#/' }, t('back')), h('h1', null, t('when.was')),
    h('p', { class: 'small' }, name(panelName(panel)), ': ', feel ? t('log.a.feel') : act === 'mixed' ? t('late.mixed', { what }) : what),
    ready ? [h('p', { class: 'say' }, at === null ? t('now.cap') : h('b', null, clock(at, true)), at === null ? null : ', ' + ago(at)),
      feel ? h(Fingers, { onPick: (k) => send('feel', { panel, ...(e && !card.guessed ? { coat: e.id } : {}), state: k }, t('said.feel', { finger: finger(k), panel: panelName(panel) })) })
        : h('div', { class: 'do' }, h('button', { type: 'button', class: 'first go', disabled: busy, onclick: () => send(act, {}, t(act === 'mixed' ? 'said.mixed' : 'said.done', { what, panel: panelName(panel) })) }, label, at === null ? '' : ', ' + clock(at, true))),
      h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => setAt(undefined) }, t('when.change')))]
      : h(When, { label: '', at: null, open: true, onPick: setAt }),
    err && h('p', { class: 'err', role: 'alert' }, h(Said, null, err)),
    (e || card.guessed || S.lost) && !ready && h('div', { class: 'opts two' }, h('button', { type: 'button', class: feel ? '' : 'on', 'aria-pressed': String(!feel), onclick: () => setFeel(false) }, what), h('button', { type: 'button', class: feel ? 'on' : '', 'aria-pressed': String(feel), onclick: () => setFeel(true) }, t('log.a.feel.cap')))),
  h(Foot, null, h('a', { class: 'btn', href: '#/' }, t('back')))];
}
