// SPDX-License-Identifier: Apache-2.0
// What was entered, newest first, to take back or put right: cups too.
import { h, useEffect, useState } from '../lib.js';
import { iso, ms, resinByName } from '../state.js';
import { Said, cap, clock, grams, name } from '../say.js';
import { get, rows, useFresh } from '../line.js';
import { enc, entry, say } from '../acts.js';
import { Choices, Field, Hold, Slip, Stepper, When, useDraft } from '../form.js';
import { Off, ResinChoices, isOff, needOff } from './mixed.js';
import { stop, t } from '../text.js';

export const ownFoot = ({ name: page }) => page === 'cup';

export default function Entries({ name: page, rest }) {
  return page === 'cup' ? h(Cup, { id: rest[0] }) : h(List);
}

function List() {
  const [list, setList] = useState(null), [cups, setCups] = useState([]);
  useFresh(() => { get('/entries?limit=40').then((x) => setList(rows(x, 'entries')), () => setList([])); get('/batches').then((x) => setCups(rows(x, 'batches')), () => {}); });
  const undo = (e) => entry({ path: `/entries/${enc(e.id)}/undo`, body: {}, say: t('undo.of', { what: e.say }), done: t('undo.done'), back: (ref) => ['POST', `/entries/${ref}/undo`, {}] }).catch((x) => say(x.message));
  return h('div', { class: 'page wide' }, h('h1', null, t('page.entries')), h('p', { class: 'why' }, t('entries.why')), h('div', { class: 'cols' },
    h('div', null, list && !list.length ? h('p', { class: 'small' }, t('log.none')) : h('ul', { class: 'rows' }, (list || []).map((e) => h('li', { key: e.id, class: e.undone ? 'undone' : '' }, h('div', { class: 'item side' },
      h('div', null, h('p', null, h(Said, null, cap(stop(e.say)))), h('p', { class: 'small' }, clock(ms(e.at), true), e.by && e.by !== 'loopback' ? [', ', name(e.by)] : '', e.undone ? ' · ' + t('entries.undone') : '')),
      e.can_undo && !e.undone && h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('hold.takeback'), aria: t('hold.takeback') + ': ' + e.say, onHeld: () => undo(e) }))))))),
    h('div', null, h('h2', null, t('entries.cups')), h('ul', { class: 'rows' }, [...cups].sort((a, b) => ms(b.mixed) - ms(a.mixed)).slice(0, 20).map((b) => h('li', { key: b.id }, h('a', { href: '#/cup/' + enc(b.id) }, h('span', null, name(b.resin), ', ', grams(b.resin_g == null ? null : b.resin_g + (b.hardener_g || 0))), h('span', null, t('cup.mixed', { at: clock(ms(b.mixed), true) })))))))));
}

function Cup({ id }) {
  const [old, setOld] = useState(null);
  useEffect(() => { get('/batches/' + enc(id)).then((x) => setOld(x.record), () => setOld(false)); }, [id]);
  if (!old) return h(Slip, { title: t('cup.change'), sub: t(old === false ? 'coat.needs' : 'asking'), button: t('page.'), backTo: '#/entries', save: async () => { location.hash = '#/entries'; } });
  return h(CupForm, { old });
}

function CupForm({ old }) {
  const [d, set, done] = useDraft('cup:' + old.id, () => ({ resin: old.resin, resin_g: old.resin_g ?? null, hardener_g: old.hardener_g ?? null, lot: old.lot || '', shape: old.shape || 'cup', at: null, left: old.left_g ?? null, off: old.off_ratio || '' }));
  const r = resinByName(d.resin), off = isOff(r, d.resin_g, d.hardener_g);
  const save = async () => {
    const body = {}, undo = {};
    const put = (k, v, o) => { if (v !== o) { body[k] = v; undo[k] = o; } };
    put('resin', d.resin, old.resin);
    put('resin_g', d.resin_g, old.resin_g ?? null);
    put('hardener_g', d.hardener_g, old.hardener_g ?? null);
    put('lot', d.lot.trim() || null, old.lot || null);
    put('shape', d.shape, old.shape || 'cup');
    put('left_g', d.left, old.left_g ?? null);
    put('off_ratio', off ? needOff(d.off) : null, old.off_ratio || null);
    if (d.at !== null) put('mixed', iso(d.at), old.mixed);
    if (Object.keys(body).length) await entry({ key: d.key, method: 'PATCH', path: '/batches/' + enc(old.id), body, say: t('cup.changed'), back: () => ['PATCH', '/batches/' + enc(old.id), undo] });
    done();
    history.back();
  };
  return h(Slip, { title: t('cup.change'), sub: t('log.both'), button: t('save'), backTo: '#/entries', save },
    h(ResinChoices, { value: d.resin, onPick: (resin) => set({ resin }) }),
    h('fieldset', { 'data-field': 'resin_g hardener_g' }, h('legend', null, t('cup.masses')),
      h(Stepper, { label: t('g.resin'), value: d.resin_g, set: (v) => set({ resin_g: v }), step: 5, max: 5000, say: (v) => t('mixed.resin', { grams: grams(v) }), none: t('none.weighed') }),
      h(Stepper, { label: t('g.hardener'), value: d.hardener_g, set: (v) => set({ hardener_g: v }), step: 1, max: 5000, say: (v) => t('mixed.hardener', { grams: grams(v) }), none: t('mixed.nohardener') }),
      off && h(Off, { r, resin_g: d.resin_g, hardener_g: d.hardener_g, off: d.off, set }),
      h(Stepper, { label: t('cup.leftover'), value: d.left, set: (v) => set({ left: v }), step: 5, max: 5000, say: (v) => t('cup.leftover.is', { grams: grams(v) }), none: t('cup.leftover.none') })),
    h(Choices, { label: t('mixed.in'), field: 'shape', cls: 'three', list: ['cup', 'tray', 'bond'].map((v) => ({ value: v, text: t('shape.' + v) })), value: d.shape, onPick: (shape) => set({ shape }) }),
    h(Field, { label: t('lot'), field: 'lot', value: d.lot, onInput: (lot) => set({ lot }) }),
    h(When, { label: t('mixed.when'), at: d.at ?? ms(old.mixed), onPick: (at) => set({ at: at ?? Date.now() }), field: 'mixed' }),
    h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('cup.remove'), onHeld: () => entry({ method: 'DELETE', path: '/batches/' + enc(old.id), say: t('cup.removed'), back: () => ['POST', '/batches', old] }).then(() => { location.hash = '#/entries'; }, (e) => say(e.message)) })));
}
