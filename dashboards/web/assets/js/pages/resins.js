// SPDX-License-Identifier: Apache-2.0
// Epoxies: those known, one from its data sheet with what the fit made of it,
// and the curve of each.
import { h, useEffect, useRef, useState } from '../lib.js';
import { S, may, ms, resinByName } from '../state.js';
import { HOUR, MIN, Said, cap, fromUnit, isUS, minus, name, num, span, stateWord, temp, timeEl, toUnit, unit } from '../say.js';
import { call, key, get, lists } from '../line.js';
import { enc, say } from '../acts.js';
import { Table } from '../chart.js';
import { Choices, Err, Field, Foot, Hold, Wrong, number, useDraft, useForm } from '../form.js';
import { stop, t } from '../text.js';

// The list has the bar, the data sheet its own button.
export const ownFoot = ({ name: page, rest }) => page === 'resin' && rest[0] === 'new';

export default function Resins({ name: page, rest }) {
  if (page === 'resin') return rest[0] === 'new' ? h(Sheet) : h(One, { id: rest[0] });
  return h('div', { class: 'page' }, h('h1', null, t('page.resins')), h('p', { class: 'why' }, t('resins.why')),
    h('div', { class: 'do' }, h('a', { class: 'btn first', href: '#/resin/new' }, t('resins.new'))),
    h('ul', { class: 'rows' }, S.resins.map((x) => h('li', { key: x.name }, h('a', { href: '#/resin/' + enc(x.name) }, h('span', null, name(x.name)), h('span', null, x.generic ? t('resin.generic') : x.ratio_by_weight ? t('resin.weight', { r: x.ratio_by_weight[0], h: x.ratio_by_weight[1] }) : t('resin.sheet')))))));
}

function One({ id }) {
  const x = resinByName(id);
  return h('div', { class: 'page wide' }, h('a', { class: 'back', href: '#/resins' }, t('page.resins')), h('h1', null, name(id)),
    x && x.generic ? h('p', { class: 'why' }, t('resin.generic.why')) : null,
    x ? h('div', { class: 'cols' }, h('dl', { class: 'kv' }, h('dt', null, t('resin.good')), h('dd', null, t('between', { a: temp(x.min_temp_c), b: temp(x.max_temp_c) })),
      h('dt', null, t('resin.byweight')), h('dd', null, x.ratio_by_weight ? t('ratio', { r: x.ratio_by_weight[0], h: x.ratio_by_weight[1] }) : t('notgiven')),
      x.ratio_by_volume ? [h('dt', null, t('resin.byvolume')), h('dd', null, t('ratio', { r: x.ratio_by_volume[0], h: x.ratio_by_volume[1] }))] : null,
      h('dt', null, t('resin.handle')), h('dd', null, x.handle ? t('resin.handle.is', { h: num(x.handle.hours), temp: temp(x.handle.temp_c) }) : t('resin.handle.no', { temp: temp(20) })),
      h('dt', null, t('resin.batches')), h('dd', null, t('resin.batches.is', { n: Math.round((Math.exp(1.28 * x.ln_kappa_sd) - 1) * 100) }))), h(Curve, { id })) : h('p', null, t('resin.unknown')), h(Learnt, { key: id, id }));
}

