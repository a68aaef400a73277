// SPDX-License-Identifier: Apache-2.0
// What to mix, then the pouring on the scale: first the question (an area with
// its coat, or grams), then one number at a time, with the mend of every slip.
// From a step's card the question is answered already.
import { h, useEffect, useState } from '../lib.js';
import { S, ms, now, panelName } from '../state.js';
import { MIN, Said, area, cap, clock, grams, num, span } from '../say.js';
import { Refused, call } from '../line.js';
import { entry, step } from '../acts.js';
import { cardOf } from '../jobs.js';
import { Choices, Err, Field, Slip, Stepper, Wrong, moment, number, useDraft } from '../form.js';
import { ResinChoices, soleResin } from './mixed.js';
import { KINDS } from './coat.js';
import { stop, t, word } from '../text.js';

export const ownFoot = true;

// A planned cup of a step that waits for it; null outside of any job.
function plannedCup(card) {
  const k = card && card.primary === 'mixed' ? (card.cups || []).findIndex((c) => !c.batch) : -1;
  return k < 0 ? null : { ...card.cups[k], k };
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
  const [d, set, done] = useDraft('mix:' + (cup ? [card.job, card.step, cup.k].join() : panel), () => ({
    how: cup ? 'grams' : 'area', resin: (card && card.resin) || soleResin(), grams: cup ? String(Math.round((cup.resin_g || 0) + (cup.hardener_g || 0)) || cup.grams || 200) : '200',
    panel: panel && own.some((p) => p.id === panel) ? panel : (own[0] || {}).id || '', share: 1, area: 1, kind: (card && card.kind) || 'tack coat', cloth: '', depth: '5',
    vessel: cup ? (card.shape === 'tray' ? 'tray' : 'cup') : '', people: 1, filler: '', scale: '', cup: '', pump: ['', ''], pouring: !!cup, readings: [], shows: '', nth: 0,
  }));
  const [r, setR] = useState(null), [live, setLive] = useState([]), [wrong, setWrong] = useState(null);
  const { q, faults } = question(d), ask = JSON.stringify({ ...q, readings: d.readings });
  useEffect(() => {
    if (!d.resin || faults.length) return undefined;
    let gone = false;
    const timer = setTimeout(() => call('POST', '/mix', JSON.parse(ask)).then((x) => { if (!gone) { setR(x); setLive(x.faults || []); } }, (e) => { if (!gone) { setR(null); setLive(e instanceof Refused ? e.faults : [{ field: '', what: t('form.noline') }]); } }), 200);
    return () => { gone = true; clearTimeout(timer); };
  }, [ask]);
  const b = r && r.batches[0], pour = r && r.pour, n = r ? r.batches.length : 0;

  // pourTo takes what the scale shows: a reading that the board refuses is said
  // beside the field and stays as typed.
  const pourTo = async (shows) => {
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
    const resin_g = weighed ? pour.resin_g : b.resin_g, hardener_g = weighed ? pour.hardener_g : b.hardener_g;
    const shape = b.vessel === 'cup' ? 'cup' : 'tray';
    if (cup) await step(card, 'mixed', { step: card.step, resin: d.resin, resin_g, hardener_g, shape }, t('said.mixed', { what: cap(word('kind.', card.kind)), panel: panelName(panel) }));
    else {
      const mixed = moment(null), body = { resin: d.resin, mixed, shape };
      if (resin_g != null) Object.assign(body, { resin_g, hardener_g });
      if (r.filler_g > 0) body.filler_g = weighed ? pour.filler_g : r.filler_g;
      const e = await entry({ key: d.key, path: '/batches', body, say: t('said.cup', { resin: d.resin, at: clock(ms(mixed), true) }), back: (ref) => ['DELETE', '/batches/' + ref] });
      localStorage.setItem('last:resin', d.resin);
      localStorage.setItem('last:batch', JSON.stringify({ ref: e.id || 'local:' + e.key, resin: d.resin, mixed, grams: resin_g != null ? resin_g + hardener_g : null }));
      if (d.nth + 1 < n) {
        // The next batch of the same, with an entry of its own.
        set({ readings: [], shows: '', nth: d.nth + 1, key: d.key + '.' + (d.nth + 1) });
        return;
      }
    }
    done();
    location.hash = '#/';
  };

  const shown = [...faults, ...live.filter((f) => !f.field.startsWith('readings')), ...(wrong ? [wrong] : [])].map((f) => ({ ...f, live: true }));
  const backTo = panel ? '#/' : '#/pot';
  if (d.pouring) {
    return h(Slip, { title: n > 1 ? t('mix.pour.of', { k: Math.min(d.nth + 1, n), n }) : t('mix.pour'), sub: cup ? [panelName(panel), ', ', cap(word('kind.', card.kind))] : null, button: t('next.mixed'), save, backTo, live: shown, wide: true,
      extra: h('button', { type: 'button', onclick: () => set({ pouring: false }) }, t('mix.change')) },
    h('div', { class: 'cols' }, h('div', null, r ? h(Pouring, { d, r, set, pourTo }) : h('p', { class: 'small' }, t('asking'))), h('div', null, r && h(Facts, { r })), h('div', null, r && h(Cautions, { r }))));
  }
  const f = (k, field, label, more) => h(Field, { label, field, value: d[k], onInput: (v) => set({ [k]: v }), inputmode: 'decimal', ...more });
  return h(Slip, { title: t('page.mix'), button: t('mix.pour'), save, backTo, live: shown, wide: true }, h('div', { class: 'cols' },
    h('div', null, h(ResinChoices, { value: d.resin, onPick: (resin) => set({ resin }) }),
      h(Choices, { label: t('mix.how'), cls: 'two', list: ['area', 'grams'].map((v) => ({ value: v, text: t('mix.by.' + v) })), value: d.how, onPick: (how) => set({ how }) }),
      d.how === 'grams' ? f('grams', 'grams', t('pot.howmuch'), { unit: 'g' }) : [
        own.length > 0 && h(Choices, { label: t('on.which'), field: 'panel', cls: 'two', list: [...own.map((p) => ({ value: p.id, text: p.name || p.id, said: true, sub: area(p.area_m2) })), { value: '', text: t('mix.nopanel') }], value: d.panel, onPick: (v) => set({ panel: v }) }),
        d.panel ? h(Choices, { label: t('other.share'), field: 'share', cls: 'three', list: [['all', 1], ['half', 0.5], ['third', 1 / 3]].map(([k, v]) => ({ value: String(v), text: t('share.' + k) })), value: String(d.share), onPick: (v) => set({ share: +v }) })
          : h('fieldset', { 'data-field': 'area_m2' }, h('legend', null, t('panel.area')), h(Stepper, { label: t('panel.area'), value: d.area, set: (v) => set({ area: Math.round(v * 100) / 100 }), step: d.area < 0.5 ? 0.05 : 0.1, min: 0.05, max: 200, say: area }), h(Err, { field: 'area_m2' })),
        h(Choices, { label: t('coat.kind'), field: 'kind', cls: 'two', list: KINDS.map((v) => ({ value: v, text: cap(word('kind.', v)) })), value: d.kind, onPick: (kind) => set({ kind }) }),
        d.kind === 'bond' ? f('depth', 'depth_mm', t('mix.depth'), { unit: 'mm' }) : h(Field, { label: t('cloth.which'), field: 'cloth', hint: t('mix.cloth.hint'), value: d.cloth, onInput: (cloth) => set({ cloth }) })],
      h(Choices, { label: t('day.hands'), field: 'people', cls: 'two', list: [{ value: '1', text: t('day.alone') }, { value: '2', text: t('day.two') }], value: String(d.people), onPick: (v) => set({ people: +v }) }),
      h(Choices, { label: t('mix.vessel'), field: 'vessel', cls: 'two', list: ['', 'cup', 'tray', 'roller'].map((v) => ({ value: v, text: t('vessel.' + (v || 'usual')) })), value: d.vessel, onPick: (vessel) => set({ vessel }) }),
      f('filler', 'filler_pct', t('mix.filler'), { unit: '%' }),
      h('details', null, h('summary', null, t('mix.tools')),
        f('scale', 'scale_g', t('mix.scale'), { unit: 'g', hint: t('mix.scale.hint') }), f('cup', 'cup_g', t('mix.cup'), { unit: 'g', hint: t('mix.cup.hint') }),
        h('div', { class: 'field', 'data-field': 'pump' }, h('span', { class: 'lab' }, t('mix.pump')), h('div', { class: 'line' }, [0, 1].map((i) => [h('input', { type: 'text', inputmode: 'decimal', autocomplete: 'off', 'aria-label': t(i ? 'part.hardener' : 'part.resin'), value: d.pump[i], oninput: (ev) => { d.pump[i] = ev.target.value; set({}); } }), h('span', null, t(i ? 'part.hardener' : 'part.resin'))])), h(Err, { field: 'pump' })))),
    h('div', { role: 'status', 'aria-live': 'polite' }, r ? [h('p', { class: 'say', key: 's' }, h(Said, null, r.say)), h(Facts, { r, key: 'f' }), h(Cautions, { r, key: 'c' })] : null)));
}

