// SPDX-License-Identifier: Apache-2.0
// One coat: its strip, what it is and what comes, temperature and cure along
// the clock, and everything that was entered, with change and undo.
import { h, useEffect, useState } from '../lib.js';
import { S, coats, iso, may, ms, now, panelName } from '../state.js';
import { HOUR, MIN, STATES, Said, band, cap, chance, clock, diff, epoxy, finger, gm2, grams, minus, name, num, sentence, span, stateWord, temp, timeEl, toUnit, unit } from '../say.js';
import { enter, get, key, rows, useFresh } from '../line.js';
import { did, enc, endCoat, entry, soon, tell } from '../acts.js';
import { strip } from '../strip.js';
import { geometry } from '../bench.js';
import { Chart, Table } from '../chart.js';
import { Choices, Err, Field, Hold, When, useDraft, useForm } from '../form.js';
import { has, stop, t, word } from '../text.js';

const EVENTS = ['tacky', 'recoat_opens', 'green', 'recoat_closes', 'firm', 'hard', 'handle'];
export const KINDS = ['tack coat', 'wet-out', 'fill coat', 'bond', 'seal'];
export const NEXTS = ['cloth', 'wet', 'coat', 'fill', 'none'];
export const COVERS = ['none', 'peel ply', 'film', 'vacuum bag'];

export default function Coat({ rest }) {
  const id = rest[0];
  const [full, setFull] = useState(undefined), [left, setLeft] = useState(null);
  useFresh(() => get('/coats/' + enc(id)).then(setFull, () => setFull((old) => old || coats().find((c) => c.id === id) || null)), [id]);
  const on = full && full.panel;
  useEffect(() => {
    if (on) get(`/panels/${enc(on)}/laminate`).then((x) => setLeft(rows(x, 'coats').find((c) => c.coat === id) || null), () => {});
  }, [on, full]);
  const back = h('a', { class: 'back', href: '#/' }, t('page.'));
  if (full === undefined) return h('div', { class: 'page wide' }, back, h('h1', null, t('asking')));
  if (full === null) return h('div', { class: 'page wide' }, back, h('h1', null, t('coat.none')), h('p', null, t(S.lost ? 'line.unheard' : 'coat.taken')));
  if (rest[1] === 'edit') return full.record ? h(Edit, { full }) : h('div', { class: 'page' }, h('h1', null, t('not.now')), h('p', null, t('coat.needs')));
  const e = coats().find((c) => c.id === id) || full;
  const { wide, inner, t0, t1 } = geometry();
  const p = e.state_probability, ended = full.record && full.record.ended;
  const over = full.open === false && e === full; // no estimate is made of it any more
  const row = (k, ...v) => [h('dt', null, t('coat.' + k)), h('dd', null, ...v)];
  const after = left && left.after, gm = after && after.g_m2, vf = after && after.fibre_volume;
  return h('div', { class: 'page wide' }, back,
    h('h1', null, name(panelName(e.panel))),
    h('p', { class: 'small' }, t('coat.sub', { kind: cap(word('kind.', e.kind)), resin: epoxy(e.resin), at: timeEl(ms(e.applied_at), true) }), ended ? [' ', t('coat.ended', { at: timeEl(ms(ended), true) })] : ''),
    h('p', { class: 'say' }, over ? t('coat.over') : (e.say || []).length ? sentence(e.say) : h(Said, null, e.advice)), h('p', { class: 'why' }, sentence(e.because)),
    (e.notes || []).map((n) => h('p', { class: 'why', key: n }, h(Said, null, cap(stop(n))))),
    !over && e.learnt && h('p', { class: 'why' }, h('a', { class: 'plain', href: '#/resin/' + enc(e.resin) }, h(Said, null, e.learnt))),
    !over && after && after.mend_g != null && e.state === 'wet' && h('p', { class: 'note' }, h(Said, null, cap(stop(after.say)))),
    !over && h('div', { class: 'fig' }, strip(e, { w: inner, t0, t1, wide, alone: true })),
    h('div', { class: 'do' }, !over && h('a', { class: 'btn first', href: '#/feel/' + enc(id) }, t('feel.it')), h('a', { class: 'btn', href: `#/coat/${enc(id)}/edit` }, t('coat.change')),
      !ended && h(Hold, { cls: 'quiet', label: t('hold.stop'), onHeld: () => endCoat(id).then(() => { location.hash = '#/'; }) })),
    !over && h('div', { class: 'cols' },
      h('div', null, h('h2', null, t('coat.when')), h(Table, { heads: [t('coat.itwill'), t('coat.about')], rows: EVENTS.map((k) => [t('event.' + k), band(e.events && e.events[k])]) })),
      h('div', null, h('h2', null, t('coat.now')),
        h('dl', { class: 'kv' },
          row('state', h('b', null, stateWord(e.state)), p ? ' (' + STATES.filter((k) => p[k] >= 0.05).map((k) => `${stateWord(k)} ${chance(p[k])}`).join(', ') + ')' : ''),
          row('cured', e.alpha ? t('coat.cured.is', { p50: num(e.alpha.p50 * 100), p10: num(e.alpha.p10 * 100), p90: num(e.alpha.p90 * 100) }) : t('unknown')),
          row('tg', e.tg_c ? `${temp(e.tg_c.p50)} (${minus(Math.round(toUnit(e.tg_c.p10)))} – ${minus(Math.round(toUnit(e.tg_c.p90)))})` : t('unknown')),
          row('panel', temp(e.temp_c), e.panel_from === 'air' ? ', ' + t('sub.air') : e.panel_from === 'none' ? ', ' + t('coat.noprobe') : ''),
          row('pace', e.kappa ? pace(e.kappa) : t('unknown')),
          row('blush', e.blush ? (e.blush.condensed ? t('coat.dew') : word('blush.', e.blush.band)) : t('unknown'), e.blush && e.blush.band !== 'unknown' ? ' ' + t('coat.rough') : ''),
          row('gap', e.degraded_minutes ? span(e.degraded_minutes * MIN) : t('never')),
          e.stall ? row('stalled', e.t_need_c != null ? t('coat.stall.need', { temp: temp(e.t_need_c) }) : t('coat.stall')) : null))),
    left && h('div', { class: 'left' }, h('h2', null, t('coat.resinin')), h('p', { class: 'why' }, h(Said, null, cap(stop(after ? after.say : left.why)))),
      after && h('dl', { class: 'kv' }, row('onit', t('span.of', { a: num(gm.low), b: gm2(gm.high) })), vf ? row('fibre', t('span.of', { a: num(vf.low, 2), b: num(vf.high, 2) })) : null),
      may('record') && ((full.record && full.record.batches) || []).map((b) => h('p', { key: b }, h('a', { class: 'plain', href: '#/cup/' + enc(b) }, t('coat.leftover'))))),
    h(Figures, { key: id, e, full }), h(Log, { full, id }));
}