// Learnt is what the shop's own coats taught of an epoxy: each claim opens to
// the coats that taught it, and all of it is forgotten on one hold.
function Learnt({ id }) {
  const [m, setM] = useState(null), [err, setErr] = useState('');
  const ask = () => get('/memory').then(setM, (e) => setErr(e.message));
  useEffect(() => { ask(); }, [id]);
  if (err) return h(Err, null, err);
  const claims = m ? m.claims.filter((c) => c.resin === id) : [], all = m ? m.coats.filter((c) => c.resin === id) : [];
  if (!m || !m.trouble && !claims.length && !all.length) return null;
  const row = (c) => h('li', { key: c.key }, h('a', { href: '#/coat/' + enc(c.coat) }, h('span', null, c.coat, ' · ', timeEl(ms(c.applied), true)),
    h('span', null, c.tests.map((x) => stateWord(x.state)).join(', '), ' · ', temp(c.warmth_c))), c.why.map((w) => h('p', { class: 'small', key: w }, h(Said, null, cap(stop(w))))));
  const mute = all.filter((c) => !c.teaches);
  const forget = () => call('POST', '/memory/forget', { resin: id }, key()).then(() => { say(t('memory.forgotten')); ask(); }, (e) => setErr(e.message));
  return h('section', { class: 'learnt' }, h('h2', null, t('memory')), m.trouble ? h('p', { class: 'note' }, h(Said, null, m.trouble)) : null,
    claims.map((c) => h('details', { key: c.code + c.lot + c.person + c.say }, h('summary', null, h(Said, null, c.say)),
      h('ul', { class: 'rows' }, all.filter((x) => c.coats.includes(x.key)).map(row)))),
    mute.length > 0 && h('details', null, h('summary', null, t('memory.mute', { n: mute.length })), h('ul', { class: 'rows' }, mute.map(row))),
    claims.length > 0 && may('record') && h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('hold.forget'), onHeld: forget })));
}

const TEMPS = [10, 15, 20, 25];
const EV = ['alpha_0.30', 'recoat_opens', 'gel', 'green', 'recoat_closes', 'hard'];

function Curve({ id }) {
  const [list, setList] = useState(null), [err, setErr] = useState(''), box = useRef(null);
  useEffect(() => { Promise.all(TEMPS.map((c) => get(`/cure?resin=${enc(id)}&temp=${c}`))).then(setList, (e) => setErr(e.message)); }, [id]);
  if (err) return h('p', { class: 'small' }, t('chart.none', { why: err }));
  if (!list) return h('p', { class: 'small' }, t('asking'));
  const wide = innerWidth >= 900, W = wide ? 560 : innerWidth - 32, H = 250, L = 34, R = 44, B = 30, lo = Math.log(0.5), hi = Math.log(168);
  const X = (hr) => L + ((Math.log(hr) - lo) / (hi - lo)) * (W - L - R), Y = (a) => 10 + (1 - a) * (H - B - 10);
  // Labels at the curves' ends keep 13 px apart.
  const last = list.map((c) => { const v = (c.alpha_at_h || {})['168']; return v == null ? H : Y(v); }), ends = [...last];
  [...last.keys()].sort((a, b) => last[a] - last[b]).forEach((k, n, order) => { if (n) ends[k] = Math.max(ends[k], ends[order[n - 1]] + 13); });
  const lines = list.map((c, i) => {
    const pts = Object.entries(c.alpha_at_h || {}).map(([k, v]) => [+k, v]);
    for (const [k, a] of [['alpha_0.30', 0.3], ['alpha_0.80', 0.8]]) if (c.times_min && c.times_min[k]) pts.push([c.times_min[k] / 60, a]);
    const use = pts.sort((p, q) => p[0] - q[0]).filter((p) => p[1] !== null && p[0] >= 0.5 && p[0] <= 168);
    if (use.length < 2) return null;
    return [h('path', { class: 'kline', d: 'M' + use.map((p) => X(p[0]).toFixed(1) + ' ' + Y(p[1]).toFixed(1)).join('L'), 'stroke-dasharray': ['2 3', '7 4', null, '12 3 2 3'][i] }),
      h('text', { class: 'hour', x: X(use[use.length - 1][0]) + 4, y: ends[i] + 4 }, minus(Math.round(toUnit(TEMPS[i]))) + '\u202f' + unit())];
  });
  const hours = wide ? [1, 2, 4, 8, 24, 72, 168] : [1, 4, 24, 168];
  return h('div', { ref: box }, h('h2', null, t('curve')),
    h('svg', { viewBox: `0 0 ${W} ${H}`, width: W, height: H, class: 'curve', role: 'img', 'aria-label': t('curve.aria') },
      [0, 0.25, 0.5, 0.75, 1].map((a) => [h('path', { class: 'hair', d: `M${L} ${Y(a)}H${W - R}` }), h('text', { class: 'hour', x: L - 6, y: Y(a) + 4, 'text-anchor': 'end' }, a * 100)]),
      hours.map((x) => [h('path', { class: 'hair', d: `M${X(x)} 10V${H - B}` }), h('text', { class: 'hour', x: X(x), y: H - 10, 'text-anchor': 'middle' }, span(x * HOUR))]), lines),
    wide ? h(Table, { heads: [t('at'), ...EV.map((k) => t('ev.' + k))], rows: list.map((c, i) => [temp(TEMPS[i]), ...EV.map((k) => after(c, k))]) })
      : list.map((c, i) => h('dl', { class: 'kv', key: i }, h('dt', null, h('b', null, temp(TEMPS[i]))), h('dd', null), EV.map((k) => [h('dt', null, cap(t('ev.' + k))), h('dd', null, after(c, k))]))),
    h('p', { class: 'small' }, t('curve.half')));
}
const after = (c, k) => { const m = c.times_min && c.times_min[k]; return m == null ? t('never') : span(m * MIN); };

