// SPDX-License-Identifier: Apache-2.0
// The tent: what it holds, what the heater does and why it does not, what would
// land a coat, and a slow rise and soak for the post-cure.
import { h, useEffect, useRef, useState } from '../lib.js';
import { S, changed, may, ms, now, panelName, iso } from '../state.js';
import { HOUR, Said, cap, chance, clock, face, floorHour, hourOf, name, num, rate, span, temp, toUnit, unit } from '../say.js';
import { Refused, call, get, refresh } from '../line.js';
import { say, tell } from '../acts.js';
import { Chart } from '../chart.js';
import { Choices, Err, Hold, Stepper, useForm } from '../form.js';

import { stop, t, word } from '../text.js';

export default function Tent({ rest }) {
  const [err, setErr] = useState(null);
  const ask = () => get('/tent').then((x) => { S.tent = x; setErr(null); changed(); }, (e) => setErr(e));
  useEffect(() => {
    ask();
    const timer = setInterval(ask, 10e3);
    return () => clearInterval(timer);
  }, []);
  const x = S.tent;
  if (!x) return h('div', { class: 'page' }, h('h1', null, t('page.tent')), err ? [h('p', { class: 'say' }, t(err instanceof Refused && err.status === 404 ? 'tent.none' : 'tent.unheard')), h('p', { class: 'why' }, t('tent.first'))] : h('p', null, t('asking')));
  const act = (what, method, path, body, words) => tell(what, async () => { const r = await call(method, path, body); if (r && r.heater) S.tent = r; else await ask(); changed(); refresh(); }, words);
  return h('div', { class: 'page wide' }, h('h1', null, t('page.tent')), h('div', { class: 'cols' },
    h('div', null,
      h('p', { class: 'say' }, x.heater === 'unknown' ? h('span', { class: 'none' }, t('tent.heater.unknown')) : ms(x.since) ? t('tent.heater.' + x.heater + '.since', { at: clock(ms(x.since), true) }) : t('tent.heater.' + x.heater)),
      x.why ? h('p', { class: x.latched ? 'note harm' : 'why' }, x.latched ? h('span', { class: 'mark' }, t('tent.latched') + ' ') : '', h(Said, null, cap(stop(x.why)))) : null,
      h('dl', { class: 'kv' }, h('dt', null, t('tent.panel')), h('dd', null, temp(x.panel_c)), h('dt', null, t('tent.air')), h('dd', null, temp(x.air_c)), h('dt', null, t('tent.held')), h('dd', null, x.set_point_c == null ? t('tent.notheld') : temp(x.set_point_c)),
        h('dt', null, t('tent.today')), h('dd', null, x.on_today_h == null ? t('unknown') : span(x.on_today_h * HOUR)), h('dt', null, t('tent.dies')), h('dd', null, x.lease_s == null ? t('unknown') : t('tent.lease', { n: num(x.lease_s) }))),
      x.aim ? h('p', { class: 'why' }, h(Said, null, x.aim.say)) : null,
      x.learned ? h('p', { class: x.learned.trouble ? 'note harm' : 'small' }, h(Said, null, cap(stop(x.learned.trouble || x.learned.say)))) : null,
      may('control') && h('div', { class: 'do' }, h('button', { type: 'button', class: 'first', onclick: () => act('off', 'POST', '/tent/off', { why: t('tent.byhand') }, t('tent.off.done')) }, t('tent.off')),
        h('button', { type: 'button', onclick: () => act('solvent', 'POST', '/tent/solvent', {}, t('tent.solvent.done')) }, t('tent.solvent')),
        x.latched ? h(Hold, { label: t('tent.release'), onHeld: () => act('release', 'POST', '/tent/release', {}, t('tent.released')) }) : null,
        h(Hold, { label: t(x.resume ? 'tent.resume.on' : 'tent.resume.off'), onHeld: () => act('resume', 'PUT', '/tent/resume', { on: !x.resume }, t('saved')) }))),
    h(Past, { x })),
  may('control') ? h('div', { class: 'cols' }, h(Point, { x, ask }), h(Land, { x, ask, panel: rest && rest[0] })) : [h('p', { class: 'why' }, t('tent.role')), h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/login' }, t('login.more.go')))],
  h('div', { class: 'cautions' }, h('h2', null, t('tent.heat')), h('p', null, h(Said, null, x.cautions))));
}

// Past is the chart: what was asked, what was held, and when the heater was on.
function Past({ x }) {
  const got = x.past || [];
  if (got.length < 2) return h('p', { class: 'small' }, t('tent.past.none'));
  const xs = got.map((p) => ms(p.at)), u = (f) => got.map((p) => (f(p) == null ? null : toUnit(f(p))));
  const on = u((p) => p.panel_c).filter((v) => v !== null), lo = Math.min(...on, ...u((p) => p.shed_c).filter((v) => v !== null)) - 1;
  return h(Chart, {
    key: xs[xs.length - 1], title: t('tent.past', { unit: unit() }), xs,
    legend: [['graph', null, false, t('tent.past.held')], ['ink', '5 4', false, t('tent.past.asked')], ['soft', '2 3', false, t('tent.past.shed')], ['soft', null, true, t('tent.past.on')]],
    series: [{ label: 'on', ys: got.map((p) => (p.share == null ? null : lo + p.share * 2)), hide: true, say: () => '' }, { label: 'floor', ys: got.map(() => lo), hide: true },
      { label: t('tent.past.held'), ys: u((p) => p.panel_c), say: (v) => t('chart.say.panel', { x: num(v, 1), unit: unit() }) },
      { label: t('tent.past.asked'), ys: u((p) => p.set_c), color: 'ink', dash: [5, 4], say: (v) => t('tent.say.asked', { x: num(v, 1), unit: unit() }) },
      { label: t('tent.past.shed'), ys: u((p) => p.shed_c), color: 'soft', dash: [2, 3], say: (v, i) => t('tent.say.shed', { x: num(v, 1), unit: unit() }) + (got[i].share == null ? '' : ', ' + t('tent.say.on', { n: num(got[i].share * 100) })) }],
    opt: { bands: [[1, 2]], height: 240, aria: t('tent.past.aria') },
  });
}

function Point({ x, ask }) {
  const [want, setWant] = useState(x.set_point_c ?? 18), [err, setErr] = useState('');
  return h('div', null, h('h2', null, t('tent.hold')), h(Stepper, { label: t('tent.hold'), value: want, set: setWant, step: 0.5, min: x.min_c ?? 5, max: x.max_c ?? 30, say: temp }),
    h('p', { class: 'small' }, t('tent.allows', { a: temp(x.min_c), b: temp(x.max_c) })), h('p', { class: 'err', role: 'alert' }, err),
    h('div', { class: 'do' }, h(Hold, { label: t('tent.heat.to'), onHeld: () => call('PUT', '/tent/setpoint', { set_point_c: want }).then(() => { setErr(''); say(t('tent.held.at', { temp: temp(want) })); ask(); }, (e) => setErr(e.message)) })));
}

// WISHES are what the page can ask of the tent for a coat, in this order.
const WISHES = ['window', 'hard', 'no_stall', 'soak'];

// Land asks for what brings a coat's window, or a hard coat, to an hour (the next
// time that the shop's clock shows it), or for a soak. Only coats and wishes that
// the board offers are there to choose. A job's soak comes with its own figures.
function Land({ x, ask, panel }) {
  const card = ((S.snap || {}).next || []).find((c) => c.panel === panel && c.do === 'soak');
  const all = x.offers || [], open = all.filter((o) => WISHES.some((k) => o.wishes.includes(k)));
  const [w, setW] = useState(() => ({
    coat: (open.find((o) => o.panel === panel) || {}).coat, wish: card ? 'soak' : 'window', at: 7,
    temp: (card && card.temp_c) ?? Math.min(40, x.max_c ?? 40), hours: (card && card.hours) ?? 8, ramp: (card && card.ramp_c_h) ?? 5,
  }));
  const [got, setGot] = useState(null);
  const set = (patch) => { setW({ ...w, ...patch }); setGot(null); };
  const one = open.find((o) => o.coat === w.coat) || open[0];
  const can = one ? WISHES.filter((k) => one.wishes.includes(k)) : [];
  const wish = can.includes(w.wish) ? w.wish : can[0], soak = wish === 'soak';
  const go = async (apply) => {
    let at = floorHour(now()) + HOUR;
    while (hourOf(at) !== w.at) at += HOUR;
    const when = soak ? { temp_c: w.temp, hours: w.hours, ramp_c_h: w.ramp } : wish === 'window' ? { from: iso(at), to: iso(at + 2 * HOUR) } : { by: iso(at) };
    setGot(null);
    const p = await call('POST', '/tent/aim', { coat: one.coat, wish, apply, ...when });
    setGot(apply ? null : p);
    if (apply) { say(t('land.followed')); ask(); }
  };
  const { busy, submit } = useForm(() => go(false)), follow = useRef(null);
  const [err, setErr] = useState('');
  follow.current = () => go(true).then(() => setErr(''), (e) => setErr(e.message));
  if (!one) return h('div', null, h('h2', null, t('land')), h('p', { class: 'why' }, t('land.none')), all.map((o) => h(Unsoaked, { o, key: o.coat })));
  const part = (field, ...el) => h('div', { 'data-field': field }, ...el, h(Err, { field }));
  return h('form', { class: 'land', onsubmit: submit }, h('h2', null, t('land')),
    h(Choices, { label: t('land.which'), cls: 'two', field: 'coat', list: open.map((o) => ({ value: o.coat, text: panelName(o.panel), said: true, sub: word('kind.', o.kind) })), value: one.coat, onPick: (coat) => set({ coat }) }),
    h(Choices, { label: t('land.so'), cls: 'two', field: 'wish', list: can.map((k) => ({ value: k, text: t('land.' + k) })), value: wish, onPick: (k) => set({ wish: k }) }),
    h(Unsoaked, { o: one }),
    soak ? [part('temp_c', h('p', { class: 'lab' }, t('soak.temp')), h(Stepper, { label: t('soak.temp'), value: w.temp, set: (temp) => set({ temp }), step: 1, min: x.min_c ?? 5, max: x.max_c ?? 120, say: temp }), h('p', { class: 'small' }, t('tent.allows', { a: temp(x.min_c), b: temp(x.max_c) }))),
      part('hours', h('p', { class: 'lab' }, t('soak.hours')), h(Stepper, { label: t('soak.hours'), value: w.hours, set: (hours) => set({ hours }), step: 1, min: 1, max: 72, say: (v) => span(v * HOUR) })),
      part('ramp_c_h', h('p', { class: 'lab' }, t('soak.ramp')), h(Stepper, { label: t('soak.ramp'), value: w.ramp, set: (ramp) => set({ ramp }), step: 1, min: 1, max: 40, say: rate }))]
      : part('from to by', h(Stepper, { label: t('land.hour'), value: w.at, set: (at) => set({ at }), step: 1, max: 23, say: (v) => face(v, 0) })),
    h(Err, { foot: true }),
    h('div', { role: 'status' }, got && h('p', null, h(Said, null, got.say)), got && got.tg_c && h(Tg, { p: got })),
    h('div', { class: 'do' }, h('button', { type: 'submit', disabled: busy }, t('land.ask'))),
    got && [h('p', { class: 'why' }, t('land.caution')), h('div', { class: 'do' }, h(Hold, { label: t('land.follow'), onHeld: () => follow.current() }))], h('p', { class: 'err', role: 'alert' }, err));
}

// Unsoaked says why a coat can't be soaked yet.
const Unsoaked = ({ o }) => (o.why_not && o.why_not.soak ? h('p', { class: 'small' }, name(panelName(o.panel)), ': ', t('soak.not'), ' ', h(Said, null, stop(o.why_not.soak))) : null);

// Tg is what a soak does for the temperature at which the coat softens.
function Tg({ p }) {
  const row = (k) => [h('dt', null, t('soak.tg.' + k)), h('dd', null, t('soak.tg', { x: num(toUnit(p.tg_c[k][1])), a: num(toUnit(p.tg_c[k][0])), b: num(toUnit(p.tg_c[k][2])), unit: unit() }))];
  return h('dl', { class: 'kv tg' }, h('dt', null, t('soak.holds')), h('dd', null, chance(p.reached)), h('dt', null, t('soak.until')), h('dd', null, clock(ms(p.by), true)), ['now', 'after', 'without'].map(row));
}