// pace says the batch's speed in plain words.
function pace(k) {
  const pct = Math.round(Math.abs(k.p50 - 1) * 100);
  return t(pct < 5 ? 'pace.sheet' : k.p50 > 1 ? 'pace.faster' : 'pace.slower', { n: pct, from: num(k.p10, 1), to: num(k.p90, 1) });
}

function Figures({ e, full }) {
  const [pts, setPts] = useState(null), [err, setErr] = useState('');
  const from = ms(e.applied_at) - HOUR / 2;
  useEffect(() => {
    const ended = full.open === false && full.record && ms(full.record.ended), hard = e.events && e.events.hard && ms(e.events.hard.p50);
    const to = ended ? Math.max(ended, from + 2 * HOUR) : Math.max(now() + 12 * HOUR, Math.min(now() + 72 * HOUR, hard ? hard + 6 * HOUR : 0));
    get(`/coats/${enc(e.id)}/trace?from=${enc(iso(from))}&to=${enc(iso(to))}&points=480`).then((x) => setPts(rows(x, 'points')), (x) => setErr(x.message));
  }, []);
  if (err) return h('p', { class: 'small' }, t('chart.none', { why: err }));
  if (!pts) return h('p', { class: 'small' }, t('asking'));
  if (!pts.length) return h('div', null, h('h2', null, t('coat.figures')), h('p', { class: 'small' }, t('coat.figures.none')));
  const xs = pts.map((p) => ms(p.at));
  const v = (f) => pts.map((p) => f(p) ?? null), tu = (f) => v(f).map((x) => (x === null ? null : toUnit(x)));
  const gaps = ((e.strip && e.strip.gaps) || []).map((g) => [ms(g.from), ms(g.to)]);
  const marks = (full.feels || (e.strip && e.strip.feels) || []).map((f) => ({ t: ms(f.at), word: stateWord(f.state) }));
  const past = (f) => (p) => (p.forecast || p.gap ? null : f(p)), fut = (f) => (p) => (p.forecast ? f(p) : null);
  // The dashed line starts where the full one ends.
  const last = pts.reduce((m, p, i) => (p.forecast ? m : i), -1);
  const join = (f) => pts.map((p, i) => (p.forecast || (i === last && !p.gap) ? f(p) ?? null : null));
  const segments = ((e.strip && e.strip.segments) || []).reduce((out, g) => { const l = out[out.length - 1]; if (l && l.state === g.state) l.to = ms(g.to); else out.push({ state: g.state, from: ms(g.from), to: ms(g.to) }); return out; }, []);
  return h('div', { class: 'cols' },
    h(Chart, {
      title: t('chart.temp', { unit: unit() }), legend: [['graph', null, false, t('chart.panel')], ['graph', '5 4', false, t('chart.forecast')], ['soft', null, true, t('chart.doubt')], ['ink', '2 3', false, t('chart.dew')]], xs,
      series: [
        { label: 'high', ys: tu(fut((p) => p.temp_p90)), hide: true }, { label: 'low', ys: tu(fut((p) => p.temp_p10)), hide: true },
        { label: t('chart.panel'), ys: tu(past((p) => p.temp_c)), say: (x) => t('chart.say.panel', { x: minus(num(x, 1)), unit: unit() }) },
        { label: t('chart.forecast'), ys: join((p) => (p.temp_c == null ? null : toUnit(p.temp_c))), dash: [5, 4], say: (x, i) => (pts[i].forecast ? t('chart.say.forecast', { x: minus(num(x, 1)), unit: unit() }) : '') },
        { label: t('chart.dew'), ys: tu((p) => p.dew_c), color: 'ink', dash: [2, 3], width: 1.3, say: (x, i) => t('chart.say.dew', { x: minus(num(x, 1)) }) + (pts[i].temp_c != null ? ', ' + t('chart.say.margin', { diff: diff(pts[i].temp_c - pts[i].dew_c) }) : '') },
      ],
      opt: { bands: [[1, 2]], gaps, marks, marksLow: true, height: 220, aria: t('chart.temp.aria') },
    }),
    h(Chart, {
      title: t('chart.cure'), legend: [['graph', null, false, t('chart.alpha')], ['soft', null, true, t('chart.doubt')], [null, null, false, t('chart.ovals')]], xs,
      series: [
        { label: 'high', ys: v((p) => p.alpha && p.alpha.p90 * 100), hide: true }, { label: 'low', ys: v((p) => p.alpha && p.alpha.p10 * 100), hide: true },
        { label: t('chart.alpha'), ys: v((p) => (p.forecast ? null : p.alpha && p.alpha.p50 * 100)), say: (x) => t('chart.say.cured', { x: num(x) }) },
        { label: t('chart.forecast'), ys: join((p) => (p.alpha ? p.alpha.p50 * 100 : null)), dash: [5, 4], say: (x, i) => (pts[i].forecast ? t('chart.say.cured', { x: num(x) }) : '') },
      ],
      opt: { bands: [[1, 2]], gaps, marks, segments, height: 220, range: () => [0, 100], aria: t('chart.cure.aria') },
    }));
}

