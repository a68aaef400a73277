// SPDX-License-Identifier: Apache-2.0
// The cup: how long it stays workable, and whether it may run away.
import { h, useEffect, useState } from '../lib.js';
import { S } from '../state.js';
import { MIN, Said, diff, fromUnit, grams, span, temp, toUnit } from '../say.js';
import { get } from '../line.js';
import { Choices, Stepper, useDraft } from '../form.js';
import { ResinChoices, soleResin } from './mixed.js';
import { t } from '../text.js';

export default function Pot() {
  const air = ((S.snap && S.snap.surfaces) || []).find((x) => x.air_c != null), shopC = S.snap && S.snap.result.shop && S.snap.result.shop.temp_c;
  const [d, set] = useDraft('pot', () => ({ resin: soleResin(), grams: 150, shape: 'cup', shop: Math.round(shopC ?? (air ? air.air_c : 20)) }));
  const [r, setR] = useState(null);
  useEffect(() => {
    if (!d.resin) return undefined;
    let gone = false;
    const q = new URLSearchParams({ resin: d.resin, grams: d.grams, shape: d.shape, shop: Math.round(d.shop * 10) / 10 });
    if (d.shape !== 'cup') q.set('depth_mm', d.shape === 'tray' ? 10 : 12);
    get('/pot?' + q).then((x) => !gone && setR(x), (e) => !gone && setR({ err: e.message }));
    return () => { gone = true; };
  }, [d.resin, d.grams, d.shape, d.shop]);
  return h('div', { class: 'page wide' }, h('h1', null, t('page.pot')), h('p', { class: 'small' }, t('pot.sub')), h('div', { class: 'do' }, h('a', { class: 'btn first', href: '#/mix' }, t('pot.mix'))), h('div', { class: 'cols' },
    h('div', null, h(ResinChoices, { value: d.resin, onPick: (resin) => set({ resin }) }),
      h('fieldset', null, h('legend', null, t('pot.howmuch')), h(Stepper, { label: t('pot.howmuch'), value: d.grams, set: (v) => set({ grams: v }), step: 10, min: 10, max: 2000, say: grams })),
      h(Choices, { label: t('mixed.in'), cls: 'three', list: ['cup', 'tray', 'bond'].map((v) => ({ value: v, text: t('shape.' + v), sub: v === 'cup' ? null : t('pot.depth.' + v) })), value: d.shape, onPick: (shape) => set({ shape }) }),
      h('fieldset', null, h('legend', null, t('pot.shop')), h(Stepper, { label: t('pot.shop'), value: Math.round(toUnit(d.shop)), set: (v) => set({ shop: fromUnit(v) }), step: 1, min: -20, max: 120, say: () => temp(d.shop) }))),
    h('div', { role: 'status', 'aria-live': 'polite' }, r && (r.err ? h('p', { class: 'err' }, r.err) : h(Answer, { r, d })),
      h('div', { class: 'cautions' }, h('h2', null, t('pot.hot')), h('p', null, t('pot.cautions'))))));
}

function Answer({ r, d }) {
  const min = (x) => (x == null ? t('pot.notin') : t('band.about', { at: span(x * MIN) })), most = r.max_grams_for_work || {};
  // Three facts, each its own line: what to do, how long it is workable, what it
  // does if left. Only near danger is coloured.
  const near = r.danger === 'now' || r.danger === 'soon';
  return [h('p', { class: 'say', key: 'd' }, h(Said, null, r.do)), h('p', { key: 'w' }, h(Said, null, r.work)), h('p', { class: near ? 'none' : '', key: 'l' }, h(Said, null, r.left)),
    (r.why || []).map((x) => h('p', { class: 'why', key: x }, h(Said, null, x))),
    h('dl', { class: 'kv', key: 'kv' }, h('dt', null, t('pot.warms', { diff: diff(15) })), h('dd', null, min(r.minutes_to_plus15k)), h('dt', null, t('pot.reaches', { temp: temp(60) })), h('dd', null, min(r.minutes_to_60c)),
      ['20', '30', '45'].map((k) => [h('dt', null, t('pot.most', { n: k })), h('dd', null, most[k] == null ? t('pot.nolimit') : most[k] === 0 ? t('pot.nohow') : grams(most[k]))])),
    h('p', { class: 'small', key: 'u' }, d.shape === 'cup' ? t('pot.usual') : '')];
}
