// Probes: how each does, what went wrong, its name and its place.
import { h, morphKids, fill } from './dom.js';
import { S, panelName, ms } from './state.js';
import { temp, num, clock, cap } from './say.js';
import { call, refresh, Refused } from './net.js';
import { choices, field, faults, draft } from './form.js';
import { toast } from './act.js';

const STATE = { ok: 'well', waiting: 'not spoken yet', stale: 'gone quiet', missing: 'not found', stuck: 'stuck at one value', implausible: 'not believed' };
const ROLES = [['air', 'Shop air'], ['panel', 'On a panel'], ['pot', 'In the cup'], ['outdoor', 'Outdoors'], ['tent', 'Tent air'], ['', 'Not said']];
const REASON = { absent: 'not found', wrong_device: 'another part answers', checksum: 'garbled', power_on: 'fresh power-on value', range: 'outside its range', jump: 'jumped', stuck: 'stuck', timeout: 'no answer in time', stale: 'too old', bus: 'wiring fault', doubted: 'not believed yet', other: 'other' };

let open = null; // the probe being changed

export function draw(main, r) {
  open = r.rest[0] || null;
  if (open) return edit(main, open);
  fill(main, h('div', { class: 'page' }, h('div', { class: 'body' })));
  live(main);
  return undefined;
}

export function live(main) {
  const box = main.querySelector('.body');
  if (open || !box || !S.snap) return;
  const list = [...S.snap.probes].sort((a, b) => (a.state === 'ok') - (b.state === 'ok') || a.accepted - b.accepted);
  morphKids(box, [h('h1', null, 'Probes'),
    list.length === 0 ? how() : null,
    h('ul', { class: 'rows' }, list.map((p) => h('li', { 'data-key': p.id }, item(p)))),
    list.length > 0 && h('details', null, h('summary', null, 'Add a probe'), how())]);
}

function value(p) {
  const v = p.now;
  if (!v) return h('b', { class: 'none' }, 'no reading');
  return h('b', null, [temp(v.temp_c), v.rh_pct !== null && v.rh_pct !== undefined ? num(v.rh_pct) + '\u202f%' : '', v.co2_ppm !== null && v.co2_ppm !== undefined ? num(v.co2_ppm) + '\u202fppm CO₂' : ''].filter(Boolean).join(', '));
}