function Log({ full, id }) {
  const rec = full.record, items = [];
  const takeBack = (path, what, leave) => tell(path, async () => {
    const r = await enter({ key: key(), method: 'DELETE', path, say: t('coat.takeback.of', { what }) });
    S.undo = null;
    did(t('coat.tookback', { what }) + (r.kept ? ' ' + t('kept') : ''), async () => { throw new Error(t('coat.takeback.final')); });
    S.undo = null;
    soon();
    if (leave) location.hash = '#/';
  });
  const edit = may('record');
  for (const f of full.feels || []) items.push([ms(f.at), t('log.feel', { finger: finger(f.state) }), edit && h(Hold, { cls: 'quiet', label: t('hold.takeback'), aria: t('hold.takeback.feel', { at: clock(ms(f.at), true) }), onHeld: () => takeBack('/feels/' + enc(f.id), t('log.a.feel')) })]);
  for (const b of full.batches || []) items.push([ms(b.mixed), [t('log.cup', { resin: name(b.resin), r: grams(b.resin_g), h: grams(b.hardener_g) }), b.lot ? [' ', t('need.lot', { lot: name(b.lot) })] : ''], edit && h('a', { class: 'btn quiet', href: '#/cup/' + enc(b.id) }, t('cup.change'))]);
  for (const c of (rec && rec.cloth) || []) items.push([ms(c.laid) ?? ms(full.applied_at), t(c.g_m2 ? 'log.cloth.g' : 'log.cloth', { cloth: name(c.name), g: c.g_m2 ? gm2(c.g_m2) : '' }), null]);
  items.sort((x, y) => x[0] - y[0]);
  return h('div', { class: 'log' }, h('h2', null, t('log')),
    items.length ? h('ul', { class: 'rows' }, items.map(([at, text, btn], i) => h('li', { key: i }, h('div', { class: 'item side' }, h('p', null, timeEl(at, true), ' · ', text), btn ? h('div', { class: 'do' }, btn) : null)))) : h('p', { class: 'small' }, t('log.none')),
    (full.changes || []).length > 1 ? [h('h2', null, t('log.changes')), h('p', { class: 'small' }, t('log.both')),
      h(Table, { heads: [t('log.when'), t('log.by'), t('log.what')], rows: full.changes.map((c, i) => [timeEl(ms(c.at), true), name(c.by), h(Said, null, changeWords(c, full.changes[i - 1]))]) })] : null,
    edit && [h('h2', null, t('coat.takeback')), h('p', { class: 'small' }, t('coat.takeback.why')), h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('hold.takeback.coat'), onHeld: () => takeBack('/coats/' + enc(id), t('log.a.coat'), true) }))],
    rec ? h('p', { class: 'why' }, h('a', { href: '#/history/' + enc(rec.panel) }, t('log.record', { panel: name(panelName(rec.panel)) }))) : null);
}

