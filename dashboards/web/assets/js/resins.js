// Epoxies: those known, one from its data sheet with what the fit made of it,
// and the curve of each.
import { h, s, $, fill } from './dom.js';
import { S, resinByName } from './state.js';
import { num, temp, toUnit, fromUnit, unit, minus, span, cap } from './say.js';
import { get, call, lists, Refused, key } from './net.js';
import { field, faults, draft, choices } from './form.js';
import { toast } from './act.js';

export async function draw(main, r) {
  if (!S.resins.length) await lists().catch(() => {});
  if (r.name === 'resin' && r.rest[0] === 'new') return sheet(main);
  if (r.name === 'resin') return one(main, r.rest[0]);
  fill(main, h('div', { class: 'page' }, h('h1', null, 'Epoxies'),
    h('p', { class: 'why' }, 'The generic ones are guesses at somebody else’s epoxy. Yours, from its data sheet, is worth obeying.'),
    h('div', { class: 'do' }, h('a', { class: 'btn first', href: '#/resin/new' }, 'From a data sheet')),
    h('ul', { class: 'rows' }, S.resins.map((x) => h('li', null, h('a', { href: '#/resin/' + encodeURIComponent(x.name) }, h('span', null, x.name), h('span', null, x.generic ? 'generic, fit your own' : x.ratio_by_weight ? `${x.ratio_by_weight[0]} to ${x.ratio_by_weight[1]} by weight` : 'from its sheet')))))));
  return undefined;
}

async function one(main, name) {
  const x = resinByName(name);
  const fig = h('div');
  fill(main, h('div', { class: 'page' }, h('a', { class: 'back', href: '#/resins' }, 'Epoxies'), h('h1', null, name),
    x && x.generic ? h('p', { class: 'why' }, 'Generic: fit your own. Its pace may be half or twice as fast as yours.') : null,
    x ? h('dl', { class: 'kv' }, h('dt', null, 'Good between'), h('dd', null, `${temp(x.min_temp_c)} and ${temp(x.max_temp_c)}`),
      h('dt', null, 'Mix by weight'), h('dd', null, x.ratio_by_weight ? x.ratio_by_weight.join(' to ') : 'not given'),
      x.ratio_by_volume ? [h('dt', null, 'Mix by volume'), h('dd', null, x.ratio_by_volume.join(' to '))] : null,
      h('dt', null, 'Handle after'), h('dd', null, x.handle ? `${num(x.handle.hours)} h at ${temp(x.handle.temp_c)}` : 'not on the sheet: hard and two days at 20 °C'),
      h('dt', null, 'Batch to batch'), h('dd', null, `8 in 10 batches within ${Math.round((Math.exp(1.28 * x.ln_kappa_sd) - 1) * 100)} % of its pace`)) : h('p', null, 'Not known here.'), fig));
  if (x) await curve(fig, name);
}

const TEMPS = [10, 15, 20, 25];
const EV = [['alpha_0.30', 'tacky'], ['recoat_opens', 'takes the next coat'], ['gel', 'gels'], ['green', 'green'], ['recoat_closes', 'window closes'], ['hard', 'hard']];