function item(p) {
  const errs = Object.entries(p.errors || {}).filter(([, n]) => n > 0);
  const role = (ROLES.find(([k]) => k === p.role) || ['', 'Not said'])[1];
  return h('div', { class: 'item' }, h('h2', null, p.name || p.id),
    h('p', null, value(p), ' · ', p.state === 'ok' ? 'well' : h('b', { class: 'none' }, STATE[p.state] || p.state), p.now || !ms(p.last_at) ? '' : `, last heard ${clock(ms(p.last_at), true)}`, p.last && !p.now && p.last.temp_c !== null ? ` at ${temp(p.last.temp_c)}` : ''),
    h('p', { class: 'small' }, [p.role === 'panel' && p.panel ? 'On ' + panelName(p.panel) : role, p.id !== p.name ? p.id : '', p.driver, p.bus, p.locked ? 'named in the configuration file' : ''].filter(Boolean).join(' · ')),
    !p.accepted && h('p', { class: 'why' }, h('b', null, 'Not accepted yet: '), 'nothing counts until you name it.'),
    p.error && h('p', { class: 'why' }, cap(p.error.replace(/^probe [^:]+: /, '')) + '. ', p.hint ? cap(p.hint) + '.' : ''),
    errs.length > 0 && h('p', { class: 'small' }, 'Since start: ', `${p.taken} good; `, errs.map(([k, n]) => `${n} ${REASON[k] || k}`).join(', '), '.'),
    h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/probes/' + encodeURIComponent(p.id), 'aria-label': (p.accepted ? 'Change ' : 'Name ') + (p.name || p.id) }, p.accepted ? 'Name and place' : 'Name it')));
}

function how() {
  return h('div', null,
    h('p', { class: S.snap.probes.length ? 'why' : 'say' }, S.snap.probes.length ? 'Plug it in: it shows up here within a minute.' : 'No probe is found yet.'),
    h('p', { class: 'why' }, 'On the board: plug an air probe into the I²C socket and a surface probe onto the 1-wire pin, or start with one of them. “curewright probes” lists what the board can see and why not.'),
    h('p', { class: 'why' }, 'By radio or from another machine: post readings to this address and the probe shows up here to be named.'),
    h('p', { class: 'why' }, 'Where it goes: on the witness, an offcut of the same core beside the panel, under tape on its face; the air probe at panel height, out of the sun.'));
}

function edit(main, id) {
  const p = S.snap && S.snap.probes.find((x) => x.id === id);
  if (!p) {
    fill(main, h('div', { class: 'page' }, h('a', { class: 'back', href: '#/probes' }, 'Probes'), h('h1', null, 'No such probe')));
    return;
  }
  const { d, save, done } = draft('probe:' + id, { name: p.name === p.id && !p.accepted ? '' : p.name, role: p.role || '', panel: p.panel || '' });
  const name = h('input', { type: 'text', value: d.name, disabled: p.locked, autocomplete: 'off', oninput: (ev) => { d.name = ev.target.value; save(); } });
  const panels = h('div');
  const showPanels = () => fill(panels, d.role === 'panel' ? choices('On which panel', [...S.panels.map((x) => ({ value: x.id, text: x.name || x.id })), { value: '', text: 'None yet' }], d.panel, (v) => { d.panel = v; save(); }, { field: 'panel', cls: 'two' }) : '');
  showPanels();
  const form = h('form', { class: 'page', novalidate: true }, h('a', { class: 'back', href: '#/probes' }, 'Probes'), h('h1', null, p.name || p.id), h('p', { class: 'small' }, [p.id, p.driver, p.bus].filter(Boolean).join(' · ')), h('p', null, 'It says ', value(p), '. Warm it with a finger to be sure which one it is.'),
    p.locked ? h('p', { class: 'why' }, 'Its name stands in the configuration file, which wins.') : null,
    field('What do you call it?', 'name', name), choices('Where is it', ROLES.map(([value, text]) => ({ value, text })), d.role, (v) => { d.role = v; save(); showPanels(); }, { field: 'role', cls: 'two' }), panels,
    h('p', { class: 'err foot', role: 'alert' }),
    h('div', { class: 'do' }, h('button', { type: 'submit', class: 'first ink' }, p.accepted ? 'Save' : 'Accept it'),
      p.accepted && !p.wired ? h('button', { type: 'button', class: 'hold quiet', onheld: async () => { try { await call('PUT', '/probes/' + encodeURIComponent(id), { accepted: false }); done(); await refresh(); location.hash = '#/probes'; } catch (e) { toast(e.message); } } }, h('span', null, 'Hold: no longer accept it')) : null));
  form.addEventListener('submit', async (ev) => {
    ev.preventDefault();
    faults(form, []);
    const body = { accepted: true };
    if (!p.locked && d.name.trim() && d.name.trim() !== p.name) body.name = d.name.trim();
    if (d.role !== p.role) body.role = d.role;
    const panel = d.role === 'panel' ? d.panel : '';
    if (panel !== (p.panel || '')) body.panel = panel;
    if (p.accepted) delete body.accepted;
    try {
      if (Object.keys(body).length) await call('PUT', '/probes/' + encodeURIComponent(id), body);
      done();
      await refresh();
      toast('Saved.');
      location.hash = '#/probes';
    } catch (e) {
      faults(form, e instanceof Refused ? e.faults : [{ what: e.message + '; what you typed is still here' }]);
    }
  });
  fill(main, form);
}

