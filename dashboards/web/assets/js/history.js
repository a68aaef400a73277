// History: every panel and what was done to it, to find, compare and keep.
import { h, morphKids, fill } from './dom.js';
import { S, panelName, ms, settings } from './state.js';
import { clock, timeEl, num, span, shortDay, cap } from './say.js';
import { get, rows, lists } from './net.js';
import { chart, key } from './chart.js';

let all = null, charts = [];
export function gone() {
  for (const c of charts) c.gone();
  charts = [];
}
const enc = encodeURIComponent;

export async function draw(main, r) {
  gone();
  if (!S.panels.length) await lists().catch(() => {});
  try {
    all = rows(await get('/coats?all=true'), 'coats');
  } catch {
    all = null;
  }
  if (r.rest[0]) return panel(main, r.rest[0]);
  const list = h('div');
  let q = '';
  const show = () => {
    const hit = S.panels.filter((p) => match(p, q));
    morphKids(list, [hit.length ? h('ul', { class: 'rows' }, hit.map((p) => {
      const cs = coatsOf(p.id);
      const last = cs.length ? Math.max(...cs.map((c) => ms(c.applied_at))) : null;
      return h('li', { 'data-key': p.id }, h('a', { href: '#/history/' + enc(p.id) }, h('span', null, h('b', null, p.name || p.id), p.piece && p.piece !== p.id ? h('span', { class: 'small' }, ' of ' + p.piece) : ''), h('span', null, all === null ? '' : cs.length ? `${cs.length} ${cs.length === 1 ? 'coat' : 'coats'}, last ${clock(last, true)}` : 'nothing on yet')));
    })) : h('p', { class: 'why' }, q ? 'Nothing like that.' : 'No panel yet.')]);
  };
  const input = h('input', { type: 'search', id: 'q', autocomplete: 'off', oninput: (ev) => { q = ev.target.value; show(); } });
  const b = ms(settings().last_backup);
  fill(main, h('div', { class: 'page' }, h('h1', null, 'History'),
    all === null ? h('p', { class: 'why' }, 'The board is not heard: the coats are not shown.') : null,
    h('div', { class: 'field' }, h('label', { for: 'q' }, 'Find a panel, a kind of coat, an epoxy, a day'), input), list,
    h('h2', null, 'Compare two coats'), compare(),
    h('h2', null, 'Keep it'), h('p', { class: 'why' }, b ? `The last copy is of ${clock(b, true)}.` : 'No copy has been made yet.'),
    h('div', { class: 'do' }, h('a', { class: 'btn', href: 'api/v1/backup', download: 'curewright-' + new Date().toISOString().slice(0, 10) + '.db' }, 'Save everything to this phone')),
    h('p', { class: 'small' }, 'To put it back: stop the program on the board, lay the file in its data folder under the name that is there, start it.')));
  show();
  return undefined;
}

const coatsOf = (id) => (all || []).filter((c) => c.panel === id).sort((a, b) => ms(a.applied_at) - ms(b.applied_at));
function match(p, q) {
  q = q.trim().toLowerCase();
  if (!q) return true;
  const text = [p.id, p.name, p.piece, p.core, ...coatsOf(p.id).flatMap((c) => [c.kind, c.resin, shortDay(ms(c.applied_at)), c.record && c.record.note])].filter(Boolean).join(' ').toLowerCase();
  return q.split(/\s+/).every((w) => text.includes(w));
}

