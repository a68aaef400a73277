// SPDX-License-Identifier: Apache-2.0
// History: every panel and what was done to it, to find, compare and keep.
import { h, useEffect, useState } from '../lib.js';
import { S, iso, ms, panelName, panelOf, settings } from '../state.js';
import { HOUR, Said, area, cap, clock, grams, name, num, shortDay, span, timeEl } from '../say.js';
import { Refused, call, get, rows, useFresh } from '../line.js';
import { enc } from '../acts.js';
import { Chart, Table } from '../chart.js';
import { stop, t, word } from '../text.js';

export default function History({ rest }) {
  const [all, setAll] = useState(undefined), [q, setQ] = useState('');
  useFresh(() => get('/coats?all=true').then((x) => setAll(rows(x, 'coats')), () => setAll(null)));
  const of = (id) => (all || []).filter((c) => c.panel === id).sort((a, b) => ms(a.applied_at) - ms(b.applied_at));
  if (rest[0]) return h(Panel, { id: rest[0], cs: of(rest[0]) });
  const match = (p) => {
    const text = [p.id, p.name, p.piece, p.core, ...of(p.id).flatMap((c) => [c.kind, c.resin, shortDay(ms(c.applied_at)), c.record && c.record.note])].filter(Boolean).join(' ').toLowerCase();
    return q.trim().toLowerCase().split(/\s+/).every((w) => text.includes(w));
  };
  const hit = S.panels.filter(match);
  return h('div', { class: 'page wide' }, h('h1', null, t('page.history')), all === null ? h('p', { class: 'why' }, t('history.unheard')) : null,
    h('div', { class: 'cols' }, h('div', null,
      h('div', { class: 'field' }, h('label', { for: 'q' }, t('history.find')), h('input', { type: 'search', id: 'q', autocomplete: 'off', value: q, oninput: (ev) => setQ(ev.target.value) })),
      hit.length ? h('ul', { class: 'rows' }, hit.map((p) => {
        const cs = of(p.id), last = cs.length ? Math.max(...cs.map((c) => ms(c.applied_at))) : null, piece = S.pieces.find((x) => x.id === p.piece);
        return h('li', { key: p.id }, h('a', { href: '#/history/' + enc(p.id) }, h('span', null, h('b', null, name(p.name || p.id)), p.piece && p.piece !== p.id ? h('span', { class: 'small' }, ' ', t('history.of', { piece: name((piece && piece.name) || p.piece) })) : ''), h('span', null, !all ? '' : cs.length ? t('history.coats', { n: cs.length, at: clock(last, true) }) : t('history.nothing'))));
      })) : h('p', { class: 'why' }, t(q ? 'history.nohit' : 'history.nopanel'))),
    h('div', null, h('h2', null, t('history.compare')), all && h(Compare, { all }), h(Keep))));
}

function Keep() {
  const [said, setSaid] = useState('');
  const b = ms(settings().last_backup);
  const put = async (ev) => {
    const [f] = ev.target.files;
    if (!f) return;
    setSaid(t('keep.sending'));
    try {
      setSaid((await call('POST', '/backup', f)).next);
    } catch (e) {
      setSaid(e instanceof Refused ? cap(stop(e.message)) + ' ' + t('keep.unchanged') : t('keep.broke'));
    }
    ev.target.value = '';
  };
  return [h('h2', { key: 'h' }, t('keep')), h('p', { class: 'why', key: 'p' }, b ? t('keep.last', { at: clock(b, true) }) : t('keep.never')),
    S.me && S.me.role !== 'control' ? h('p', { class: 'why', key: 'r' }, t('keep.role')) : h('div', { class: 'do', key: 'd' },
      h('a', { class: 'btn', href: 'api/v1/backup', download: '' }, t('keep.save')), h('label', { class: 'opt' }, h('input', { type: 'file', onchange: put }), h('span', null, t('keep.put')))),
    h('p', { class: 'why', role: 'status', translate: false, key: 's' }, said)];
}

// Bill is what the piece took, wasted and cost.
function Bill({ piece }) {
  const [b, setB] = useState(null);
  useEffect(() => { get('/pieces/' + enc(piece) + '/bill').then(setB, () => setB(null)); }, [piece]);
  if (!b || !(b.mixed_g > 0 || b.unweighed)) return null;
  const money = Object.entries(b.cost || {});
  return [h('h2', { key: 'h' }, t('bill')), h('dl', { class: 'kv', key: 'kv' }, h('dt', null, t('bill.mixed')), h('dd', null, grams(b.mixed_g)),
    h('dt', null, t('bill.waste')), h('dd', null, t('bill.waste.is', { g: grams(b.left_g + b.scrap_g), n: num(b.waste_pct) })),
    money.length || b.unpriced_g > 0 ? [h('dt', null, t('bill.cost')), h('dd', null, money.map(([k, v]) => h('p', { key: k }, num(v, 2), ' ', h(Said, null, k), ', ', t('bill.cost.of', { waste: num((b.waste_cost || {})[k] ?? 0, 2) }))), b.unpriced_g > 0 ? h('p', null, t('bill.unpriced', { g: grams(b.unpriced_g) })) : null)] : null),
  b.unweighed > 0 ? h('p', { class: 'small', key: 'u' }, t('bill.unweighed', { n: b.unweighed })) : null];
}

