// SPDX-License-Identifier: Apache-2.0
// Drums and bottles: what is left, where it ends, what was seen of each.
import { h, useState } from '../lib.js';
import { may, ms, now } from '../state.js';
import { DAY, Said, atWall, cap, dayKey, grams, name, num, shortDay } from '../say.js';
import { Refused, call, get, key, rows, useFresh } from '../line.js';
import { enc, entry } from '../acts.js';
import { Choices, Field, Hold, Slip, Wrong, number, useDraft } from '../form.js';
import { ResinChoices, soleResin } from './mixed.js';
import { stop, t } from '../text.js';

export const ownFoot = ({ rest }) => !!rest[0];
const PARTS = ['resin', 'hardener', 'filler'], SEEN = ['', 'warm', 'crystallised', 'cleared'];
const KG = { '': 1, g: 1, kg: 1000, lb: 453.592 };

// mass reads "1500", "1.5 kg" or "11 lb" into grams; one unit, no sign.
function mass(field, typed) {
  const m = /^\s*(\d+(?:[.,]\d+)?)\s*(g|kg|lb)?\s*$/i.exec(typed);
  if (!m) throw new Wrong(field, typed.trim() ? t('stock.nomass', { x: typed }) : t('stock.missing'));
  return Math.round(number(m[1]) * KG[(m[2] || '').toLowerCase()] * 10) / 10;
}
// A day of the shop's calendar, as a date field has it.
const dayText = (v) => (ms(v) === null ? '' : new Date(dayKey(ms(v)) * DAY).toISOString().slice(0, 10));
const dayAt = (v) => (v ? new Date(atWall(Date.parse(v) / DAY - dayKey(now()), 0)).toISOString() : null);

export default function Stock({ rest }) {
  const [s, setS] = useState(null), [err, setErr] = useState('');
  useFresh(() => get('/stock').then((x) => { setS(x); setErr(''); }, (e) => setErr(e.message)));
  if (rest[0] === 'new') return h(Add);
  if (rest[0]) {
    const one = s && rows(s, 'stock').find((x) => x.id === rest[0]);
    return one ? h(One, { x: one, key: one.id }) : h(Slip, { title: t('page.stock'), sub: t(s ? 'stock.no' : 'asking'), button: t('page.stock'), backTo: '#/stock', save: async () => { location.hash = '#/stock'; } });
  }
  return h(List, { s, err });
}

const title = (x) => [x.name ? name(x.name) : [x.resin ? [name(x.resin), ', '] : '', t('part.' + x.part)], x.lot ? [', ', t('stock.lot', { lot: name(x.lot) })] : ''];

function List({ s, err }) {
  const list = rows(s, 'stock'), here = list.filter((x) => !x.gone), gone = list.filter((x) => x.gone);
  const row = (x) => h('li', { key: x.id, 'data-stock': x.id }, h('a', { href: '#/stock/' + enc(x.id) },
    h('span', null, h('b', null, title(x)), h('br'), h('span', { class: 'small' }, facts(x)), x.say ? h('p', { class: 'why' }, h(Said, null, cap(stop(x.say)))) : null),
    h('span', null, h('b', { class: x.left_g <= 0 ? 'none' : '' }, x.gone ? t('stock.gone') : grams(x.left_g)), x.gone ? '' : [h('br'), t('stock.of', { g: grams(x.full_g) })])));
  return h('div', { class: 'page wide' }, h('h1', null, t('page.stock')), h('p', { class: 'why' }, t('stock.why')),
    rows(s, 'ends').map((e) => h('p', { class: 'note', key: e.part + e.resin }, h(Said, null, cap(stop(e.say))))), err ? h('p', { class: 'err', translate: false }, err) : null,
    h('div', { class: 'cols' }, h('div', null, s && !here.length ? h('p', { class: 'small' }, t('stock.none')) : h('ul', { class: 'rows stock' }, here.map(row)),
      may('record') ? h('div', { class: 'do' }, h('a', { class: 'btn first', href: '#/stock/new' }, t('stock.add'))) : null),
    h('div', null, h('h2', null, t('stock.file')), h(CSV), gone.length ? [h('h2', null, t('stock.gone.h')), h('ul', { class: 'rows' }, gone.map(row))] : null)));
}

const facts = (x) => [ms(x.opened) === null ? t('stock.closed') : t('stock.opened.is', { at: shortDay(ms(x.opened)) }), ms(x.best_before) === null ? '' : t('stock.best.is', { at: shortDay(ms(x.best_before)) }), x.condition ? t('stock.seen.' + x.condition) : '',
  x.value != null ? t('stock.worth', { x: num(x.value, 2) }) + '\u202f' : ''].filter(Boolean).flatMap((p, i) => [i ? ' · ' : '', p]).concat(x.value != null && x.currency ? h(Said, null, x.currency) : [], x.note ? [' · ', name(x.note)] : []);

// CSV goes out by a link, and in whole or not at all; each fault has its line.
function CSV() {
  const [st, set] = useState({ said: '', faults: [] });
  const put = async (ev) => {
    const [f] = ev.target.files;
    if (!f) return;
    try {
      const r = await call('POST', '/stock/import', { csv: await f.text() }, key());
      set({ said: t('stock.read', { n: r.ids.length }), faults: [] });
    } catch (e) {
      set({ said: t('keep.unchanged'), faults: e instanceof Refused ? e.faults : [{ field: '', what: e.message }] });
    }
    ev.target.value = '';
  };
  return [h('div', { class: 'do', key: 'd' }, h('a', { class: 'btn', href: 'api/v1/stock.csv', download: 'stock.csv' }, t('stock.csv')), may('record') ? h('label', { class: 'opt' }, h('input', { type: 'file', accept: '.csv,text/csv', onchange: put }), h('span', null, t('stock.csv.in'))) : null),
    h('p', { class: 'why', role: 'status', key: 's' }, st.said), st.faults.map((f, i) => h('p', { class: 'err', translate: false, key: i }, (f.field ? f.field + ': ' : '') + f.what))];
}