// flat writes a value so that the order of its keys does not matter.
const flat = (v) => JSON.stringify(v, (_, x) => (x && typeof x === 'object' && !Array.isArray(x) ? Object.fromEntries(Object.entries(x).sort()) : x));

// changeWords says what one version of a record changed in the one before.
export function changeWords(c, before) {
  if (c.op === 'create') return t('change.create');
  if (c.op === 'delete') return t('change.delete');
  const a = (before && before.body) || {}, b = c.body || {};
  const say = (v) => (v == null || v === '' ? t('change.nothing') : /^\d{4}-\d\d-\d\dT/.test(v) ? clock(Date.parse(v), true) : typeof v === 'object' ? JSON.stringify(v).replace(/["{}[\]]/g, '') : v);
  return Object.keys({ ...a, ...b }).filter((k) => flat(a[k]) !== flat(b[k])).map((k) => `${has('change.' + k) ? t('change.' + k) : k}: ${say(a[k])} → ${say(b[k])}`).join('; ') || t('change.same');
}

function Edit({ full }) {
  const rec = full.record, id = rec.id;
  const [d, set, done] = useDraft('coat:' + id, () => ({ kind: rec.kind, next: rec.next || '', cover: rec.cover || 'none', at: null, note: rec.note || '' }));
  const f = useForm(async () => {
    const body = {}, undo = {};
    const put = (k, v, old) => { if (v !== old) { body[k] = v; undo[k] = old === '' || old === undefined ? null : old; } };
    put('kind', d.kind, rec.kind);
    put('next', d.next, rec.next || '');
    if (d.cover !== (rec.cover || 'none')) { body.cover = d.cover; undo.cover = rec.cover || null; }
    put('note', d.note.trim(), rec.note || '');
    if (d.at !== null) { body.applied = iso(d.at); undo.applied = rec.applied; }
    if (Object.keys(body).length) await entry({ key: d.key, method: 'PATCH', path: '/coats/' + enc(id), body, say: t('coat.changed.of', { kind: word('kind.', rec.kind) }), done: t('changed'), back: () => ['PATCH', '/coats/' + enc(id), undo] });
    done();
    location.hash = '#/coat/' + enc(id);
  });
  return h('form', { class: 'page', onsubmit: f.submit }, h('a', { class: 'back', href: '#/coat/' + enc(id) }, t('back')), h('h1', null, t('coat.change')), h('p', { class: 'small' }, name(panelName(rec.panel)), '. ', t('log.both')),
    h(When, { label: t('coat.went', { at: clock(ms(rec.applied), true) }), at: d.at ?? ms(rec.applied), onPick: (x) => set({ at: x ?? now() }), field: 'applied' }),
    h(Choices, { label: t('coat.kind'), list: KINDS.map((v) => ({ value: v, text: cap(word('kind.', v)) })), value: d.kind, onPick: (kind) => set({ kind }), field: 'kind' }),
    h(Choices, { label: t('coat.next'), list: NEXTS.map((v) => ({ value: v, text: t('nextkind.' + v) })), value: d.next, onPick: (next) => set({ next }), field: 'next' }),
    h(Choices, { label: t('coat.cover'), list: COVERS.map((v) => ({ value: v, text: t('cover.' + v) })), value: d.cover, onPick: (cover) => set({ cover }), field: 'cover', cls: 'two' }),
    h(Field, { label: t('note'), field: 'note', value: d.note, onInput: (note) => set({ note }) }),
    h(Err, { foot: true }), h('div', { class: 'do' }, h('button', { type: 'submit', class: 'first', disabled: f.busy }, t('coat.save'))));
}