function Panel({ id, cs }) {
  const p = panelOf(id) || { id }, rec = (f) => `api/v1/panels/${enc(id)}/record?format=${f}`;
  const sides = S.panels.filter((x) => x.piece && x.piece === p.piece && x.id !== id);
  return h('div', { class: 'page wide' }, h('a', { class: 'back', href: '#/history' }, t('page.history')), h('h1', null, name(p.name || id)),
    h('p', { class: 'small' }, [p.core ? t('core.' + p.core) : '', p.area_m2 ? area(p.area_m2) : ''].filter(Boolean).join(' · '), sides.length ? [' · ', t('history.otherside'), ' ', sides.map((x, i) => [i ? ', ' : '', h('a', { href: '#/history/' + enc(x.id) }, name(x.name || x.id))])] : ''),
    h('div', { class: 'cols' }, h('div', null,
      cs.length ? h('ul', { class: 'rows' }, cs.map((c) => h('li', { key: c.id }, h('a', { href: '#/coat/' + enc(c.id) }, h('span', null, h('b', null, cap(word('kind.', c.kind))), ', ', name(c.resin), ', ', timeEl(ms(c.applied_at), true)), h('span', null, c.open === false ? t('history.ended') : c.flag ? word('flag.', c.flag) : ''))))) : h('p', { class: 'why' }, t('history.nothing'))),
    h('div', null, h(Bill, { piece: p.piece || id }), h('h2', null, t('history.record')), h('p', { class: 'why' }, t('history.record.why')),
      h('div', { class: 'do' }, h('a', { class: 'btn first', href: rec('html'), target: '_blank', rel: 'noopener' }, t('history.print')), h('a', { class: 'btn', href: rec('csv'), download: id + '.csv' }, t('history.csv')), h('a', { class: 'btn', href: rec('json'), download: id + '.json' }, t('history.json'))),
      h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/on/' + enc(id) }, t('history.on')), h('a', { class: 'btn', href: '#/panel/' + enc(id) }, t('panel.change')), p.piece && h('a', { class: 'btn', href: '#/piece/' + enc(p.piece) }, t('piece.change'))))));
}

const label = (c) => `${panelName(c.panel)}, ${word('kind.', c.kind)}, ${clock(ms(c.applied_at), true)}`;

function Compare({ all }) {
  const list = all.slice().sort((a, b) => ms(b.applied_at) - ms(a.applied_at)).slice(0, 60);
  const [a, setA] = useState(list[0] && list[0].id), [b, setB] = useState(list[1] && list[1].id), [both, setBoth] = useState(null);
  if (list.length < 2) return h('p', { class: 'small' }, t('compare.two'));
  const sel = (k, v, set) => h('div', { class: 'field' }, h('label', { for: 'cmp' + k }, t('compare.' + k)), h('select', { id: 'cmp' + k, value: v, onchange: (ev) => set(ev.target.value) }, list.map((c) => h('option', { key: c.id, value: c.id, translate: false }, label(c)))));
  const go = async () => {
    const ca = list.find((c) => c.id === a), cb = list.find((c) => c.id === b);
    const one = async (c) => {
      const t0 = ms(c.applied_at);
      const pts = rows(await get(`/coats/${enc(c.id)}/trace?from=${enc(iso(t0))}&to=${enc(iso(t0 + 48 * HOUR))}&points=193`), 'points');
      return new Map(pts.filter((p) => !p.forecast).map((p) => [Math.round((ms(p.at) - t0) / 900e3), p]));
    };
    try {
      const [pa, pb] = await Promise.all([one(ca), one(cb)]);
      setBoth({ ca, cb, pa, pb, key: a + ' ' + b });
    } catch (e) {
      setBoth({ err: e.message });
    }
  };
  return h('div', null, sel('a', a, setA), sel('b', b, setB), h('div', { class: 'do' }, h('button', { type: 'button', onclick: go }, t('compare.go'))), both && (both.err ? h('p', { class: 'err' }, both.err) : h(Both, { key: both.key, ...both })));
}

function Both({ ca, cb, pa, pb }) {
  const n = Math.max(...pa.keys(), ...pb.keys(), 1), xs = Array.from({ length: n + 1 }, (_, i) => i * 0.25);
  const v = (m) => xs.map((_, i) => { const p = m.get(i); return p && p.alpha ? p.alpha.p50 * 100 : null; });
  const after = (c, k) => { const at = c.events && c.events[k] && ms(c.events[k].p50); return at ? t('compare.after', { span: span(at - ms(c.applied_at)) }) : t('unknown'); };
  return [h(Chart, { key: 'c', title: t('compare.title'), legend: [['graph', null, false, name(label(ca))], ['ink', '6 4', false, name(label(cb))]], xs: xs.map((x) => x * HOUR), series: [{ label: t('compare.a'), ys: v(pa), say: (x) => t('compare.say.a', { n: num(x) }) }, { label: t('compare.b'), ys: v(pb), color: 'ink', dash: [6, 4], say: (x) => t('compare.say.b', { n: num(x) }) }], opt: { plain: true, range: () => [0, 100], height: 230, aria: t('compare.title') } }),
    h(Table, { key: 't', heads: ['', name(label(ca)), name(label(cb))], rows: ['tacky', 'green', 'recoat_closes', 'hard'].map((k) => [t('event.' + k), after(ca, k), after(cb, k)]) })];
}