// --- from a data sheet --------------------------------------------------------

const KINDS = ['unknown', 'polyamine', 'cycloaliphatic', 'polyether', 'adduct', 'low-blush'];
const EVENTS = ['working', 'tacky', 'tack_free', 'recoat_from', 'recoat_until', 'sand', 'handle'];

function Sheet() {
  const [d, set, done] = useDraft('sheet', () => ({
    name: '', hardener_kind: 'unknown', rw: ['', ''], rv: ['', ''], tol: '', min: '', max: '', tga: '', tgp: '',
    pots: [{ grams: '100', temp: isUS() ? '77' : '25', a: '', b: '' }], times: [{ event: 'tack_free', temp: isUS() ? '68' : '20', a: '', b: '' }, { event: 'sand', temp: isUS() ? '68' : '20', a: '', b: '' }],
  }));
  const [fit, setFit] = useState(null);
  const n = number, tc = (v) => (n(v) === null ? null : Math.round(fromUnit(n(v)) * 10) / 10);
  const inp = (obj, k, label) => h('input', { type: 'text', inputmode: 'decimal', 'aria-label': label, value: obj[k], autocomplete: 'off', oninput: (ev) => { obj[k] = ev.target.value; set({}); } });
  const body = () => {
    const b = { name: d.name.trim(), hardener_kind: d.hardener_kind };
    const put = (k, v) => { if (v !== null) b[k] = v; };
    const two = (p) => (n(p[0]) === null && n(p[1]) === null ? null : [n(p[0]), n(p[1])]);
    put('ratio_by_weight', two(d.rw));
    put('ratio_by_volume', two(d.rv));
    put('ratio_tolerance_pct', n(d.tol));
    put('min_temp_c', tc(d.min));
    put('max_temp_c', tc(d.max));
    put('tg_ambient_c', tc(d.tga));
    put('tg_postcure_c', tc(d.tgp));
    const rng = (p) => (n(p.b) === null ? n(p.a) : [n(p.a), n(p.b)]);
    const pl = d.pots.filter((p) => n(p.a) !== null).map((p) => ({ grams: n(p.grams), temp_c: tc(p.temp), minutes: rng(p) }));
    const tm = d.times.filter((p) => n(p.a) !== null).map((p) => ({ event: p.event, temp_c: tc(p.temp), hours: rng(p) }));
    if (pl.length) b.pot_life = pl;
    if (tm.length) b.time = tm;
    return b;
  };
  const typed = () => [...['rw', 'rv'].flatMap((k) => d[k].map((v) => [k === 'rw' ? 'ratio_by_weight' : 'ratio_by_volume', v])), ['ratio_tolerance_pct', d.tol], ['min_temp_c', d.min], ['max_temp_c', d.max], ['tg_ambient_c', d.tga], ['tg_postcure_c', d.tgp],
    ...d.pots.flatMap((p, i) => ['grams', 'temp', 'a', 'b'].map((k) => [`pot_life[${i}]`, p[k]])), ...d.times.flatMap((p, i) => ['temp', 'a', 'b'].map((k) => [`time[${i}]`, p[k]]))];
  const f = useForm(async () => {
    setFit(null);
    const nan = typed().find(([, v]) => Number.isNaN(n(v)));
    if (nan) throw new Wrong(nan[0], t('form.nan', { x: nan[1] }));
    const b = body();
    setFit({ ...(await call('POST', '/resins/fit', b)), asked: b });
    requestAnimationFrame(() => document.querySelector('.fitted')?.scrollIntoView({ block: 'start' }));
  });
  const pair = (k, field) => h('div', { class: 'field', 'data-field': field }, h('span', { class: 'lab' }, t('sheet.' + field)), h('div', { class: 'line' }, inp(d[k], 0, t('sheet.parts.r')), h('span', null, t('to')), inp(d[k], 1, t('sheet.parts.h'))), h(Err, { field }));
  const less = (list, i) => h('button', { type: 'button', class: 'quiet', 'aria-label': t('takeout') + ' ' + (i + 1), onclick: () => { list.splice(i, 1); set({}); } }, t('takeout'));
  const one = (label, field, k, u) => h(Field, { label, field, value: d[k], onInput: (v) => set({ [k]: v }), inputmode: 'decimal', unit: u });
  return [h('form', { class: 'page wide', novalidate: true, onsubmit: f.submit, key: 'f' }, h('a', { class: 'back', href: '#/resins' }, t('page.resins')), h('h1', null, t('resins.new')), h('p', { class: 'small' }, t('sheet.sub')),
    h('div', { class: 'cols' }, h('div', null,
      h(Field, { label: t('sheet.name'), field: 'name', value: d.name, onInput: (v) => set({ name: v }) }),
      h(Choices, { label: t('sheet.kind'), field: 'hardener_kind', cls: 'two', list: KINDS.map((v) => ({ value: v, text: t('hardener.' + v) })), value: d.hardener_kind, onPick: (v) => set({ hardener_kind: v }) }),
      pair('rw', 'ratio_by_weight'), pair('rv', 'ratio_by_volume'),
      one(t('sheet.tol'), 'ratio_tolerance_pct', 'tol', '%'), one(t('sheet.min'), 'min_temp_c', 'min', unit()), one(t('sheet.max'), 'max_temp_c', 'max', unit()),
      one(t('sheet.tga'), 'tg_ambient_c', 'tga', unit()), one(t('sheet.tgp'), 'tg_postcure_c', 'tgp', unit())),
    h('div', null,
      h('fieldset', { 'data-field': 'pot_life' }, h('legend', null, t('sheet.pots')), d.pots.map((p, i) => h('div', { class: 'line', key: i, 'data-field': `pot_life[${i}]` }, inp(p, 'grams', t('sheet.grams')), h('span', null, t('sheet.g.at')), inp(p, 'temp', t('sheet.temp')), h('span', null, unit() + ':'), inp(p, 'a', t('sheet.min.from')), h('span', null, t('to')), inp(p, 'b', t('sheet.min.to')), h('span', null, t('sheet.minutes')), less(d.pots, i), h(Err, { field: `pot_life[${i}]` }))),
        h('button', { type: 'button', class: 'quiet', onclick: () => { d.pots.push({ grams: '', temp: '', a: '', b: '' }); set({}); } }, t('onemore')), h(Err, { field: 'pot_life' })),
      h('fieldset', { 'data-field': 'time' }, h('legend', null, t('sheet.times')), d.times.map((p, i) => h('div', { class: 'line', key: i, 'data-field': `time[${i}]` },
        h('select', { 'aria-label': t('sheet.what'), value: p.event, onchange: (ev) => { p.event = ev.target.value; set({}); } }, EVENTS.map((v) => h('option', { value: v, key: v }, t('sheetev.' + v)))), h('span', null, t('at')), inp(p, 'temp', t('sheet.temp')), h('span', null, unit() + ':'), inp(p, 'a', t('sheet.h.from')), h('span', null, t('to')), inp(p, 'b', t('sheet.h.to')), h('span', null, t('sheet.hours')), less(d.times, i), h(Err, { field: `time[${i}]` }))),
        h('button', { type: 'button', class: 'quiet', onclick: () => { d.times.push({ event: 'tack_free', temp: '', a: '', b: '' }); set({}); } }, t('onemore')), h(Err, { field: 'time' })),
      h(Err, { foot: true }))),
    fit && h(Fitted, { r: fit, done })),
  h(Foot, null, h('a', { class: 'btn', href: '#/resins' }, t('back')), h('button', { type: 'button', class: fit ? '' : 'first', disabled: f.busy, onclick: f.submit }, t('sheet.fit')))];
}