function panel(main, id) {
  const p = S.panels.find((x) => x.id === id) || { id };
  const cs = coatsOf(id);
  const rec = (f) => `api/v1/panels/${enc(id)}/record?format=${f}`;
  fill(main, h('div', { class: 'page' }, h('a', { class: 'back', href: '#/history' }, 'History'), h('h1', null, p.name || id),
    h('p', { class: 'small' }, [p.core, p.area_m2 ? num(p.area_m2, 1) + '\u202fm²' : '', p.piece && p.piece !== id ? 'one side of ' + p.piece : ''].filter(Boolean).join(' · ')),
    cs.length ? h('ul', { class: 'rows' }, cs.map((c) => h('li', null, h('a', { href: '#/coat/' + enc(c.id) }, h('span', null, h('b', null, cap(c.kind)), `, ${c.resin}, `, timeEl(ms(c.applied_at), true)), h('span', null, c.open === false ? 'no longer watched' : c.flag || ''))))) : h('p', { class: 'why' }, 'Nothing on it yet.'),
    h('h2', null, 'Its record'), h('p', { class: 'why' }, 'Coats, cups, cloth, conditions and finger tests of the whole piece, to print or to keep.'),
    h('div', { class: 'do' }, h('a', { class: 'btn first', href: rec('html'), target: '_blank', rel: 'noopener' }, 'To print'), h('a', { class: 'btn', href: rec('csv'), download: id + '.csv' }, 'As a table (CSV)'), h('a', { class: 'btn', href: rec('json'), download: id + '.json' }, 'As JSON')),
    h('h2', null, 'Next'), h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/on/' + enc(id) }, 'A coat is on it'))));
}

const name = (c) => `${panelName(c.panel)}, ${c.kind}, ${clock(ms(c.applied_at), true)}`;

function compare() {
  const list = (all || []).slice().sort((a, b) => ms(b.applied_at) - ms(a.applied_at)).slice(0, 60);
  if (list.length < 2) return h('p', { class: 'small' }, 'There are not two yet.');
  const out = h('div');
  let a = list[0].id, b = list[1].id;
  const sel = (label, get0, set) => h('div', { class: 'field' }, h('label', { for: 'cmp' + label }, label), h('select', { id: 'cmp' + label, onchange: (ev) => set(ev.target.value) }, list.map((c) => h('option', { value: c.id, selected: c.id === get0 }, name(c)))));
  return h('div', null, h('div', { class: 'cols' }, sel('This one', a, (v) => { a = v; }), sel('Beside this one', b, (v) => { b = v; })),
    h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => both(out, list.find((c) => c.id === a), list.find((c) => c.id === b)) }, 'Compare')), out);
}

async function both(out, a, b) {
  gone();
  fill(out, h('p', { class: 'small' }, 'Asking…'));
  const one = async (c) => {
    const t0 = ms(c.applied_at);
    const pts = rows(await get(`/coats/${enc(c.id)}/trace?from=${enc(new Date(t0).toISOString())}&to=${enc(new Date(t0 + 48 * 3600e3).toISOString())}&points=193`), 'points');
    return new Map(pts.filter((p) => !p.forecast).map((p) => [Math.round((ms(p.at) - t0) / 900e3), p]));
  };
  try {
    const [pa, pb] = await Promise.all([one(a), one(b)]);
    const n = Math.max(...pa.keys(), ...pb.keys(), 1);
    const xs = Array.from({ length: n + 1 }, (_, i) => i * 0.25);
    const v = (m) => xs.map((_, i) => { const p = m.get(i); return p && p.alpha ? p.alpha.p50 * 100 : null; });
    const fig = h('div', { class: 'chart' });
    const ev = [['tacky', 'Tacky'], ['green', 'Green'], ['recoat_closes', 'Window closes'], ['hard', 'Hard']];
    const after = (c, k) => { const t = c.events && c.events[k] && ms(c.events[k].p50); return t ? span(t - ms(c.applied_at)) + ' after' : 'not known'; };
    fill(out, h('h2', null, 'Cure, %, by hours after it went on'), h('div', { class: 'legend' }, h('span', null, key('graph'), name(a)), h('span', null, key('ink', '6 4'), name(b))), fig,
      h('div', { class: 'scroll' }, h('table', null, h('thead', null, h('tr', null, h('th', null, ''), h('th', null, name(a)), h('th', null, name(b)))), h('tbody', null,
        ev.map(([k, w]) => h('tr', null, h('td', null, w), h('td', null, after(a, k)), h('td', null, after(b, k)))),
        h('tr', null, h('td', null, 'Epoxy'), h('td', null, a.resin), h('td', null, b.resin)),
        h('tr', null, h('td', null, 'Blush'), h('td', null, a.blush ? a.blush.band : 'not known'), h('td', null, b.blush ? b.blush.band : 'not known'))))));
    charts.push(await chart(fig, xs.map((x) => x * 3600e3), [{ label: 'first', ys: v(pa), say: (x) => `first ${num(x)} %` }, { label: 'second', ys: v(pb), color: 'ink', dash: [6, 4], say: (x) => `second ${num(x)} %` }], { plain: true, range: () => [0, 100], height: 230, aria: 'Cure of both coats by hours after application' }));
  } catch (e) {
    fill(out, h('p', { class: 'err' }, e.message));
  }
}

