// SPDX-License-Identifier: Apache-2.0
// Cloth laid into a coat outside any job.
import { h, useState } from '../lib.js';
import { coats, ms, panelName } from '../state.js';
import { clock, gm2, name } from '../say.js';
import { get } from '../line.js';
import { enc, entry } from '../acts.js';
import { Choices, Slip, Stepper, When, moment, useDraft } from '../form.js';
import { t, word } from '../text.js';

export const ownFoot = true;

export default function Cloth({ rest }) {
  const id = rest[0], e = coats().find((x) => x.id === id);
  const [d, set, done] = useDraft('cloth:' + id, () => ({ name: localStorage.getItem('last:cloth') || 'glass', g_m2: +(localStorage.getItem('last:g_m2') || 0) || null, at: null }));
  const [before] = useState(() => get('/coats/' + enc(id)).then((x) => (x.record && x.record.cloth) || [], (err) => { if (err.faults) throw err; return []; }));
  const save = async () => {
    const laid = moment(d.at), old = await before, one = { name: d.name, laid };
    if (d.g_m2) one.g_m2 = d.g_m2;
    await entry({ key: d.key, method: 'PATCH', path: '/coats/' + enc(id), body: { cloth: [...old, one] }, say: t('said.cloth', { cloth: t('cloth.' + d.name), at: clock(ms(laid), true) }), back: () => ['PATCH', '/coats/' + enc(id), { cloth: old }] });
    localStorage.setItem('last:cloth', d.name);
    localStorage.setItem('last:g_m2', d.g_m2 || 0);
    done();
    location.hash = '#/';
  };
  return h(Slip, { title: t('next.cloth'), sub: e ? [name(panelName(e.panel)), ', ', word('kind.', e.kind)] : '', button: t('next.cloth'), save },
    h(Choices, { label: t('cloth.which'), field: 'cloth', cls: 'three', list: ['glass', 'aramid', 'carbon'].map((v) => ({ value: v, text: t('cloth.' + v) })), value: d.name, onPick: (v) => set({ name: v }) }),
    h('fieldset', null, h('legend', null, t('cloth.weight')), h(Stepper, { label: t('cloth.weight'), value: d.g_m2, set: (v) => set({ g_m2: v || null }), step: 10, max: 2000, say: gm2, none: t('cloth.noweight') })),
    h(When, { label: t('cloth.when'), at: d.at, onPick: (at) => set({ at }), field: 'laid' }));
}
