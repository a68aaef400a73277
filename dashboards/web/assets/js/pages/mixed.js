// SPDX-License-Identifier: Apache-2.0
// A cup that no step of a job asked for: what is in it, and when.
import { h } from '../lib.js';
import { S, ms, resinByName } from '../state.js';
import { clock, grams, minus } from '../say.js';
import { entry } from '../acts.js';
import { Choices, Field, Slip, Stepper, When, moment, useDraft } from '../form.js';
import { t } from '../text.js';

export const ownFoot = true;
const last = (k, d) => localStorage.getItem('last:' + k) || d;
const keep = (k, v) => localStorage.setItem('last:' + k, v);

export const soleResin = () => {
  const was = last('resin', '');
  return resinByName(was) ? was : S.resins.length === 1 ? S.resins[0].name : (S.resins.find((x) => !x.generic) || S.resins[0] || {}).name || '';
};
export const ResinChoices = ({ value, onPick }) => h(Choices, { label: t('resin.which'), field: 'resin', list: S.resins.map((x) => ({ value: x.name, text: x.name, said: true, sub: x.generic ? t('resin.generic') : null })), value, onPick, cls: S.resins.length === 3 ? 'three' : 'two' });

export default function Mixed() {
  const [d, set, done] = useDraft('mixed', () => ({ resin: soleResin(), resin_g: +last('resin_g', 100), hardener_g: null, touched: false, weighed: true, shape: last('shape', 'cup'), at: null, lot: '' }));
  const r = resinByName(d.resin) || {}, ratio = r.ratio_by_weight || null;
  const want = ratio ? Math.round((d.resin_g * ratio[1]) / ratio[0]) : null;
  const hard = d.touched ? d.hardener_g : want;
  const off = hard !== null && want !== null && Math.abs(hard - want) > Math.max(1, (want * (r.ratio_tolerance_pct ?? 5)) / 100);
  const save = async () => {
    const body = { resin: d.resin, mixed: moment(d.at), shape: d.shape };
    if (d.weighed) {
      body.resin_g = d.resin_g;
      if (hard !== null) body.hardener_g = hard;
    }
    if (d.lot.trim()) body.lot = d.lot.trim();
    const said = t('said.cup', { resin: d.resin, at: clock(ms(body.mixed), true) });
    const e = await entry({ key: d.key, path: '/batches', body, say: said, back: (ref) => ['DELETE', '/batches/' + ref] });
    keep('resin', d.resin);
    keep('shape', d.shape);
    if (d.weighed) keep('resin_g', d.resin_g);
    keep('batch', JSON.stringify({ ref: e.id || 'local:' + e.key, resin: d.resin, mixed: body.mixed, grams: d.weighed ? d.resin_g + (hard || 0) : null }));
    done();
    location.hash = '#/';
  };
  return h(Slip, { title: t('bar.mixed'), button: t('next.mixed'), save },
    h(ResinChoices, { value: d.resin, onPick: (resin) => set({ resin, touched: false }) }),
    h(Choices, { label: t('mixed.how'), field: 'grams', cls: 'three', list: [...[50, 100, 150, 200, 300].map((g) => ({ value: String(g), text: grams(g) })), { value: 'no', text: t('mixed.notweighed') }], value: d.weighed ? String(d.resin_g) : 'no', onPick: (v) => set(v === 'no' ? { weighed: false } : { weighed: true, resin_g: +v, touched: false }) }),
    d.weighed && h('div', { 'data-field': 'resin_g hardener_g' },
      h(Stepper, { label: t('g.resin'), value: d.resin_g, set: (v) => set({ resin_g: v }), step: 10, min: 10, max: 5000, say: (v) => t('mixed.resin', { grams: grams(v) }) }),
      h(Stepper, { label: t('g.hardener'), value: hard, set: (v) => set({ hardener_g: v, touched: true }), step: 1, min: 0, max: 5000, say: (v) => t('mixed.hardener', { grams: grams(v) }), none: t('mixed.nohardener') }),
      h('p', { class: off ? 'note harm' : 'small', role: 'status' }, !ratio ? t('mixed.noratio') : off ? mend(d.resin_g, hard, want, ratio) : t('mixed.ratio', { r: ratio[0], h: ratio[1], all: grams(d.resin_g + (hard || 0)) }))),
    h(Choices, { label: t('mixed.in'), field: 'shape', cls: 'three', list: [{ value: 'cup', text: t('shape.cup') }, { value: 'tray', text: t('shape.tray'), sub: t('shape.tray.sub') }, { value: 'bond', text: t('shape.bond') }], value: d.shape, onPick: (shape) => set({ shape }) }),
    h(Field, { label: t('lot'), field: 'lot', value: d.lot, onInput: (lot) => set({ lot }) }),
    h(When, { label: t('mixed.when'), at: d.at, onPick: (at) => set({ at }), field: 'mixed' }));
}

// mend says what puts a wrong mix right by adding, for nothing can be taken out.
function mend(res, hard, want, ratio) {
  const pct = minus(Math.round((hard / want - 1) * 100));
  return hard < want ? t('mend.hardener', { n: want - hard, pct }) : t('mend.resin', { n: Math.round((hard * ratio[0]) / ratio[1] - res), pct });
}
