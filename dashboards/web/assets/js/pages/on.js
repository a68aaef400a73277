// SPDX-License-Identifier: Apache-2.0
// A coat that no job asked for: which panel, what kind, from which cups.
import { h } from '../lib.js';
import { S, coats, iso, ms, now, panelName } from '../state.js';
import { HOUR, cap, clock, grams, name } from '../say.js';
import { enc, entry } from '../acts.js';
import { enter, key } from '../line.js';
import { Choices, Slip, When, Wrong, moment, useDraft } from '../form.js';
import { COVERS, KINDS, NEXTS } from './coat.js';
import { CLOTHS, clothText } from './other.js';
import { ResinChoices, soleResin } from './mixed.js';
import Panel from './panel.js';
import { t, word } from '../text.js';

export const ownFoot = true;
const USUAL = { 'tack coat': 'cloth', 'wet-out': 'fill', 'fill coat': 'coat', bond: 'none', seal: 'coat' };

// The cups that may have gone on: those still running, and the last one mixed
// here, which may not have reached the board yet.
function cups() {
  const out = ((S.snap && S.snap.cups) || []).map((c) => ({ ref: c.batch, resin: c.resin, mixed: c.mixed, grams: c.grams }));
  let mine = null;
  try {
    mine = JSON.parse(localStorage.getItem('last:batch') || 'null');
  } catch { mine = null; }
  const waits = mine && S.queue.some((q) => 'local:' + q.key === mine.ref);
  if (mine && !out.some((c) => c.ref === mine.ref) && now() - ms(mine.mixed) < (waits ? 2 : 0.5) * HOUR) out.unshift(mine);
  return out.sort((a, b) => ms(b.mixed) - ms(a.mixed));
}

export default function On({ rest, args }) {
  if (!S.panels.length) return h(Panel, { name: 'panel', rest: [], args: { then: 'on' } });
  return h(OnPanel, { asked: rest[0], kind: args.kind || '' });
}

function OnPanel({ asked, kind }) {
  const list = cups(), open = coats();
  const [d, set, done] = useDraft('on:' + (asked || '') + ':' + kind, () => {
    const p = asked || localStorage.getItem('last:panel') || '';
    return { panel: S.panels.some((x) => x.id === p) ? p : S.panels[0].id, kind, cups: list[0] ? [list[0].ref] : [], resin: list[0] ? list[0].resin : soleResin(), next: USUAL[kind] || '', picked: false, keep: [], share: '1', cloth: '', cover: 'none', lot: '', at: null };
  });
  const under = open.filter((e) => e.panel === d.panel).sort((a, b) => ms(b.applied_at) - ms(a.applied_at))[0];
  const used = d.cups.filter((x) => list.some((c) => c.ref === x));
  const save = async () => {
    if (!d.kind) throw new Wrong('kind', t('on.kind.missing'));
    const body = { panel: d.panel, resin: d.resin, kind: d.kind, applied: moment(d.at) };
    if (used.length) body.batches = used;
    if (d.next) body.next = d.next;
    if (d.cloth) body.cloth = [{ name: d.cloth.split(' ')[0], g_m2: +d.cloth.split(' ')[1], laid: body.applied }];
    if (d.cover !== 'none') body.cover = d.cover;
    if (d.share !== '1') body.share = +d.share;
    const what = t('said.on', { kind: word('kind.', d.kind), panel: panelName(d.panel), at: clock(ms(body.applied), true) });
    await entry({ key: d.key, path: '/coats', body, say: what, back: (ref) => ['DELETE', '/coats/' + ref] });
    // What was rolled on is out of its cup, or some of it is for a witness or
    // another panel.
    for (const b of used) if (d.keep.includes(b)) await enter({ key: key(), method: 'PATCH', path: '/batches/' + enc(b), body: { kept: true, ended: null }, say: t('on.kept') });
    else await enter({ key: key(), method: 'POST', path: `/batches/${enc(b)}/end`, body: { at: iso(Math.max(ms(body.applied), ms((list.find((c) => c.ref === b) || {}).mixed) + 1000)) }, say: t('act.used') });
    localStorage.removeItem('last:batch');
    localStorage.setItem('last:panel', d.panel);
    done();
    location.hash = '#/';
  };
  return h(Slip, { title: asked ? t('on.panel', { panel: name(panelName(asked)) }) : t('bar.on'), button: t("button.It's on"), save },
    !asked && [h(Choices, { label: t('on.which'), field: 'panel', cls: 'two', list: S.panels.map((p) => ({ value: p.id, text: p.name || p.id, said: true })), value: d.panel, onPick: (panel) => set({ panel }) }), h('p', null, h('a', { class: 'plain', href: '#/panel?then=on' }, t('panel.new')))],
    h(Choices, { label: t('coat.kind'), field: 'kind', cls: 'two', list: KINDS.map((v) => ({ value: v, text: cap(word('kind.', v)), sub: t('kindsub.' + v) })), value: d.kind, onPick: (v) => set({ kind: v, ...(d.picked ? {} : { next: USUAL[v] }) }) }),
    list.length > 0 && h(Choices, { label: t('on.cups'), field: 'batches', many: true, cls: 'two', value: used, list: list.map((c) => ({ value: c.ref, text: c.resin, said: true, sub: t('cup.mixed', { at: clock(ms(c.mixed), true) }) + (c.grams ? ', ' + grams(c.grams) : '') })), onPick: (v) => set({ cups: v, resin: (list.find((c) => c.ref === v[0]) || d).resin }) }),
    used.length > 0 && h(Choices, { label: t('other.keep'), field: 'keep', many: true, cls: 'two', value: d.keep.filter((x) => used.includes(x)), list: list.filter((c) => used.includes(c.ref)).map((c) => ({ value: c.ref, text: c.grams ? t('other.keep.cup', { grams: grams(c.grams) }) : name(c.resin) })), onPick: (keep) => set({ keep }) }),
    used.length === 0 && h(ResinChoices, { value: d.resin, onPick: (resin) => set({ resin }) }),
    h(Choices, { label: t('other.share'), field: 'share', list: [['1', 'share.all'], ['0.5', 'share.half'], ['0.33', 'share.third']].map(([value, k]) => ({ value, text: t(k) })), value: d.share, onPick: (share) => set({ share }), cls: 'three' }),
    h(Choices, { label: t('on.cloth'), field: 'cloth', cls: 'two', list: [{ value: '', text: t('cloth.none') }, ...CLOTHS.map((c) => ({ value: c, text: clothText(c) }))], value: d.cloth, onPick: (cloth) => set({ cloth }) }),
    h(Choices, { label: t('coat.cover'), field: 'cover', cls: 'two', list: COVERS.map((v) => ({ value: v, text: t('cover.' + v) })), value: d.cover, onPick: (cover) => set({ cover }) }),
    h(Choices, { label: t('coat.next'), field: 'next', cls: 'two', list: NEXTS.map((v) => ({ value: v, text: t('nextkind.' + v) })), value: d.next, onPick: (next) => set({ next, picked: true }) }),
    h(When, { label: t('on.when'), at: d.at, onPick: (at) => set({ at }), field: 'applied' }),
    under ? h('p', { class: 'small' }, t('on.under', { kind: word('kind.', under.kind), at: clock(ms(under.applied_at), true) })) : null);
}
