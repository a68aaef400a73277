// SPDX-License-Identifier: Apache-2.0
// What to mix, then the pouring on the scale: first the question (an area with
// its coat, or grams), then one number at a time, with the mend of every slip.
// From a step's card the question is answered already.
import { h, useEffect, useRef, useState } from '../lib.js';
import { S, ms, now, panelName } from '../state.js';
import { MIN, Said, area, cap, clock, grams, minus, num, span } from '../say.js';
import { Refused, call, get, rows } from '../line.js';
import { entry, step } from '../acts.js';
import { cardOf } from '../jobs.js';
import { Choices, Err, Field, Slip, Stepper, Wrong, moment, number, useDraft } from '../form.js';
import { ResinChoices, soleResin } from './mixed.js';
import { KINDS } from './coat.js';
import { stop, t, word } from '../text.js';

export const ownFoot = true;

// A planned cup that waits: of a coat that is on and takes more, else of the step
// that comes; null outside of any job.
function plannedCup(card) {
  if (!card) return null;
  const cup = (cups, k, more) => (k >= 0 && k < cups.length ? { ...cups[k], k, n: cups.length, ...more } : null);
  const m = card.more;
  if (m && m.cups_left > 0) return cup(m.cups || [], 0, { step: m.step, kind: m.kind, on: true });
  if (card.do !== 'coat' || (card.primary !== 'mixed' && card.primary !== 'done')) return null;
  return cup(card.cups || [], (card.cups || []).findIndex((c) => !c.batch), { step: card.step, kind: card.kind });
}

// question is the draft as the board is asked it; what is no number goes as a
// fault of its own, so that what was typed stays as it is.
function question(d) {
  const q = { resin: d.resin, people: d.people }, faults = [];
  const put = (field, v) => {
    const x = number(v);
    if (Number.isNaN(x)) faults.push({ field, what: t('form.nan', { x: v }) });
    else if (x !== null) q[field] = x;
  };
  if (d.whole !== null) Object.assign(q, { whole: true, ...(d.whole > 0 ? { work_minutes: d.whole } : {}) });
  if (d.how === 'grams') put('grams', d.grams);
  else {
    q.kind = d.kind;
    if (d.panel) {
      q.panel = d.panel;
      q.share = d.share;
    } else q.area_m2 = d.area;
    if (d.cloth.trim()) q.cloth = d.cloth.trim();
    else if (d.kind === 'wet-out') faults.push({ field: 'cloth', what: t('mix.nocloth') });
    if (d.kind === 'bond') put('depth_mm', d.depth);
  }
  if (d.vessel) q.vessel = d.vessel;
  if (d.tables) q.tables = true;
  if (d.people > 1) for (const k of ['mixes', 'lays']) if (d[k].trim()) q[k] = d[k].trim();
  put('filler_pct', d.filler);
  put('scale_g', d.scale);
  put('cup_g', d.cup);
  const p = d.pump.map(number);
  if (p.some(Number.isNaN)) faults.push({ field: 'pump', what: t('form.nan', { x: d.pump.find((v) => Number.isNaN(number(v))) }) });
  else if (p[0] !== null || p[1] !== null) q.pump = { resin_ml: p[0] ?? 0, hardener_ml: p[1] ?? 0 };
  return { q, faults };
}