async function curve(box, name) {
  let list;
  try {
    list = await Promise.all(TEMPS.map((t) => get(`/cure?resin=${encodeURIComponent(name)}&temp=${t}`)));
  } catch (e) {
    fill(box, h('p', { class: 'small' }, 'No curve: ' + e.message + '.'));
    return;
  }
  const W = 640, H = 250, L = 40, B = 30, lo = Math.log(0.5), hi = Math.log(168);
  const X = (hr) => L + ((Math.log(hr) - lo) / (hi - lo)) * (W - L - 60), Y = (a) => 10 + (1 - a) * (H - B - 10);
  const lines = list.map((c, i) => {
    const pts = Object.entries(c.alpha_at_h || {}).map(([k, v]) => [+k, v]);
    for (const [k, a] of [['alpha_0.30', 0.3], ['alpha_0.80', 0.8]]) if (c.times_min && c.times_min[k]) pts.push([c.times_min[k] / 60, a]);
    pts.sort((p, q) => p[0] - q[0]);
    const use = pts.filter((p) => p[1] !== null && p[0] >= 0.5);
    if (use.length < 2) return null;
    const end = use[use.length - 1];
    return [s('path', { class: 'kline', d: 'M' + use.map((p) => X(p[0]).toFixed(1) + ' ' + Y(p[1]).toFixed(1)).join('L'), 'stroke-dasharray': ['2 3', '7 4', null, '12 3 2 3'][i] }),
      s('text', { class: 'hour', x: X(end[0]) + 5, y: Y(end[1]) + 4 + (i - 1.5) * 11 }, minus(Math.round(toUnit(TEMPS[i]))) + '\u202f' + unit())];
  });
  fill(box, h('h2', null, 'How it cures at a steady temperature'),
    h('div', { class: 'scroll' }, s('svg', { viewBox: `0 0 ${W} ${H}`, width: W, height: H, role: 'img', 'aria-label': 'Cure in per cent over hours at four temperatures; the table below has the times' },
      [0, 0.25, 0.5, 0.75, 1].map((a) => [s('path', { class: 'hair', d: `M${L} ${Y(a)}H${W - 60}` }), s('text', { class: 'hour', x: L - 6, y: Y(a) + 4, 'text-anchor': 'end' }, a * 100 + (a === 1 ? ' %' : ''))]),
      [1, 2, 4, 8, 24, 72, 168].map((x) => [s('path', { class: 'hair', d: `M${X(x)} 10V${H - B}` }), s('text', { class: 'hour', x: X(x), y: H - 10, 'text-anchor': 'middle' }, x < 24 ? x + ' h' : x / 24 + (x === 24 ? ' day' : ' days'))]), lines)),
    h('div', { class: 'scroll' }, h('table', null, h('thead', null, h('tr', null, h('th', null, 'at'), EV.map(([, w]) => h('th', null, w)))), h('tbody', null, list.map((c, i) => h('tr', null, h('td', null, temp(TEMPS[i])), EV.map(([k]) => { const m = c.times_min && c.times_min[k]; return h('td', null, m === null || m === undefined ? 'never' : span(m * 60e3)); })))))),
    h('p', { class: 'small' }, 'Half of all batches are faster, half slower. “Never”: the cold stops it first, or it is outside what the sheet covers.'));
}

// --- from a data sheet -----------------------------------------------------

const KINDS = [['unknown', 'not said'], ['polyamine', 'polyamine'], ['cycloaliphatic', 'cycloaliphatic'], ['polyether', 'polyether'], ['adduct', 'adduct'], ['low-blush', 'low-blush']];
const EVENTS = [['working', 'working time, thin film'], ['tacky', 'tacky'], ['tack_free', 'tack free'], ['recoat_from', 'recoat from'], ['recoat_until', 'recoat until'], ['sand', 'can be sanded'], ['handle', 'can be handled']];

