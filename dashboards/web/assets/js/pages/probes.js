// SPDX-License-Identifier: Apache-2.0
// Probes: how each does, what went wrong, its name and its place.
import { h } from '../lib.js';
import { S, ms, panelName } from '../state.js';
import { Said, cap, clock, name, num, temp } from '../say.js';
import { call, refresh } from '../line.js';
import { enc, say, tell } from '../acts.js';
import { Choices, Field, Hold, Slip, useDraft } from '../form.js';
import { stop, t, word } from '../text.js';

const ROLES = ['air', 'panel', 'pot', 'outdoor', 'tent', ''];

export default function Probes({ rest }) {
  if (!S.snap) return h('div', { class: 'page' }, h('h1', null, t('page.probes')), h('p', null, t('line.asking')));
  if (rest[0]) return h(Edit, { id: rest[0] });
  const list = [...S.snap.probes].sort((a, b) => (a.state === 'ok') - (b.state === 'ok') || a.accepted - b.accepted);
  return h('div', { class: 'page wide' }, h('h1', null, t('page.probes')),
    list.length === 0 ? h(How, { first: true }) : null,
    h('ul', { class: 'rows two' }, list.map((p) => h('li', { key: p.id }, h(Item, { p })))),
    list.length > 0 && h('details', null, h('summary', null, t('probes.add')), h(How)));
}

function value(p) {
  const v = p.now;
  if (!v) return h('b', { class: 'none' }, t('none.reading'));
  return h('b', null, [temp(v.temp_c), v.rh_pct != null ? num(v.rh_pct) + '\u202f%' : '', v.co2_ppm != null ? t('unit.ppm', { n: num(v.co2_ppm) }) : ''].filter(Boolean).join(', '));
}

function Item({ p }) {
  const errs = Object.entries(p.errors || {}).filter(([, n]) => n > 0), id = p.id;
  const about = [p.role === 'panel' && p.panel ? t('panel.on', { panel: panelName(p.panel) }) : t('role.' + (p.role || 'none')), id !== p.name ? id : '', p.driver, p.bus].filter(Boolean).join(' · ');
  return h('div', { class: 'item side' }, h('div', null, h('h2', null, name(p.name || id)),
    h('p', null, value(p), ' · ', p.state === 'ok' ? t('probe.ok') : h('b', { class: 'none' }, word('probe.short.', p.state)), p.now || !ms(p.last_at) ? '' : ', ' + t('probe.lastheard', { at: clock(ms(p.last_at), true) }), p.last && !p.now && p.last.temp_c !== null ? ' ' + t('probe.lastat', { temp: temp(p.last.temp_c) }) : ''),
    h('p', { class: 'small' }, h(Said, null, about), p.locked ? ' · ' + t('probe.locked') : ''),
    !p.accepted && h('p', { class: 'why' }, t('probe.notyet'))),
    h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/probes/' + enc(id), 'aria-label': t(p.accepted ? 'probe.place' : 'strange.name') + ': ' + (p.name || id) }, t(p.accepted ? 'probe.place' : 'strange.name'))),
    p.error && h('p', { class: 'why' }, h(Said, null, cap(stop(p.error)), ' ', p.hint ? cap(stop(p.hint)) : '')),
    errs.length > 0 && h('p', { class: 'small' }, t('probe.since', { n: p.taken, errs: errs.map(([k, n]) => `${n} ${word('probe.err.', k)}`).join(', ') })));
}

const How = ({ first }) => h('div', null, h('p', { class: first ? 'say' : 'why' }, t(first ? 'probes.none' : 'probes.plug')), h('p', { class: 'why' }, t('probes.board')), h('p', { class: 'why' }, t('probes.radio')), h('p', { class: 'why' }, t('probes.where')));

function Edit({ id }) {
  const p = S.snap.probes.find((x) => x.id === id);
  const [d, set, done] = useDraft('probe:' + id, () => ({ name: p && (p.accepted || p.name !== id) ? p.name : '', role: (p && p.role) || '', panel: (p && p.panel) || '' }));
  if (!p) return h('div', { class: 'page' }, h('a', { class: 'back', href: '#/probes' }, t('page.probes')), h('h1', null, t('probes.no')));
  const save = async () => {
    const body = p.accepted ? {} : { accepted: true };
    if (!p.locked && d.name.trim() && d.name.trim() !== p.name) body.name = d.name.trim();
    if (d.role !== p.role) body.role = d.role;
    const panel = d.role === 'panel' ? d.panel : '';
    if (panel !== (p.panel || '')) body.panel = panel;
    if (Object.keys(body).length) await call('PUT', '/probes/' + enc(id), body);
    done();
    await refresh();
    say(t('saved'));
    location.hash = '#/probes';
  };
  return h(Slip, { title: name(p.name || id), sub: h(Said, null, [id, p.driver, p.bus].filter(Boolean).join(' · ')), button: t(p.accepted ? 'save' : 'probe.accept'), backTo: '#/probes', save },
    h('p', null, t('probe.says', { value: value(p) })), p.locked ? h('p', { class: 'why' }, t('probe.locked.why')) : null,
    h(Field, { label: t('panel.call'), field: 'name', value: d.name, onInput: (v) => set({ name: v }), disabled: p.locked }),
    h(Choices, { label: t('probe.where'), field: 'role', cls: 'two', list: ROLES.map((v) => ({ value: v, text: t('role.' + (v || 'none')) })), value: d.role, onPick: (role) => set({ role }) }),
    d.role === 'panel' && h(Choices, { label: t('on.which'), field: 'panel', cls: 'two', list: [...S.panels.map((x) => ({ value: x.id, text: x.name || x.id, said: true })), { value: '', text: t('probe.nopanel') }], value: d.panel, onPick: (panel) => set({ panel }) }),
    p.accepted && !p.wired ? h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('probe.shut'), onHeld: () => tell('shut', async () => { await call('PUT', '/probes/' + enc(id), { accepted: false }); done(); await refresh(); location.hash = '#/probes'; }) })) : null);
}
// The list has the bar, the form its own button.
export const ownFoot = ({ rest }) => !!rest[0];
