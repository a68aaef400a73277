// SPDX-License-Identifier: Apache-2.0
// Moist air: the margin to dew first, then what heating would do, then what it
// was over the days.
import { h, useEffect, useState } from '../lib.js';
import { S, iso, ms, now, panelName } from '../state.js';
import { DAY, clock, diff, fromUnit, minus, name, num, temp, toUnit, deg, unit } from '../say.js';
import { get, rows } from '../line.js';
import { enc } from '../acts.js';
import { Chart, gapsOf } from '../chart.js';
import { Choices, Stepper } from '../form.js';
import { t } from '../text.js';

export default function Air() {
  const probes = ((S.snap && S.snap.probes) || []).filter((p) => p.accepted);
  // A side that lies down has no reading of its own and is not listed.
  const surf = ((S.snap && S.snap.surfaces) || []).filter((x) => x.temp_c != null).sort((a, b) => (a.dew_margin_k ?? 99) - (b.dew_margin_k ?? 99));
  const worst = surf.find((x) => x.dew_margin_k != null);
  return h('div', { class: 'page wide' }, h('h1', null, t('page.air')), h('div', { class: 'cols' },
    h('div', null,
      worst ? h('p', { class: 'say' }, t(worst.dew_margin_k <= 0 ? 'air.first.under' : worst.dew_margin_k < 3 ? 'air.first.little' : 'air.first', { panel: name(panelName(worst.panel)), diff: h('b', { class: worst.dew_margin_k < 3 ? 'none' : null }, diff(worst.dew_margin_k)) }))
        : h('p', { class: 'say' }, t('air.notknown')),
      surf.length ? surf.map((x) => h(Surface, { key: x.panel, x })) : h('p', { class: 'why' }, t('air.nosurface'))),
    h(Warm, { air: surf.find((x) => x.air_c != null && x.rh_pct != null) })),
  probes.length ? h(Past, { probes }) : h('p', { class: 'why' }, t('air.noprobe'), ' ', h('a', { href: '#/probes' }, t('probe.how'))));
}

// Surface is one panel's air, the margin first; wide tables do not fit a phone.
function Surface({ x }) {
  const m = x.dew_margin_k;
  return h('dl', { class: 'kv even' },
    h('dt', null, name(panelName(x.panel))), h('dd', null, m == null ? t('unknown') : [h('b', { class: m < 3 ? 'none' : null }, t('air.margin', { diff: diff(m) })), m < 3 ? ' ' + t('air.little') : '']),
    h('dt', null, t('air.surface')), h('dd', null, temp(x.temp_c), x.panel_rh_pct == null ? '' : ', ' + t('air.rh.there', { n: num(x.panel_rh_pct) })),
    h('dt', null, t('air.air')), h('dd', null, temp(x.air_c), x.rh_pct == null ? '' : ', ' + t('air.rh', { n: num(x.rh_pct) }), x.dew_point_c == null ? '' : ', ' + t('air.dewpoint', { temp: temp(x.dew_point_c) })));
}

// Warm answers "what if I heat it": the water stays, so the humidity falls.
function Warm({ air }) {
  const [to, setTo] = useState(air ? Math.round(air.air_c + 5) : 20), [out, setOut] = useState(null);
  useEffect(() => {
    if (!air) return undefined;
    let gone = false;
    Promise.all([get(`/air?temp=${air.air_c}&rh=${air.rh_pct}`), get(`/air?temp=${to}&rh=1`)]).then(([a, b]) => !gone && setOut({ rh: Math.min(100, a.vapour_pressure_pa / b.vapour_pressure_pa), dew: a.dew_point_c }), (e) => !gone && setOut({ err: e.message }));
    return () => { gone = true; };
  }, [to, air && air.air_c, air && air.rh_pct]);
  if (!air) return h('div');
  return h('div', null, h('h2', null, t('air.heat')),
    h(Stepper, { label: t('air.heat.to'), value: Math.round(toUnit(to)), set: (v) => setTo(fromUnit(v)), step: 1, min: -20, max: 130, say: () => minus(deg(to)) + '\u202f' + unit() }),
    out && !out.err && h('p', { class: 'say', role: 'status' }, t('air.heat.is', { from: temp(air.air_c), to: temp(to), rh: num(air.rh_pct), then: num(out.rh) })),
    out && h('p', { class: 'why' }, out.err ? t('chart.none', { why: out.err }) : t('air.heat.dew', { dew: temp(out.dew) })));
}

const HOWLONG = [1, 3, 7, 31, 366];
function Past({ probes }) {
  const [probe, setProbe] = useState(() => (probes.find((p) => (p.last && p.last.rh_pct != null) || p.role === 'air') || probes[0]).id), [days, setDays] = useState(1);
  const [got, setGot] = useState(null);
  useEffect(() => {
    let gone = false;
    const to = now(), from = to - days * DAY;
    setGot(null);
    get(`/readings?probe=${enc(probe)}&from=${enc(iso(from))}&to=${enc(iso(to))}&max=1000`).then((x) => !gone && setGot({ list: rows(x, 'readings'), from, to, key: probe + days }), (e) => !gone && setGot({ err: e.message }));
    return () => { gone = true; };
  }, [probe, days]);
  return [h('h2', { key: 'h' }, t('air.past')), h('div', { class: 'cols', key: 'c' },
    h(Choices, { label: t('air.which'), list: probes.map((p) => ({ value: p.id, text: p.name || p.id, said: true })), value: probe, onPick: setProbe, cls: 'two' }),
    h(Choices, { label: t('air.howlong'), list: HOWLONG.map((v) => ({ value: String(v), text: t('howlong.' + v) })), value: String(days), onPick: (v) => setDays(+v), cls: 'three' })),
  !got ? h('p', { class: 'small', key: 'a' }, t('asking')) : got.err ? h('p', { class: 'small', key: 'a' }, t('chart.none', { why: got.err })) : h(PastChart, { key: got.key, got })];
}

function PastChart({ got: { list, from, to } }) {
  const xs = list.map((r) => ms(r.time)), temps = list.map((r) => (r.temp_c == null ? null : toUnit(r.temp_c))), rh = list.map((r) => r.rh_pct ?? null);
  const good = temps.filter((x) => x !== null);
  if (!good.length) return h('p', { class: 'small' }, t('air.past.none'));
  const gaps = gapsOf(xs, temps), xrange = [from, to];
  return [h('div', { class: 'cols', key: 'c' },
    h('div', null, h('p', { class: 'small between' }, t('air.past.between', { lo: minus(num(Math.min(...good), 1)), hi: minus(num(Math.max(...good), 1)), unit: unit(), at: clock(from) })), h(Chart, { title: t('chart.temp', { unit: unit() }), xs, series: [{ label: t('chart.temp', { unit: unit() }), ys: temps, say: (x) => minus(num(x, 1)) + ' ' + unit() }], opt: { gaps, xrange, height: 210, aria: t('chart.temp.past') } })),
    rh.some((x) => x !== null) && h(Chart, { title: t('chart.rh'), xs, series: [{ label: t('chart.rh'), ys: rh, color: 'ink', say: (x) => num(x) + ' %' }], opt: { gaps, xrange, height: 210, aria: t('chart.rh.past') } }))];

}
