// SPDX-License-Identifier: Apache-2.0
// "When was it?" for the next step of a panel: so many minutes ago, or the hour
// and five minutes. The tap on the time is the entry.
import { h, useState } from '../lib.js';
import { S, iso, now, panelName, trusted } from '../state.js';
import { MIN, Said, ago, cap, clock, finger, hm, name } from '../say.js';
import { step } from '../acts.js';
import { Foot, When } from '../form.js';
import { cardOf, onPanel } from '../jobs.js';
import { Fingers } from '../bench.js';
import { t, word } from '../text.js';

export const ownFoot = true;

export default function Late({ rest, args }) {
  const panel = rest[0], card = cardOf(panel), e = onPanel(panel)[0];
  const [at, setAt] = useState(undefined), [feel, setFeel] = useState(args.what === 'feel'), [err, setErr] = useState(''), [busy, setBusy] = useState(false);
  if (!card) return [h('div', { class: 'page', key: 'p' }, h('h1', null, t('late.none')), h('p', null, t('late.none.why'))), h(Foot, null, h('a', { class: 'btn', href: '#/' }, t('page.')))];
  const act = card.primary === 'mixed' ? 'mixed' : 'done';
  const what = cap(card.kind ? word('kind.', card.kind) : word('do.', card.do));
  const send = async (what2, at, body, words) => {
    if (busy) return;
    setBusy(true);
    try {
      await step(card, what2, { step: card.step, at: iso(at), ...body }, words);
      location.hash = '#/';
    } catch (x) {
      setAt(undefined);
      setErr(x.message);
    }
    setBusy(false);
  };
  // A finger test's word is asked after its time.
  const pick = (x) => { setErr(''); setAt(x); if (!feel) send(act, x, {}, t(act === 'mixed' ? 'said.mixed' : 'said.done', { what, panel: panelName(panel) })); };
  const n = now();
  return [h('div', { class: 'page slip', key: 'p' }, h('a', { class: 'back', href: '#/' }, t('back')), h('h1', null, t('when.was')),
    h('p', { class: 'small' }, name(panelName(panel)), ': ', feel ? t('log.a.feel') : act === 'mixed' ? t('late.mixed', { what }) : what, '. ', t(feel ? 'late.then' : 'late.tap')),
    feel && at !== undefined ? [h('p', { class: 'say' }, h('b', null, clock(at, true)), ', ' + ago(at)),
      h(Fingers, { onPick: (k) => send('feel', at, { panel, ...(e && !card.guessed ? { coat: e.id } : {}), state: k }, t('said.feel', { finger: finger(k), panel: panelName(panel) })) }),
      h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => setAt(undefined) }, t('when.change')))]
      : [h('div', { class: 'opts three' }, [5, 10, 20].map((m) => h('button', { type: 'button', key: m, disabled: busy, onclick: () => pick(n - m * MIN) }, h('span', null, t('late.ago', { n: m }), trusted() && h('em', null, hm(n - m * MIN)))))),
        h(When, { label: '', at: null, open: true, onPick: pick }),
        err && h('p', { class: 'err', role: 'alert' }, h(Said, null, err)),
        (e || card.guessed || S.lost) && h('div', { class: 'opts two' }, h('button', { type: 'button', class: feel ? '' : 'on', 'aria-pressed': String(!feel), onclick: () => setFeel(false) }, what), h('button', { type: 'button', class: feel ? 'on' : '', 'aria-pressed': String(feel), onclick: () => setFeel(true) }, t('log.a.feel.cap')))]),
  h(Foot, null)];
}