export default function Mix({ rest }) {
  const panel = rest[0] || '', card = panel ? cardOf(panel) : null, cup = plannedCup(card);
  const own = S.panels.filter((p) => p.area_m2);
  const [d, set, done] = useDraft('mix:' + (cup ? [card.job, cup.step, cup.k].join() : panel), () => ({
    how: cup ? 'grams' : 'area', resin: (card && card.resin) || soleResin(), grams: cup ? String(Math.round((cup.resin_g || 0) + (cup.hardener_g || 0)) || cup.grams || 200) : '200',
    panel: panel && own.some((p) => p.id === panel) ? panel : (own[0] || {}).id || '', share: 1, area: 1, kind: (card && card.kind) || 'tack coat', cloth: '', depth: '5',
    vessel: cup ? cup.vessel || 'cup' : '', whole: cup ? cup.lay_minutes || 0 : null, people: 1, mixes: '', lays: '', tables: false, filler: '', scale: '', cup: '', pump: ['', ''], pouring: !!cup, readings: [], shows: '', nth: cup ? cup.k : 0, lot: {}, off: '',
  }));
  const [r, setR] = useState(null), [live, setLive] = useState([]), [wrong, setWrong] = useState(null);
  const { q, faults } = question(d), ask = JSON.stringify({ ...q, readings: d.readings });
  useEffect(() => {
    if (!d.resin || faults.length) return undefined;
    let gone = false;
    const timer = setTimeout(() => call('POST', '/mix', JSON.parse(ask)).then((x) => { if (!gone) { setR(x); setLive(x.faults || []); } }, (e) => { if (!gone) { setR(null); setLive(e instanceof Refused ? e.faults : [{ field: '', what: t('form.noline') }]); } }), 200);
    return () => { gone = true; clearTimeout(timer); };
  }, [ask]);
  const b = r && r.batches[0], pour = r && r.pour, n = cup ? cup.n : r ? r.batches.length : 0, strokes = r && r.strokes;
  const [kept, setKept] = useState(null);
  useEffect(() => { get('/stock').then(setKept, () => {}); }, []);
  // The lots of a part that are open or at hand, the one in use first.
  const lots = (part) => [...new Set(rows(kept, 'stock').filter((x) => x.part === part && x.resin === d.resin && x.lot && !x.gone && x.left_g > 0).map((x) => x.lot))];
  const lot = (part) => (lots(part).includes(d.lot[part]) ? d.lot[part] : lots(part)[0] || '');

  // pourTo takes what the scale shows: a reading that the board refuses is said
  // beside the field and stays as typed.
  const pouring = useRef(false); // one reading at a time: the next goes by what this one says
  const pourTo = async (shows) => {
    if (pouring.current) return;
    pouring.current = true;
    await reading(shows);
    pouring.current = false;
  };
  const reading = async (shows) => {
    const g = number(shows);
    if (g === null || Number.isNaN(g)) {
      setWrong({ field: 'readings', what: t('form.nan', { x: shows }) });
      return;
    }
    const was = d.readings.length ? d.readings[d.readings.length - 1].total_g : 0;
    // Resin alone in the cup may be taken out again.
    const part = pour.take_out > 0 && g < was ? 'resin' : pour.part || d.readings[d.readings.length - 1].part;
    const readings = [...d.readings, { part, total_g: g }];
    try {
      const x = await call('POST', '/mix', { ...q, readings });
      const no = (x.faults || []).find((f) => f.field.startsWith('readings'));
      if (no) throw new Wrong('readings', no.what);
      setWrong(null);
      setR(x);
      set({ readings, shows: '' });
    } catch (e) {
      setWrong(e.faults ? { ...e.faults[0], field: 'readings' } : { field: 'readings', what: t('form.noline') });
    }
  };

  const save = async () => {
    if (faults.length || !r) throw Object.assign(new Error(), { faults: faults.length ? faults : live.length ? live : [{ field: '', what: t('form.noline') }] });
    if (!d.pouring) {
      set({ pouring: true });
      scrollTo(0, 0);
      return;
    }
    const weighed = d.readings.length > 0;
    if (weighed && !(pour && pour.hardener_g > 0)) throw new Wrong('readings', t('mix.nohardener'));
    const of = weighed ? pour : strokes || b, resin_g = of.resin_g, hardener_g = of.hardener_g;
    const body = { resin: d.resin, shape: b.vessel === 'cup' ? 'cup' : 'tray' };
    if (resin_g != null) Object.assign(body, { resin_g, hardener_g });
    if (r.filler_g > 0) body.filler_g = weighed ? pour.filler_g : r.filler_g;
    if (lot('resin')) body.lot = lot('resin');
    if (lot('hardener')) body.hardener_lot = lot('hardener');
    if (d.off) body.off_ratio = d.off;
    try {
      await put(body, resin_g, hardener_g);
    } catch (e) {
      // Off its ratio: mended, or said what became of it.
      if ((e.faults || []).some((f) => f.field === 'hardener_g')) set({ asked: true });
      throw e;
    }
    if (d.nth < n && !cup) return; // another batch waits
    done();
    location.hash = '#/';
  };
  const put = async (body, resin_g, hardener_g) => {
    if (cup) {
      if (d.people > 1 && d.mixes.trim()) body.who = d.mixes.trim();
      await step(card, 'mixed', { step: cup.step, ...(cup.on ? { on: true } : {}), ...body }, t('said.mixed', { what: cap(word('kind.', cup.kind)), panel: panelName(panel) }));
    } else {
      const mixed = moment(null);
      body.mixed = mixed;
      const e = await entry({ key: d.key, path: '/batches', body, say: t('said.cup', { resin: d.resin, at: clock(ms(mixed), true) }), back: (ref) => ['DELETE', '/batches/' + ref] });
      localStorage.setItem('last:resin', d.resin);
      localStorage.setItem('last:batch', JSON.stringify({ ref: e.id || 'local:' + e.key, resin: d.resin, mixed, grams: resin_g != null ? resin_g + hardener_g : null }));
      if (d.nth + 1 < n) {
        // The next batch of the same, with an entry of its own.
        set({ readings: [], shows: '', off: '', asked: false, nth: d.nth + 1, key: d.key + '.' + (d.nth + 1) });
      } else d.nth = n;
    }
  };

  const shown = [...faults, ...live.filter((f) => !f.field.startsWith('readings')), ...(wrong ? [wrong] : [])].map((f) => ({ ...f, live: true }));
  const backTo = panel ? '#/' : '#/pot';
  if (d.pouring) {
    return h(Slip, { title: n > 1 ? t('mix.pour.of', { k: Math.min(d.nth + 1, n), n }) : t('mix.pour'), sub: cup ? [panelName(panel), ', ', cap(word('kind.', cup.kind))] : null, button: t('next.mixed'), save, backTo, live: shown, wide: true,
      extra: h('button', { type: 'button', onclick: () => set({ pouring: false }) }, t('mix.change')) },
    h('div', { class: 'cols' }, h('div', null, r ? h(Pouring, { d, r, set, pourTo, more: d.nth + 1 < n }) : h('p', { class: 'small' }, t('asking')),
      d.asked ? h(Choices, { label: t('mix.off'), field: 'hardener_g off_ratio', list: ['', 'used', 'scrap'].map((v) => ({ value: v, text: t('mix.off.' + (v || 'mend')) })), value: d.off, onPick: (off) => set({ off }) }) : null,
      ['resin', 'hardener'].map((part) => lots(part).length > 1 && h(Choices, { key: part, label: t('mix.lot.' + part), field: part === 'resin' ? 'lot' : 'hardener_lot', cls: 'two', list: lots(part).map((v) => ({ value: v, text: v, said: true })), value: lot(part), onPick: (v) => set({ lot: { ...d.lot, [part]: v } }) }))), h('div', null, r && h(Facts, { r })), h('div', null, r && h(Cautions, { r }))));
  }
  const f = (k, field, label, more) => h(Field, { label, field, value: d[k], onInput: (v) => set({ [k]: v }), inputmode: 'decimal', ...more });
  return h(Slip, { title: t('page.mix'), button: t('mix.pour'), save, backTo, live: shown, wide: true }, h('div', { class: 'cols' },
    h('div', null, h(ResinChoices, { value: d.resin, onPick: (resin) => set({ resin }) }),
      h(Choices, { label: t('mix.how'), cls: 'two', list: ['area', 'grams'].map((v) => ({ value: v, text: t('mix.by.' + v) })), value: d.how, onPick: (how) => set({ how, whole: null }) }),
      d.how === 'grams' ? f('grams', 'grams', t('pot.howmuch'), { unit: 'g' }) : [
        own.length > 0 && h(Choices, { label: t('on.which'), field: 'panel', cls: 'two', list: [...own.map((p) => ({ value: p.id, text: p.name || p.id, said: true, sub: area(p.area_m2) })), { value: '', text: t('mix.nopanel') }], value: d.panel, onPick: (v) => set({ panel: v }) }),
        d.panel ? h(Choices, { label: t('other.share'), field: 'share', cls: 'three', list: [['all', 1], ['half', 0.5], ['third', 1 / 3]].map(([k, v]) => ({ value: String(v), text: t('share.' + k) })), value: String(d.share), onPick: (v) => set({ share: +v }) })
          : h('fieldset', { 'data-field': 'area_m2' }, h('legend', null, t('panel.area')), h(Stepper, { label: t('panel.area'), value: d.area, set: (v) => set({ area: Math.round(v * 100) / 100 }), step: d.area < 0.5 ? 0.05 : 0.1, min: 0.05, max: 200, say: area }), h(Err, { field: 'area_m2' })),
        h(Choices, { label: t('coat.kind'), field: 'kind', cls: 'two', list: KINDS.map((v) => ({ value: v, text: cap(word('kind.', v)) })), value: d.kind, onPick: (kind) => set({ kind }) }),
        d.kind === 'bond' ? f('depth', 'depth_mm', t('mix.depth'), { unit: 'mm' }) : h(Field, { label: t('cloth.which'), field: 'cloth', hint: t('mix.cloth.hint'), value: d.cloth, onInput: (cloth) => set({ cloth }) })],
      h(Choices, { label: t('day.hands'), field: 'people', cls: 'two', list: [{ value: '1', text: t('day.alone') }, { value: '2', text: t('day.two') }], value: String(d.people), onPick: (v) => set({ people: +v }) }),
      d.people > 1 && [h(Field, { key: 'm', label: t('mix.who.mixes'), field: 'mixes', value: d.mixes, onInput: (mixes) => set({ mixes }), list: 'hands' }), h(Field, { key: 'l', label: t('mix.who.lays'), field: 'lays', value: d.lays, onInput: (lays) => set({ lays }), list: 'hands' }),
        h('datalist', { key: 'd', id: 'hands' }, Object.keys((kept && kept.people) || {}).map((v) => h('option', { key: v, value: v })))],
      d.how === 'area' && kept && Object.keys(kept.habits || {}).length > 0 ? h(Choices, { label: t('mix.grams.by'), field: 'tables', cls: 'two', list: [['own', false], ['tables', true]].map(([k, v]) => ({ value: String(v), text: t('mix.by.' + k) })), value: String(d.tables), onPick: (v) => set({ tables: v === 'true' }) }) : null,
      h(Choices, { label: t('mix.vessel'), field: 'vessel', cls: 'two', list: ['', 'cup', 'tray', 'roller'].map((v) => ({ value: v, text: t('vessel.' + (v || 'usual')) })), value: d.vessel, onPick: (vessel) => set({ vessel }) }),
      f('filler', 'filler_pct', t('mix.filler'), { unit: '%' }),
      h('details', null, h('summary', null, t('mix.tools')),
        f('scale', 'scale_g', t('mix.scale'), { unit: 'g', hint: t('mix.scale.hint') }), f('cup', 'cup_g', t('mix.cup'), { unit: 'g', hint: t('mix.cup.hint') }),
        h('div', { class: 'field', 'data-field': 'pump' }, h('span', { class: 'lab' }, t('mix.pump')), h('div', { class: 'line' }, [0, 1].map((i) => [h('input', { type: 'text', inputmode: 'decimal', autocomplete: 'off', 'aria-label': t(i ? 'part.hardener' : 'part.resin'), value: d.pump[i], oninput: (ev) => { d.pump[i] = ev.target.value; set({}); } }), h('span', null, t(i ? 'part.hardener' : 'part.resin'))])), h(Err, { field: 'pump' })))),
    h('div', { role: 'status', 'aria-live': 'polite' }, r ? [h('p', { class: 'say', key: 's' }, h(Said, null, r.say)), h(Facts, { r, key: 'f' }), h(Cautions, { r, key: 'c' })] : null)));
}