function sheet(main) {
  const { d, save, done } = draft('sheet', {
    name: '', hardener_kind: 'unknown', rw: ['', ''], rv: ['', ''], tol: '', min: '', max: '', tga: '', tgp: '',
    pots: [{ grams: '100', temp: '25', a: '', b: '' }], times: [{ event: 'tack_free', temp: '20', a: '', b: '' }, { event: 'sand', temp: '20', a: '', b: '' }],
  });
  const n = (v) => (String(v).trim() === '' ? null : Number(String(v).replace(',', '.')));
  const t = (v) => (n(v) === null ? null : Math.round(fromUnit(n(v)) * 10) / 10);
  const inp = (obj, k, label, w) => h('input', { type: 'text', inputmode: 'decimal', 'aria-label': label, class: w, value: obj[k], oninput: (ev) => { obj[k] = ev.target.value; save(); } });
  const pots = h('div'), times = h('div'), result = h('div');
  const less = (list, i, again, what) => h('button', { type: 'button', class: 'quiet', 'aria-label': `Take line ${i + 1} of ${what} out`, onclick: () => { list.splice(i, 1); save(); again(); } }, 'Take out');
  const drawPots = () => fill(pots, ...d.pots.map((p, i) => h('div', { class: 'line', 'data-field': `pot_life[${i}]` }, inp(p, 'grams', 'grams'), h('span', null, 'g at'), inp(p, 'temp', 'temperature'), h('span', null, unit() + ':'), inp(p, 'a', 'minutes, from'), h('span', null, 'to'), inp(p, 'b', 'minutes, to'), h('span', null, 'min'), less(d.pots, i, drawPots, 'pot life'), h('p', { class: 'err', role: 'alert' }))),
    h('button', { type: 'button', class: 'quiet', onclick: () => { d.pots.push({ grams: '', temp: '', a: '', b: '' }); save(); drawPots(); } }, 'One more'));
  const drawTimes = () => fill(times, ...d.times.map((p, i) => h('div', { class: 'line', 'data-field': `time[${i}]` },
    h('select', { 'aria-label': 'what', onchange: (ev) => { p.event = ev.target.value; save(); } }, EVENTS.map(([v, w]) => h('option', { value: v, selected: v === p.event }, w))), h('span', null, 'at'), inp(p, 'temp', 'temperature'), h('span', null, unit() + ':'), inp(p, 'a', 'hours, from'), h('span', null, 'to'), inp(p, 'b', 'hours, to'), h('span', null, 'h'), less(d.times, i, drawTimes, 'times'), h('p', { class: 'err', role: 'alert' }))),
    h('button', { type: 'button', class: 'quiet', onclick: () => { d.times.push({ event: 'tack_free', temp: '', a: '', b: '' }); save(); drawTimes(); } }, 'One more'));
  drawPots();
  drawTimes();
  const name = h('input', { type: 'text', value: d.name, oninput: (ev) => { d.name = ev.target.value; save(); } });
  const pair = (k, label) => h('div', { class: 'field', 'data-field': label }, h('span', { class: 'lab' }, label === 'ratio_by_weight' ? 'Mix by weight, resin to hardener' : 'Mix by volume, resin to hardener'), h('div', { class: 'line' }, inp(d[k], 0, 'parts of resin'), h('span', null, 'to'), inp(d[k], 1, 'parts of hardener')), h('p', { class: 'err', role: 'alert' }));
  const form = h('form', { class: 'page', novalidate: true }, h('a', { class: 'back', href: '#/resins' }, 'Epoxies'), h('h1', null, 'From a data sheet'), h('p', { class: 'small' }, 'Fill in what the sheet says, leave the rest. A single number needs only the first box.'),
    field('Its name, resin and hardener', 'name', name),
    choices('What kind of hardener', KINDS.map(([value, text]) => ({ value, text })), d.hardener_kind, (v) => { d.hardener_kind = v; save(); }, { field: 'hardener_kind' }),
    pair('rw', 'ratio_by_weight'), pair('rv', 'ratio_by_volume'),
    field('How far the mix may be off, %', 'ratio_tolerance_pct', inp(d, 'tol', 'tolerance')),
    field(`Not below, ${unit()}`, 'min_temp_c', inp(d, 'min', 'lowest temperature')), field(`Not above, ${unit()}`, 'max_temp_c', inp(d, 'max', 'highest temperature')),
    h('fieldset', { 'data-field': 'pot_life' }, h('legend', null, 'Pot life'), pots, h('p', { class: 'err', role: 'alert' })),
    h('fieldset', { 'data-field': 'time' }, h('legend', null, 'Times of a thin film'), times, h('p', { class: 'err', role: 'alert' })),
    field(`Softens at (Tg) after curing in the shop, ${unit()}`, 'tg_ambient_c', inp(d, 'tga', 'Tg, ambient cure')), field(`Softens at (Tg) after a warm post-cure, ${unit()}`, 'tg_postcure_c', inp(d, 'tgp', 'Tg, post-cured')),
    h('p', { class: 'err foot', role: 'alert' }), h('div', { class: 'do' }, h('button', { type: 'submit', class: 'first ink' }, 'Fit it')), result);
  const body = () => {
    const b = { name: d.name.trim(), hardener_kind: d.hardener_kind };
    const put = (k, v) => { if (v !== null) b[k] = v; };
    const two = (p) => (n(p[0]) === null && n(p[1]) === null ? null : [n(p[0]), n(p[1])]);
    put('ratio_by_weight', two(d.rw));
    put('ratio_by_volume', two(d.rv));
    put('ratio_tolerance_pct', n(d.tol));
    put('min_temp_c', t(d.min));
    put('max_temp_c', t(d.max));
    put('tg_ambient_c', t(d.tga));
    put('tg_postcure_c', t(d.tgp));
    const rng = (p) => (n(p.b) === null ? n(p.a) : [n(p.a), n(p.b)]);
    const pl = d.pots.filter((p) => n(p.a) !== null).map((p) => ({ grams: n(p.grams), temp_c: t(p.temp), minutes: rng(p) }));
    const tm = d.times.filter((p) => n(p.a) !== null).map((p) => ({ event: p.event, temp_c: t(p.temp), hours: rng(p) }));
    if (pl.length) b.pot_life = pl;
    if (tm.length) b.time = tm;
    return b;
  };
  form.addEventListener('submit', async (ev) => {
    ev.preventDefault();
    faults(form, []);
    const nan = [...form.querySelectorAll('input[inputmode=decimal]')].find((i) => i.value.trim() && !isFinite(Number(i.value.replace(',', '.'))));
    if (nan) {
      nan.classList.add('bad');
      faults(form, [{ field: nan.closest('[data-field]').dataset.field, what: `“${nan.value}” is not a number` }]);
      nan.classList.add('bad');
      return;
    }
    try {
      fitted(result, await call('POST', '/resins/fit', body()), done);
      result.scrollIntoView({ block: 'start' });
    } catch (e) {
      faults(form, e instanceof Refused ? e.faults : [{ what: e.message }]);
    }
  });
  fill(main, form);
}