// Pouring is the scale: where it is to stop, large enough for an arm's length,
// and what it showed so far.
function Pouring({ d, r, set, pourTo }) {
  const p = r.pour, b = r.batches[0], last = d.readings.length ? d.readings[d.readings.length - 1].total_g : null;
  if (!p) return h('p', { class: 'note' }, h(Said, null, cap(stop(b.note || r.ratio.missing || t('notgiven')))));
  return [h('p', { class: p.slip ? 'say none' : 'say', role: 'status', key: 'say' }, h(Said, null, p.say)),
    p.part ? h('div', { class: 'scale', key: 'to' }, h('b', null, num(p.scale_g)), h('small', null, 'g'), h('span', null, t('mix.to', { part: t('part.' + p.part), left: grams(p.left_g) }))) : null,
    h('div', { class: 'grams', key: 'in' }, h('div', null, h('b', null, num(p.resin_g)), h('small', null, t('mix.of', { part: t('part.resin'), g: num(b.resin_g) }))), h('div', null, h('b', null, num(p.hardener_g)), h('small', null, t('mix.of', { part: t('part.hardener'), g: num(b.hardener_g) }))),
      r.filler_g > 0 ? h('div', null, h('b', null, num(p.filler_g)), h('small', null, t('mix.of', { part: t('part.filler'), g: num(r.filler_g) }))) : null),
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
    s ? row('strokes', t('mix.strokes.is', { r: s.resin, h: s.hardener, g: grams(s.grams) })) : null,
    r.filler_g > 0 ? row('filler.g', grams(r.filler_g)) : null),
  (r.hands || []).concat(r.notes || []).map((x) => h('p', { class: 'why', key: x }, h(Said, null, cap(stop(x)))))];
}
const Cautions = ({ r }) => h('div', { class: 'cautions' }, h('h2', null, t('pot.hot')), r.cautions.map((x) => h('p', { key: x }, h(Said, null, stop(x)))));