// Pouring is the scale: where it is to stop, large enough for an arm's length,
// and what it showed so far.
function Pouring({ d, r, set, pourTo, more }) {
  const p = r.pour, b = r.batches[0], s = r.strokes, last = d.readings.length ? d.readings[d.readings.length - 1].total_g : null;
  const two = (x, y, unit) => h('div', { class: 'grams' }, [[x, 'resin'], [y, 'hardener']].map(([v, part]) => h('div', { key: part }, h('b', null, v), h('small', null, unit + ' ' + t('part.' + part)))));
  if (s && !d.readings.length) return [h('p', { class: 'say', key: 's' }, t('mix.pump.it')), two(num(s.resin), num(s.hardener), t('mix.strokes.unit')), h('p', { class: 'why', key: 'g' }, t('mix.strokes.sum', { g: grams(s.grams) }), Math.abs(s.off_pct) >= 1 ? ' ' + t('mix.strokes.off', { n: minus(Math.round(s.off_pct)) }) : '')];
  if (!p && b.resin_ml != null) return [h('p', { class: 'say', key: 's' }, t('mix.measure')), two(num(b.resin_ml), num(b.hardener_ml), 'mL'), h('p', { class: 'why', key: 'n' }, h(Said, null, cap(stop(r.ratio.missing || b.note || ''))))];
  if (!p) return h('p', { class: 'note' }, h(Said, null, cap(stop(b.note || r.ratio.missing || t('notgiven')))));
  // What the cup comes to once every slip is mended, against the first plan.
  const k = r.ratio.by_weight, planned = b.grams + r.filler_g, sum = p.resin_g + p.hardener_g + p.filler_g;
  const comes = (p.hardener_g > 0 ? Math.max(p.resin_g, p.hardener_g / k) : Math.max(p.resin_g, b.resin_g)) * (1 + k) * (1 + r.filler_g / b.grams);
  return [h('p', { class: p.slip ? 'say none' : 'say', role: 'status', key: 'say' }, h(Said, null, p.say)),
    p.part ? h('div', { class: 'scale', key: 'to' }, h('b', null, num(p.scale_g)), h('small', null, 'g'), h('span', null, t('mix.to', { part: t('part.' + p.part), left: grams(p.left_g) }))) : null,
    h('div', { class: 'grams', key: 'in' }, h('div', null, h('b', null, num(p.resin_g)), h('small', null, t('mix.of', { part: t('part.resin'), g: num(b.resin_g) }))), h('div', null, h('b', null, num(p.hardener_g)), h('small', null, t('mix.of', { part: t('part.hardener'), g: num(b.hardener_g) }))),
      r.filler_g > 0 ? h('div', null, h('b', null, num(p.filler_g)), h('small', null, t('mix.of', { part: t('part.filler'), g: num(r.filler_g) }))) : null),
    h('p', { class: 'why', key: 'sum' }, t('mix.sum', { g: grams(sum), of: grams(planned) }), comes - planned > 2 ? ' ' + t(more ? 'mix.comes.next' : 'mix.comes', { g: grams(comes), more: grams(comes - planned) }) : ''),
    p.part || p.slip ? h('div', { class: 'do', key: 'tap' }, h('button', { type: 'button', onclick: () => pourTo(String(Math.round(p.scale_g))) }, t('mix.shows.it', { g: grams(p.scale_g) }))) : null,
    h(Field, { key: 'typed', label: t('mix.shows'), field: 'readings', value: d.shows, onInput: (shows) => set({ shows }), inputmode: 'decimal', unit: 'g' }),
    h('div', { class: 'do', key: 'enter' }, h('button', { type: 'button', disabled: !d.shows.trim(), onclick: () => pourTo(d.shows) }, t('mix.enter')),
      last !== null ? h('button', { type: 'button', class: 'quiet', onclick: () => set({ readings: d.readings.slice(0, -1) }) }, t('mix.back', { g: grams(last) })) : null)];
}

