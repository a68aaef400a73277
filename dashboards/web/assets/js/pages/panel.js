// SPDX-License-Identifier: Apache-2.0
// A panel: new, or changed; with its probe, or without one on purpose.
import { h } from '../lib.js';
import { S, changed, panelName, panelOf } from '../state.js';
import { area } from '../say.js';
import { enc, entry } from '../acts.js';
import { Choices, Field, Hold, Slip, Stepper, Wrong, useDraft } from '../form.js';
import { t } from '../text.js';

export const ownFoot = true;
export const CORES = ['foam', 'wood', 'honeycomb', 'metal', 'laminate'];
export const slug = (x) => x.trim().toLowerCase().normalize('NFKD').replace(/[^a-z0-9]+/g, '-').replace(/^-|-$/g, '');
export const probesFor = (role) => ((S.snap && S.snap.probes) || []).filter((p) => (role === 'panel' ? p.role !== 'outdoor' && p.role !== 'air' && p.role !== 'pot' && p.role !== 'tent' : p.role === 'air' || p.role === '' || p.role === 'tent'));
// usual offers the one panel probe that there is, and the shop's air.
export function usual() {
  const surface = probesFor('panel').filter((p) => p.role === 'panel' && !p.panel);
  return { probe: surface.length === 1 ? surface[0].id : '', air: (probesFor('air').find((p) => p.role === 'air') || { id: 'none' }).id };
}
export const probeList = (role, none, self) => [...probesFor(role).map((p) => ({ value: p.id, text: p.name || p.id, said: true, sub: p.panel && p.panel !== self ? t('panel.on', { panel: panelName(p.panel) }) : null })), { value: 'none', text: none }];

export default function Panel({ name: route, rest, args }) {
  if (route === 'piece') return h(Piece, { id: rest[0] });
  const id = rest[0], old = id && panelOf(id);
  const [d, set, done] = useDraft('panel:' + (id || ''), () => (old ? { name: old.name || old.id, core: old.core || 'foam', probe: old.probe || 'none', air: old.air || 'none', area_m2: old.area_m2 || 1, piece: old.piece || '' } : { name: '', core: 'foam', ...usual(), area_m2: 1, piece: '' }));
  const save = async () => {
    const nid = id || slug(d.name);
    if (!nid) throw new Wrong('id', t('panel.noname'));
    if (!d.probe) throw new Wrong('probe', t('panel.noprobe'));
    const body = { name: d.name.trim(), core: d.core, area_m2: d.area_m2 };
    if (d.probe !== 'none') body.probe = d.probe; else if (old) body.probe = null;
    body.no_probe = d.probe === 'none';
    if (d.air !== 'none') body.air = d.air;
    if (d.piece && (!old || d.piece !== old.piece)) body.piece = d.piece;
    if (old) {
      const undo = { name: old.name || null, core: old.core || null, area_m2: old.area_m2 ?? null, probe: old.probe || null, air: old.air || null, no_probe: !!old.no_probe };
      await entry({ key: d.key, method: 'PATCH', path: '/panels/' + enc(id), body, say: t('panel.changed', { name: body.name }), back: () => ['PATCH', '/panels/' + enc(id), undo] });
    } else {
      await entry({ key: d.key, path: '/panels', body: { id: nid, ...body }, say: t('panel.added', { name: body.name }), back: () => ['DELETE', '/panels/' + enc(nid)] });
      if (!panelOf(nid)) S.panels = [...S.panels, { id: nid, piece: nid, ...body }];
    }
    done();
    location.hash = old ? '#/history/' + enc(id) : args.then === 'on' ? '#/on/' + enc(nid) : '#/';
    changed();
  };
  return h(Slip, { title: t(old ? 'panel.change' : 'panel.new'), sub: t('panel.sub'), button: t(old ? 'save' : 'panel.add'), backTo: old ? '#/history/' + enc(id) : '#/', save },
    h(Field, { label: t('panel.call'), field: 'id', value: d.name, onInput: (v) => set({ name: v }), hint: t('panel.eg'), autocapitalize: 'sentences' }),
    h(Choices, { label: t('panel.core'), field: 'core', list: CORES.map((v) => ({ value: v, text: t('core.' + v) })), value: d.core, onPick: (core) => set({ core }) }),
    h(Choices, { label: t('panel.probe'), field: 'probe', cls: 'two', list: probeList('panel', t('panel.probe.none'), id), value: d.probe, onPick: (probe) => set({ probe }) }),
    h(Choices, { label: t('panel.air'), field: 'air', cls: 'two', list: probeList('air', t('none'), id), value: d.air, onPick: (air) => set({ air }) }),
    h('fieldset', { 'data-field': 'area_m2' }, h('legend', null, t('panel.area')), h(Stepper, { label: t('panel.area'), value: d.area_m2, set: (v) => set({ area_m2: Math.round(v * 100) / 100 }), step: d.area_m2 < 0.5 ? 0.05 : 0.1, min: 0.05, max: 200, say: area })),
    S.pieces.length > 0 && h(Choices, { label: t('panel.piece'), field: 'piece', cls: 'two', list: [{ value: '', text: t('panel.piece.own') }, ...S.pieces.map((p) => ({ value: p.id, text: p.name || p.id, said: true }))], value: d.piece, onPick: (piece) => set({ piece }) }),
    old && h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('panel.remove'), onHeld: () => entry({ method: 'DELETE', path: '/panels/' + enc(id), say: t('panel.removed', { name: d.name }), back: () => ['POST', '/panels', { id, ...old }] }).then(() => { location.hash = '#/history'; }) })));
}

function Piece({ id }) {
  const old = S.pieces.find((p) => p.id === id) || { id };
  const [d, set, done] = useDraft('piece:' + id, () => ({ name: old.name || id }));
  const save = async () => {
    const has = S.pieces.some((p) => p.id === id), body = { name: d.name.trim() };
    if (has) await entry({ key: d.key, method: 'PATCH', path: '/pieces/' + enc(id), body, say: t('piece.changed', { name: body.name }), back: () => ['PATCH', '/pieces/' + enc(id), { name: old.name || null }] });
    else await entry({ key: d.key, path: '/pieces', body: { id, ...body }, say: t('piece.changed', { name: body.name }), back: () => ['DELETE', '/pieces/' + enc(id)] });
    done();
    location.hash = '#/history';
  };
  return h(Slip, { title: t('piece.change'), sub: t('piece.sides', { n: S.panels.filter((p) => p.piece === id).length }), button: t('save'), backTo: '#/history', save },
    h(Field, { label: t('panel.call'), field: 'name', value: d.name, onInput: (v) => set({ name: v }) }));
}
