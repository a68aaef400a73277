// Moist air: now, over the days, and what heating it would do.
import { h, $, fill } from './dom.js';
import { S, now, panelName, ms } from './state.js';
import { temp, unit, toUnit, fromUnit, deg, minus, num, diff, clock } from './say.js';
import { get, rows } from './net.js';
import { chart, gapsOf } from './chart.js';
import { choices, stepper } from './form.js';

let charts = [], days = 1, probe = '';

export function gone() {
  for (const c of charts) c.gone();
  charts = [];
}

export async function draw(main) {
  gone();
  const probes = ((S.snap && S.snap.probes) || []).filter((p) => p.accepted);
  const humid = (p) => (p.last && p.last.rh_pct !== null && p.last.rh_pct !== undefined) || p.role === 'air';
  if (!probes.some((p) => p.id === probe)) probe = (probes.find(humid) || probes[0] || {}).id || '';
  const fig = h('div', { class: 'figs' });
  const heat = h('div');
  fill(main, h('div', { class: 'page wide' }, h('h1', null, 'Air'), now2(), heat,
    probes.length ? [h('h2', null, 'What it was'),
      choices('Which probe', probes.map((p) => ({ value: p.id, text: p.name || p.id })), probe, (v) => { probe = v; history(fig); }),
      choices('How long', [[1, 'a day'], [3, '3 days'], [7, 'a week'], [31, 'a month'], [366, 'a year']].map(([v, text]) => ({ value: String(v), text })), String(days), (v) => { days = +v; history(fig); }), fig] : h('p', { class: 'why' }, 'No probe, so nothing to show. ', h('a', { href: '#/probes' }, 'How to add one'))));
  warm(heat);
  if (probes.length) await history(fig);
}

function now2() {
  const rowsOf = (S.snap && S.snap.surfaces) || [];
  if (!rowsOf.length) return h('p', { class: 'why' }, 'No panel has both a surface probe and an air probe now, so the margin to dew is not known.');
  return h('div', { class: 'scroll' }, h('table', null, h('thead', null, h('tr', null, ['panel', 'surface', 'air', 'humidity', 'dew point', 'above dew', 'humidity at the surface'].map((x) => h('th', null, x)))),
    h('tbody', null, rowsOf.map((x) => h('tr', null, h('td', null, panelName(x.panel)), h('td', null, temp(x.temp_c)), h('td', null, temp(x.air_c)), h('td', null, x.rh_pct === null ? 'no reading' : num(x.rh_pct) + '\u202f%'), h('td', null, temp(x.dew_point_c)), h('td', null, x.dew_margin_k === null ? 'not known' : diff(x.dew_margin_k), x.dew_margin_k !== null && x.dew_margin_k < 3 ? h('b', { class: 'none' }, ' too little') : ''), h('td', null, x.panel_rh_pct === null ? 'not known' : num(x.panel_rh_pct) + '\u202f%'))))));
}

// warm answers "what if I heat it": the water stays, so the humidity falls.
function warm(box) {
  const air = ((S.snap && S.snap.surfaces) || []).find((x) => x.air_c !== null && x.rh_pct !== null);
  if (!air) return;
  let to = Math.round(air.air_c + 5);
  const out = h('p', { class: 'say', role: 'status' });
  const sub = h('p', { class: 'why' });
  let n = 0;
  const ask = async () => {
    const mine = ++n;
    try {
      const a = await get(`/air?temp=${air.air_c}&rh=${air.rh_pct}`);
      const b = await get(`/air?temp=${to}&rh=1`);
      if (mine !== n) return;
      const rh = Math.min(100, a.vapour_pressure_pa / b.vapour_pressure_pa);
      const margin = air.temp_c === null ? null : air.temp_c - a.dew_point_c;
      out.textContent = `Heated from ${temp(air.air_c)} to ${temp(to)} it goes from ${num(air.rh_pct)} % to about ${num(rh)} % humidity.`;
      sub.textContent = `The dew point stays at ${temp(a.dew_point_c)}, so a panel still colder than that sweats at once.${margin !== null ? ` ${panelName(air.panel)} is ${diff(margin)} above it now.` : ''} That holds for dry heat: burning fuel without a flue adds water and carbon dioxide.`;
    } catch (e) {
      out.textContent = 'Not known: ' + e.message + '.';
    }
  };
  fill(box, h('h2', null, 'If you heat it'), stepper('heat it to', { get: () => Math.round(toUnit(to)), set: (v) => { to = fromUnit(v); ask(); }, step: 1, min: -20, max: 130, say: () => minus(deg(to)) + '\u202f' + unit() }), out, sub);
  ask();
}

async function history(box) {
  gone();
  const to = now(), from = to - days * 86400e3;
  fill(box, h('p', { class: 'small' }, 'Asking…'));
  let list;
  try {
    list = rows(await get(`/readings?probe=${encodeURIComponent(probe)}&from=${encodeURIComponent(new Date(from).toISOString())}&to=${encodeURIComponent(new Date(to).toISOString())}&max=1000`), 'readings');
  } catch (e) {
    fill(box, h('p', { class: 'small' }, 'No readings: ' + e.message + '.'));
    return;
  }
  const some = list.filter((r) => r.temp_c !== null);
  if (!some.length) {
    fill(box, h('p', { class: 'small' }, 'No reading in that time.'));
    return;
  }
  const xs = list.map((r) => ms(r.time));
  const t = list.map((r) => (r.temp_c === null || r.temp_c === undefined ? null : toUnit(r.temp_c)));
  const rh = list.map((r) => r.rh_pct ?? null);
  const gaps = gapsOf(xs, t, Math.max(15 * 60e3, (days * 86400e3) / 250));
  const a = h('div', { class: 'chart' }), b = h('div', { class: 'chart' });
  const hasRh = rh.some((x) => x !== null);
  const lo = Math.min(...t.filter((x) => x !== null)), hi = Math.max(...t.filter((x) => x !== null));
  fill(box, h('h2', null, 'Temperature, ', unit()), a, hasRh && h('h2', null, 'Humidity, %'), hasRh && b,
    h('p', { class: 'small' }, `Between ${num(lo, 1)} and ${num(hi, 1)} ${unit()} since ${clock(from)}.`));
  charts.push(await chart(a, xs, [{ label: 'temperature', ys: t, say: (x) => num(x, 1) + ' ' + unit() }], { gaps, xrange: [from, to], height: 210, aria: 'Temperature over time' }));
  if (hasRh) charts.push(await chart(b, xs, [{ label: 'humidity', ys: rh, color: 'ink', say: (x) => num(x) + ' %' }], { gaps, xrange: [from, to], height: 170, aria: 'Humidity over time' }));
}