function Facts({ r }) {
  const b = r.batches[0], row = (k, ...v) => [h('dt', null, t('mix.' + k)), h('dd', null, ...v)], s = r.strokes;
  return [h('dl', { class: 'kv', key: 'kv' },
    r.batches.length > 1 ? row('batches', String(r.batches.length), ' × ', grams(b.grams)) : null,
    row('mass', b.resin_g == null ? t('notgiven') : t('mix.two', { r: grams(b.resin_g), h: grams(b.hardener_g) }), b.parts ? [', ', h(Said, null, b.parts)] : ''),
    row('workable', b.work_minutes == null ? t('pot.notin') : span(b.work_minutes * MIN), r.used_by ? [', ', t('mix.usedby', { at: clock(Math.max(now(), ms(r.used_by)), true) })] : ''),
    row('lay', span(Math.ceil(b.lay_minutes) * MIN)),
    b.hardener_low_g != null ? row('between', t('between', { a: num(b.hardener_low_g, 1), b: num(b.hardener_high_g, 1) + '\u202fg' })) : null,
    b.resin_ml != null ? row('volume', t('mix.two', { r: num(b.resin_ml) + '\u202fmL', h: num(b.hardener_ml) + '\u202fmL' })) : null,
    s && Math.abs(s.off_pct) >= 1 ? row('strokes', t('mix.strokes.is', { r: s.resin, h: s.hardener, g: grams(s.grams) }), ', ', t('mix.strokes.off', { n: minus(Math.round(s.off_pct)) })) : s ? row('strokes', t('mix.strokes.is', { r: s.resin, h: s.hardener, g: grams(s.grams) })) : null,
    r.filler_g > 0 ? row('filler.g', grams(r.filler_g)) : null),
  (r.hands || []).concat(r.notes || []).map((x) => h('p', { class: 'why', key: x }, h(Said, null, cap(stop(x)))))];
}
const Cautions = ({ r }) => h('div', { class: 'cautions' }, h('h2', null, t('pot.hot')), r.cautions.map((x) => h('p', { key: x }, h(Said, null, stop(x)))));