// Fields that a container is added and corrected with.
const day = (d, set, k, label) => h(Field, { label, field: k, type: 'date', value: d[k], onInput: (v) => set({ [k]: v }) });
const price = (d, set) => [h(Field, { key: 'p', label: t('stock.price'), field: 'price', value: d.price, onInput: (v) => set({ price: v }), inputmode: 'decimal' }), h(Field, { key: 'c', label: t('stock.currency'), field: 'currency', hint: t('stock.currency.hint'), value: d.currency, onInput: (currency) => set({ currency }) })];
function priced(d) {
  const p = number(d.price);
  if (Number.isNaN(p)) throw new Wrong('price', t('form.nan', { x: d.price }));
  return p;
}

function Add() {
  const [d, set, done] = useDraft('stock', () => ({ resin: soleResin(), part: 'resin', full: '', lot: '', opened: '', best_before: '', price: '', currency: '', name: '' }));
  const save = async () => {
    const body = { part: d.part, full_g: mass('full_g', d.full) }, p = priced(d);
    if (d.part !== 'filler') body.resin = d.resin;
    if (p !== null) body.price = p;
    for (const k of ['lot', 'name', 'currency']) if (d[k].trim()) body[k] = d[k].trim();
    for (const k of ['opened', 'best_before']) if (d[k]) body[k] = dayAt(d[k]);
    await entry({ key: d.key, path: '/stock', body, say: t('stock.added', { what: t('part.' + d.part), g: grams(body.full_g) }), back: (ref) => ['DELETE', '/stock/' + ref] });
    done();
    location.hash = '#/stock';
  };
  return h(Slip, { title: t('stock.add'), button: t('stock.add.it'), backTo: '#/stock', save },
    h(Choices, { label: t('stock.part'), field: 'part', cls: 'three', list: PARTS.map((v) => ({ value: v, text: cap(t('part.' + v)) })), value: d.part, onPick: (part) => set({ part }) }),
    d.part !== 'filler' && h(ResinChoices, { value: d.resin, onPick: (resin) => set({ resin }) }),
    h(Field, { label: t('stock.full'), field: 'full_g', hint: t('stock.full.hint'), value: d.full, onInput: (full) => set({ full }) }),
    h(Field, { label: t('lot'), field: 'lot', value: d.lot, onInput: (lot) => set({ lot }) }),
    day(d, set, 'opened', t('stock.opened')), day(d, set, 'best_before', t('stock.best')), price(d, set));
}

function One({ x }) {
  const [d, set, done] = useDraft('stock:' + x.id, () => ({ counted: '', condition: x.condition || '', note: x.note || '', opened: dayText(x.opened), best_before: dayText(x.best_before), price: x.price == null ? '' : String(x.price), currency: x.currency || '' }));
  const patch = (body, old, what) => entry({ method: 'PATCH', key: body.gone ? undefined : d.key, path: '/stock/' + enc(x.id), body, say: what, back: () => ['PATCH', '/stock/' + enc(x.id), old] }).then(() => { done(); location.hash = '#/stock'; });
  const save = async () => {
    const body = {}, old = {}, p = priced(d);
    const put = (k, v, was) => { if ((v ?? '') !== (was ?? '')) { body[k] = v; old[k] = was ?? null; } };
    if (d.counted.trim()) {
      body.counted_g = mass('counted_g', d.counted);
      body.counted_at = new Date(now()).toISOString();
      old.counted_g = x.counted_g ?? null;
      old.counted_at = x.counted_at ?? null;
    }
    put('condition', d.condition, x.condition || '');
    put('note', d.note.trim(), x.note || '');
    put('currency', d.currency.trim(), x.currency || '');
    put('price', p, x.price);
    for (const k of ['opened', 'best_before']) if (d[k] !== dayText(x[k])) put(k, dayAt(d[k]), x[k]);
    if (!Object.keys(body).length) { location.hash = '#/stock'; return; }
    await patch(body, old, body.counted_g != null ? t('stock.counted', { g: grams(body.counted_g) }) : t('stock.changed'));
  };
  return h(Slip, { title: title(x), sub: t('stock.left', { g: grams(x.left_g), of: grams(x.full_g) }), button: t('save'), backTo: '#/stock', save },
    x.say ? h('p', { class: 'note' }, h(Said, null, cap(stop(x.say)))) : null,
    h(Field, { label: t('stock.count'), field: 'counted_g', hint: t('stock.count.hint'), value: d.counted, onInput: (counted) => set({ counted }) }),
    h(Choices, { label: t('stock.seen'), field: 'condition', cls: 'two', list: SEEN.map((v) => ({ value: v, text: t('stock.seen.' + (v || 'none')) })), value: d.condition, onPick: (condition) => set({ condition }) }),
    day(d, set, 'opened', t('stock.opened')), day(d, set, 'best_before', t('stock.best')), price(d, set),
    h(Field, { label: t('note'), field: 'note', value: d.note, onInput: (note) => set({ note }) }),
    !x.gone && h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('stock.empty'), onHeld: () => patch({ gone: new Date(now()).toISOString() }, { gone: null }, t('stock.emptied')) })));
}
