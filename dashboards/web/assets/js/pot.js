// The cup: how long it stays workable, and whether it may run away.
import { h, fill } from './dom.js';
import { S } from './state.js';
import { span, grams, temp, num, unit, toUnit, fromUnit } from './say.js';
import { get, lists } from './net.js';
import { choices, stepper, draft } from './form.js';

const VERDICT = {
  low: ['Low risk of running away.', 'Still: the times below are cautious, not certain.'],
  caution: ['Caution: it can get hot.', 'A wide tray, or two smaller cups, buys time.'],
  runaway: ['It can run away.', 'Mix less, or pour it into a wide tray at once.'],
};
const CLASS = { warm: 'it gets warm', hot: 'it gets too hot to hold', burning: 'it gets hot enough to burn and smoke' };

export async function draw(main) {
  if (!S.resins.length) await lists().catch(() => {});
  const air = ((S.snap && S.snap.surfaces) || []).find((x) => x.air_c !== null && x.air_c !== undefined);
  const shopC = S.snap && S.snap.result.shop && S.snap.result.shop.temp_c;
  const { d, save } = draft('pot', { resin: localStorage.getItem('last:resin') || (S.resins[0] || {}).name || '', grams: 150, shape: 'cup', shop: Math.round(shopC ?? (air ? air.air_c : 20)) });
  const out = h('div', { role: 'status', 'aria-live': 'polite' });
  let n = 0;
  const ask = async () => {
    save();
    const mine = ++n;
    try {
      const q = new URLSearchParams({ resin: d.resin, grams: d.grams, shape: d.shape, shop: Math.round(d.shop * 10) / 10 });
      if (d.shape !== 'cup') q.set('depth_mm', d.shape === 'tray' ? 10 : 12);
      const r = await get('/pot?' + q);
      if (mine === n) show(out, r, d);
    } catch (e) {
      if (mine === n) fill(out, h('p', { class: 'err' }, e.message));
    }
  };
  fill(main, h('div', { class: 'page' }, h('h1', null, 'Cup'), h('p', { class: 'small' }, 'Before you mix: how long it stays workable.'),
    choices('Which epoxy', S.resins.map((r) => ({ value: r.name, text: r.name, sub: r.generic ? 'generic, fit your own' : null })), d.resin, (v) => { d.resin = v; ask(); }),
    h('fieldset', null, h('legend', null, 'How much, resin and hardener'), stepper('grams', { get: () => d.grams, set: (v) => { d.grams = v; ask(); }, step: 10, min: 10, max: 2000, say: (v) => grams(v) })),
    choices('In what', [{ value: 'cup', text: 'Cup' }, { value: 'tray', text: 'Tray', sub: '10 mm deep' }, { value: 'bond', text: 'Thick bond', sub: '12 mm' }], d.shape, (v) => { d.shape = v; ask(); }, { cls: 'three' }),
    h('fieldset', null, h('legend', null, 'The shop is at'), stepper('shop temperature', { get: () => Math.round(toUnit(d.shop)), set: (v) => { d.shop = fromUnit(v); ask(); }, step: 1, min: -20, max: 120, say: () => temp(d.shop) })),
    out, cautions()));
  if (d.resin) ask();
  else fill(out, h('p', { class: 'small' }, 'No epoxy is known here yet.'));
}

const min = (x) => (x === null || x === undefined ? 'not within 12 h' : 'about ' + span(x * 60e3));

function show(box, r, d) {
  const [head, tail] = VERDICT[r.verdict] || ['Not known.', ''];
  const most = r.max_grams_for_work || {};
  fill(box, 
    h('p', { class: 'say' }, r.work_minutes === null || r.work_minutes === undefined ? 'It stays workable for hours.' : ['Use it within ', h('b', null, span(r.work_minutes * 60e3)), '.'], ' ', h('span', { class: r.verdict === 'low' ? '' : 'none' }, head)),
    h('p', { class: 'why' }, tail, r.peak_class ? ' If it is left standing, ' + (CLASS[r.peak_class] || r.peak_class) + '.' : ''),
    h('dl', { class: 'kv' }, h('dt', null, 'Warms by ' + (unit() === '°F' ? '27 °F' : '15 °C')), h('dd', null, min(r.minutes_to_plus15k)), h('dt', null, 'Reaches ' + temp(60)), h('dd', null, min(r.minutes_to_60c)),
      ['20', '30', '45'].map((k) => [h('dt', null, `Most for ${k} min`), h('dd', null, most[k] === null || most[k] === undefined ? 'no limit up to 2000 g' : most[k] === 0 ? 'not to be had in this shape' : num(most[k]) + '\u202fg')])),
    h('p', { class: 'small' }, d.shape === 'cup' ? 'For an upright cup of the usual width.' : ''));
}

function cautions() {
  return h('div', { class: 'cautions' }, h('h2', null, 'If it gets hot'),
    h('p', null, 'While it is only warm, pour it into a wide tray or take it outdoors. Once it smokes, foams or is too hot to hold: leave it, get out, air the shed; no water into it, no lid, nothing thrown on top. No waste cup, wet rag or sawdust in a bin until cold overnight. Gloves, eye protection, no dust from half-cured epoxy.'));
}

