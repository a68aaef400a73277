// SPDX-License-Identifier: Apache-2.0
// A cup that no step of a job asked for: what is in it, and when.
import { h } from '../lib.js';
import { S, ms, resinByName } from '../state.js';
import { clock, grams, minus } from '../say.js';
import { entry } from '../acts.js';
import { Choices, Field, Slip, Stepper, When, Wrong, moment, useDraft } from '../form.js';
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
  const [d, set, done] = useDraft('mixed', () => ({ resin: soleResin(), resin_g: +last('resin_g', 100), hardener_g: null, touched: false, weighed: true, shape: last('shape', 'cup'), at: null, lot: '', off: '' }));
  const r = resinByName(d.resin) || {}, ratio = r.ratio_by_weight || null;
  const want = ratio ? Math.round((d.resin_g * ratio[1]) / ratio[0]) : null;
  const hard = d.touched ? d.hardener_g : want;
  const off = d.weighed && isOff(r, d.resin_g, hard);
  const save = async () => {
    const body = { resin: d.resin, mixed: moment(d.at), shape: d.shape };
    if (off) body.off_ratio = needOff(d.off);
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
    // What is on a panel already belongs to a coat: which one is asked next.
    location.hash = off && d.off === 'used' ? '#/on' : '#/';
  };
  return h(Slip, { title: t('bar.mixed'), button: t('next.mixed'), save },
    h(ResinChoices, { value: d.resin, onPick: (resin) => set({ resin, touched: false }) }),
    h(Choices, { label: t('mixed.how'), field: 'grams', cls: 'three', list: [...[50, 100, 150, 200, 300].map((g) => ({ value: String(g), text: grams(g) })), { value: 'no', text: t('mixed.notweighed') }], value: d.weighed ? String(d.resin_g) : 'no', onPick: (v) => set(v === 'no' ? { weighed: false } : { weighed: true, resin_g: +v, touched: false }) }),
    d.weighed && h('div', { 'data-field': 'resin_g hardener_g' },
      h(Stepper, { label: t('g.resin'), value: d.resin_g, set: (v) => set({ resin_g: v }), step: 10, min: 10, max: 5000, say: (v) => t('mixed.resin', { grams: grams(v) }) }),
      h(Stepper, { label: t('g.hardener'), value: hard, set: (v) => set({ hardener_g: v, touched: true }), step: 1, min: 0, max: 5000, say: (v) => t('mixed.hardener', { grams: grams(v) }), none: t('mixed.nohardener') }),
      off ? h(Off, { r, resin_g: d.resin_g, hardener_g: hard, off: d.off, set: (x) => set(x.hardener_g ? { ...x, touched: true } : x) })
        : h('p', { class: 'small', role: 'status' }, !ratio ? t('mixed.noratio') : t('mixed.ratio', { r: ratio[0], h: ratio[1], all: grams(d.resin_g + (hard || 0)) }))),
    h(Choices, { label: t('mixed.in'), field: 'shape', cls: 'three', list: [{ value: 'cup', text: t('shape.cup') }, { value: 'tray', text: t('shape.tray'), sub: t('shape.tray.sub') }, { value: 'bond', text: t('shape.bond') }], value: d.shape, onPick: (shape) => set({ shape }) }),
    h(Field, { label: t('lot'), field: 'lot', value: d.lot, onInput: (lot) => set({ lot }) }),
    h(When, { label: t('mixed.when'), at: d.at, onPick: (at) => set({ at }), field: 'mixed' }));
}

// isOff is true for masses further from the ratio than the sheet allows.
export function isOff(r, resin_g, hardener_g) {
  const want = r && r.ratio_by_weight && resin_g != null ? (resin_g * r.ratio_by_weight[1]) / r.ratio_by_weight[0] : null;
  return want !== null && hardener_g != null && Math.abs(hardener_g - want) > Math.max(1, (want * (r.ratio_tolerance_pct ?? 5)) / 100);
}

// needOff is what became of a cup off its ratio; it must be said.
export function needOff(off) {
  if (!off) throw new Wrong('off_ratio', t('off.say'));
  return off;
}

// Off is a cup off its ratio: what puts it right by adding, for nothing can be
// taken out; or that it is scrap; or that it is on the panel already.
export function Off({ r, resin_g, hardener_g, off, set }) {
  const [a, b] = r.ratio_by_weight, want = (resin_g * b) / a, less = hardener_g < want;
  const n = Math.round(less ? want - hardener_g : (hardener_g * a) / b - resin_g), facts = { n, pct: minus(Math.round((hardener_g / want - 1) * 100)) };
  return h('div', { class: 'note harm', role: 'status' }, h('p', null, t(less ? 'mend.hardener' : 'mend.resin', facts)),
    h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => set(less ? { hardener_g: hardener_g + n } : { resin_g: resin_g + n }) }, t(less ? 'off.added.hardener' : 'off.added.resin', { g: grams(n) }))),
    h(Choices, { label: t('off.else'), field: 'off_ratio', cls: 'two', list: ['scrap', 'used'].map((v) => ({ value: v, text: t('off.' + v) })), value: off, onPick: (v) => set({ off: v }) }),
    off && h('p', { class: 'small' }, t('off.' + off + '.why')));
}