function fitted(box, r, done) {
  const k = key();
  const btn = h('button', { type: 'button', class: 'first ink' }, 'Keep this epoxy');
  btn.addEventListener('click', async () => {
    btn.disabled = true;
    try {
      await call('POST', '/resins', r.resin, k);
      done();
      await lists().catch(() => {});
      toast(`${r.resin.name} is kept.`);
      location.hash = '#/resin/' + encodeURIComponent(r.resin.name);
    } catch (e) {
      btn.disabled = false;
      toast('Not kept: ' + e.message + '.');
    }
  });
  const odd = r.inconsistent || [];
  const words = [].concat(r.verdict || [], r.untold || []);
  fill(box, h('h2', null, 'What the sheet says, and what the fit makes of it'),
    odd.length ? h('p', { class: 'note harm' }, h('span', { class: 'mark' }, 'The sheet does not agree with itself: '), odd.map((x) => (typeof x === 'string' ? x : x.datum)).join('; '), '.') : h('p', { class: 'why' }, 'The sheet agrees with itself.'),
    words.map((x) => h('p', { class: 'why' }, cap(String(x)) + (/[.!?]$/.test(x) ? '' : '.'))),
    h('div', { class: 'scroll' }, h('table', null, h('thead', null, h('tr', null, h('th', null, 'datum'), h('th', { class: 'n' }, 'sheet'), h('th', { class: 'n' }, 'fit'), h('th', null, 'off by'))),
      h('tbody', null, (r.residuals || []).map((x) => h('tr', null, h('td', null, x.datum), h('td', { class: 'n' }, num(x.sheet, 1)), h('td', { class: 'n' }, num(x.model, 1)), h('td', null, bar(x.sigmas))))))),
    h('div', { class: 'do' }, btn));
}

// bar shows how far a datum is off, in units of its own doubt.
function bar(z) {
  const v = Math.max(-3, Math.min(3, z));
  const far = Math.abs(z) > 2;
  return s('svg', { width: 130, height: 18, viewBox: '0 0 130 18', role: 'img', 'aria-label': `${num(Math.abs(z), 1)} times its doubt, ${z > 0 ? 'over' : 'under'}${far ? ', too far' : ''}` },
    s('path', { class: 'hair day', d: 'M45 1V17' }), s('rect', { class: far ? 'bar-far' : 'bar', x: Math.min(45, 45 + v * 14), y: 5, width: Math.abs(v * 14), height: 8 }), s('text', { class: far ? 'dropword' : 'hour', x: 92, y: 13 }, minus(num(z, 1)), far ? ' !' : ''));
}