// Fitted says what the fit made of each line of the sheet, in the sheet's own
// numbers: hours as typed, and in words how far off it is.
function Fitted({ r, done }) {
  const [busy, setBusy] = useState(false), k = useRef(key());
  const odd = r.inconsistent || [], words = [].concat(r.verdict || [], r.untold || []);
  const val = (x, v) => (x.unit === '°C' ? temp(v) : x.event !== 'pot_life' || v > 120 ? t('unit.h', { n: num(v / 60, v < 600 ? 1 : 0).replace(/\.0$/, '') }) : t('unit.min', { n: num(v) }));
  // A row is said as it was typed: a range stays a range, in the unit of its box.
  const typed = (x) => {
    const n = (v) => num(v, Number.isInteger(v) ? 0 : 1), two = (v, k) => (Array.isArray(v) ? t('fit.range', { a: n(v[0]), b: t(k, { n: n(v[1]) }) }) : t(k, { n: n(v) }));
    const at = (r.asked.time || []).find((e) => e.event === x.event && e.temp_c === x.temp_c), pot = (r.asked.pot_life || []).find((p) => p.grams === x.grams && p.temp_c === x.temp_c);
    return at ? [t('fit.at', { what: cap(t('sheetev.' + at.event)), temp: temp(at.temp_c) }), two(at.hours, 'unit.h')] : pot ? [name(cap(x.datum)), two(pot.minutes, 'unit.min')] : [name(cap(x.datum)), val(x, x.sheet)];
  };
  const off = (s) => { const a = Math.abs(s); return a < 0.5 ? t('fit.well') : a < 1 ? t('fit.near') : a <= 2 ? t('fit.off') : t('fit.far'); };
  const keepIt = async () => {
    setBusy(true);
    try {
      await call('POST', '/resins', r.resin, k.current);
      done();
      await lists().catch(() => {});
      say(t('fit.kept', { name: r.resin.name }));
      location.hash = '#/resin/' + enc(r.resin.name);
    } catch (e) {
      setBusy(false);
      say(t('not.done', { why: e.message }));
    }
  };
  return h('div', { class: 'fitted' }, h('h2', null, t('fit.title')),
    odd.length ? h('p', { class: 'note harm' }, h('span', { class: 'mark' }, t('fit.odd')), ' ', h(Said, null, odd.map((x) => (typeof x === 'string' ? x : x.datum)).join('; ') + '.')) : h('p', { class: 'why' }, t('fit.agrees')),
    words.map((x) => h('p', { class: 'why', key: x }, h(Said, null, cap(stop(String(x)))))),
    h('ul', { class: 'rows fitrows' }, (r.residuals || []).map((x, i) => [x, i, ...typed(x)]).map(([x, i, what, sheet]) => h('li', { key: i }, h('p', null, h('b', null, what)), h('p', null, t('fit.row', { sheet, fit: val(x, x.model) }), ' ', h('span', { class: Math.abs(x.sigmas) > 2 ? 'none' : 'small' }, off(x.sigmas)))))),
    h('div', { class: 'do' }, h('button', { type: 'button', class: 'first', disabled: busy, onclick: keepIt }, t('fit.keep'))));
}
