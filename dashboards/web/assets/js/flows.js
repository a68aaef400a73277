// What you did, told with one thumb: mixed, on the panel, finger test, cloth is
// in, a new panel, tonight's low.
import { h, $, fill } from './dom.js';
import { S, now, coats, panelName, resinByName, ms, changed } from './state.js';
import { clock, grams, FINGER, STATES, WORD, temp, unit, toUnit, fromUnit, minus, deg } from './say.js';
import { enter, call, get, lists, key } from './net.js';
import { draft, choices, stepper, when, moment, slip, field, faults } from './form.js';
import { toast, back, soon } from './act.js';

const last = (k, d) => localStorage.getItem('last:' + k) || d;
const keep = (k, v) => localStorage.setItem('last:' + k, v);
const kept = (r) => (r.kept ? ' Kept on this phone, will send.' : '');
const enc = encodeURIComponent;

async function need() {
  if (S.panels.length && S.resins.length) return;
  await lists().catch(() => {});
}

export async function draw(main, r) {
  if (r.name === 'low') return low(main);
  await need();
  if (r.name === 'mixed') return mixed(main);
  if (r.name === 'panel') return panel(main, r.args);
  if (r.name === 'on') return S.panels.length ? on(main, r) : panel(main, { then: 'on' });
  if (r.name === 'feel') return feel(main, r.rest[0]);
  if (r.name === 'cloth') return cloth(main, r.rest[0]);
  return undefined;
}

const resinChoices = (d, save, refresh) => choices('Which epoxy', S.resins.map((x) => ({ value: x.name, text: x.name, sub: x.generic ? 'generic, fit your own' : null })), d.resin, (v) => {
  d.resin = v;
  save();
  refresh && refresh();
}, { field: 'resin', cls: S.resins.length === 3 ? 'three' : '' });

const soleResin = () => {
  const was = last('resin', '');
  return resinByName(was) ? was : S.resins.length === 1 ? S.resins[0].name : (S.resins.find((x) => !x.generic) || S.resins[0] || {}).name || '';
};

// --- mixed -----------------------------------------------------------------

function mixed(main) {
  const { d, save, done } = draft('mixed', { resin: soleResin(), resin_g: +last('resin_g', 100), hardener_g: null, touched: false, weighed: true, shape: last('shape', 'cup'), ago: 0 });
  const ratio = () => (resinByName(d.resin) || {}).ratio_by_weight || null;
  const want = () => { const q = ratio(); return q ? Math.round((d.resin_g * q[1]) / q[0]) : null; };
  const hint = h('p', { class: 'small', role: 'status' });
  const follow = () => {
    if (!d.touched) d.hardener_g = want();
    const w = want(), tol = (resinByName(d.resin) || {}).ratio_tolerance_pct;
    if (!ratio()) hint.textContent = 'This epoxy has no mix ratio here: go by its sheet, enter what the scale said.';
    else if (d.hardener_g !== null && Math.abs(d.hardener_g - w) > Math.max(1, (w * (tol ?? 5)) / 100)) hint.textContent = `The sheet wants ${grams(w)} to ${grams(d.resin_g)}: this is ${minus(Math.round((d.hardener_g / w - 1) * 100))} % off.`;
    else hint.textContent = `By weight ${ratio()[0]} to ${ratio()[1]}. In all ${grams(d.resin_g + (d.hardener_g || 0))}.`;
    save();
  };
  const hard = stepper('grams of hardener', { get: () => d.hardener_g, set: (v) => { d.hardener_g = v; d.touched = true; follow(); }, step: 1, min: 0, max: 5000, say: (v) => grams(v) + ' hardener', none: 'hardener not set' });
  const res = stepper('grams of resin', { get: () => d.resin_g, set: (v) => { d.resin_g = v; follow(); hard.refresh(); }, step: 10, min: 10, max: 5000, say: (v) => grams(v) + ' resin' });
  const amount = h('div', { 'data-field': 'resin_g hardener_g' });
  const presets = choices('How much resin, by the scale', [...[50, 100, 150, 200, 300].map((g) => ({ value: String(g), text: grams(g) })), { value: 'no', text: 'Not weighed' }], d.weighed ? String(d.resin_g) : 'no', (v) => {
    d.weighed = v !== 'no';
    if (d.weighed) d.resin_g = +v;
    amount.hidden = !d.weighed;
    follow();
    res.refresh();
    hard.refresh();
  }, { field: 'grams', cls: 'three' });
  amount.append(res, hard, hint, h('p', { class: 'err', role: 'alert' }));
  amount.hidden = !d.weighed;
  follow();
  hard.refresh();
  slip(main, {
    title: 'Mixed', button: 'Mixed', parts: [
      resinChoices(d, save, () => { d.touched = false; follow(); hard.refresh(); }), presets, amount,
      choices('In what', [{ value: 'cup', text: 'Cup' }, { value: 'tray', text: 'Tray', sub: 'stays cooler' }, { value: 'bond', text: 'Thick, for a joint' }], d.shape, (v) => { d.shape = v; save(); }, { field: 'shape', cls: 'three' }),
      when(d, save, 'When did you begin to mix', { field: 'mixed' })],
    async save() {
      const body = { resin: d.resin, mixed: moment(d), shape: d.shape };
      if (d.weighed) {
        body.resin_g = d.resin_g;
        if (d.hardener_g !== null) body.hardener_g = d.hardener_g;
      }
      const r = await enter({ key: d.key, method: 'POST', path: '/batches', body, say: 'cup of ' + d.resin + ' mixed ' + clock(ms(body.mixed), true) });
      keep('resin', d.resin);
      keep('shape', d.shape);
      if (d.weighed) keep('resin_g', d.resin_g);
      keep('batch', JSON.stringify({ ref: r.id || 'local:' + r.key, resin: d.resin, mixed: body.mixed }));
      done();
      const ref = r.id || 'local:' + r.key;
      toast('Mixed.' + kept(r), back(r, 'DELETE', '/batches/' + (r.id ? enc(r.id) : ref), undefined, 'undo: mixed'));
      location.hash = '#/';
      soon();
    },
  });
}

// --- on the panel ----------------------------------------------------------

// The cups that may have gone on: those still running, and the last one mixed
// here, which may not have reached the board yet.
function cups() {
  const out = ((S.snap && S.snap.cups) || []).map((c) => ({ ref: c.batch, resin: c.resin, mixed: c.mixed, grams: c.grams }));
  let mine = null;
  try {
    mine = JSON.parse(last('batch', 'null'));
  } catch { mine = null; }
  if (mine && !out.some((c) => c.ref === mine.ref) && now() - ms(mine.mixed) < 2 * 3600e3 && S.queue.some((q) => 'local:' + q.key === mine.ref)) out.unshift(mine);
  return out.sort((a, b) => ms(b.mixed) - ms(a.mixed));
}

const KINDS = [
  { value: 'tack coat', text: 'Tack coat', sub: 'for cloth pressed into it' },
  { value: 'wet-out', text: 'Wet-out', sub: 'with cloth, or filling its weave' },
  { value: 'fill coat', text: 'Fill coat', sub: 'over glass that is still soft' },
  { value: 'bond', text: 'Bond', sub: 'thickened' },
  { value: 'seal', text: 'Seal' },
];
const NEXT = [
  { value: 'cloth', text: 'Cloth into it', sub: 'once tacky' },
  { value: 'wet', text: 'Wet on wet' },
  { value: 'coat', text: 'Another coat' },
  { value: 'fill', text: 'Fill coat', sub: 'once no stick' },
  { value: 'none', text: 'Nothing' },
];
const USUAL = { 'tack coat': 'cloth', 'wet-out': 'fill', 'fill coat': 'coat', bond: 'none', seal: 'coat' };

function on(main, r) {
  const asked = r.rest[0];
  const open = coats();
  const firstPanel = asked || last('panel', '') || S.panels[0].id;
  const list = cups();
  const { d, save, done } = draft('on:' + (asked || '') + ':' + (r.args.kind || ''), {
    panel: S.panels.some((p) => p.id === firstPanel) ? firstPanel : S.panels[0].id,
    kind: r.args.kind || '', cup: list[0] ? list[0].ref : 'none', resin: list[0] ? list[0].resin : soleResin(), next: '', ago: 0, close: true,
  });
  if (d.cup !== 'none' && !list.some((c) => c.ref === d.cup)) d.cup = list[0] ? list[0].ref : 'none';
  const under = () => open.filter((e) => e.panel === d.panel).sort((a, b) => ms(b.applied_at) - ms(a.applied_at));
  const resinBox = h('div', null, resinChoices(d, save));
  resinBox.hidden = d.cup !== 'none';
  const over = h('div');
  const showOver = () => {
    const u = under();
    fill(over, ...(u.length ? [h('label', { class: 'check' }, h('input', { type: 'checkbox', checked: d.close, onchange: (ev) => { d.close = ev.target.checked; save(); } }),
      h('span', null, `Stop watching the ${u[0].kind} of ${clock(ms(u[0].applied_at), true)} under it`))] : []));
    const box = $('input', over);
    if (box) box.checked = d.close;
  };
  showOver();
  const nextBox = h('div');
  const showNext = () => fill(nextBox, choices('What comes next on it', NEXT, d.next, (v) => { d.next = v; save(); }, { field: 'next' }));
  showNext();
  slip(main, {
    title: asked ? `On ${panelName(asked)}` : 'On the panel', button: 'It is on', parts: [
      asked && S.panels.some((p) => p.id === asked) ? null : [choices('Which panel', S.panels.map((p) => ({ value: p.id, text: p.name || p.id })), d.panel, (v) => { d.panel = v; save(); showOver(); }, { field: 'panel', cls: 'two' }),
        h('p', null, h('a', { class: 'back', href: '#/panel?then=on' }, 'A new panel'))],
      choices('What kind of coat', KINDS, d.kind, (v) => {
        d.kind = v;
        if (!d.nextPicked) d.next = USUAL[v];
        showNext();
        save();
      }, { field: 'kind', cls: 'two' }),
      choices('From which cup', [...list.map((c) => ({ value: c.ref, text: c.resin, sub: 'mixed ' + clock(ms(c.mixed), true) + (c.grams ? ', ' + grams(c.grams) : '') })), { value: 'none', text: list.length ? 'None of these' : 'A cup I did not enter' }], d.cup, (v) => {
        d.cup = v;
        const c = list.find((x) => x.ref === v);
        if (c) d.resin = c.resin;
        resinBox.hidden = v !== 'none';
        save();
      }, { field: 'batches', cls: 'two' }),
      resinBox, nextBox,
      when(d, save, 'When did it go on', { field: 'applied' }), over],
    async save() {
      if (!d.kind) {
        faults($('form', main), [{ field: 'kind', what: 'say what kind of coat it is' }]);
        return;
      }
      const body = { panel: d.panel, resin: d.resin, kind: d.kind, applied: moment(d) };
      if (d.cup !== 'none') body.batches = [d.cup];
      if (d.next) body.next = d.next;
      const u = under()[0];
      const what = `${d.kind} on ${panelName(d.panel)} ${clock(ms(body.applied), true)}`;
      const r1 = await enter({ key: d.key, method: 'POST', path: '/coats', body, say: what });
      let r2 = null;
      if (u && d.close) r2 = await enter({ key: key(), method: 'PATCH', path: '/coats/' + enc(u.id), body: { ended: body.applied }, say: `${u.kind} under it no longer watched` });
      keep('panel', d.panel);
      done();
      const ref = r1.id ? enc(r1.id) : 'local:' + r1.key;
      toast('It is on.' + kept(r1), async () => {
        if (r2) await back(r2, 'PATCH', '/coats/' + enc(u.id), { ended: null }, `undo: ${u.kind} no longer watched`)();
        await back(r1, 'DELETE', '/coats/' + ref, undefined, 'undo: ' + what)();
      });
      location.hash = '#/';
      soon();
    },
  });
}

// --- finger test -----------------------------------------------------------

function feel(main, id) {
  const e = coats().find((x) => x.id === id);
  const { d, save, done } = draft('feel:' + id, { state: '', ago: 0 });
  slip(main, {
    title: 'What does the finger find?', sub: (e ? `${panelName(e.panel)}, ${e.kind}. ` : '') + 'Gloved, on the witness, where no cloth will lie.', button: 'That is what I felt', parts: [
      choices('The finger says', STATES.map((s) => ({ value: s, text: FINGER[s], sub: WORD[s] })), d.state, (v) => { d.state = v; save(); }, { field: 'state', cls: 'one' }),
      when(d, save, 'When', { field: 'at' })],
    async save() {
      if (!d.state) {
        faults($('form', main), [{ field: 'state', what: 'tap what the finger found' }]);
        return;
      }
      const body = { at: moment(d), state: d.state };
      const r = await enter({ key: d.key, method: 'POST', path: `/coats/${enc(id)}/feels`, body, say: `finger test: ${FINGER[d.state].toLowerCase()}` });
      done();
      toast(`${FINGER[d.state]}.` + kept(r), back(r, 'DELETE', '/feels/' + (r.id ? enc(r.id) : 'local:' + r.key), undefined, 'undo: finger test'));
      location.hash = '#/';
      soon();
    },
  });
}

// --- cloth is in -----------------------------------------------------------

function cloth(main, id) {
  const e = coats().find((x) => x.id === id);
  const { d, save, done } = draft('cloth:' + id, { name: last('cloth', 'glass'), g_m2: +last('g_m2', 0) || null, cover: '', ago: 0 });
  const step = stepper('grams a square metre', { get: () => d.g_m2, set: (v) => { d.g_m2 = v || null; save(); }, step: 10, min: 0, max: 2000, say: (v) => (v ? Math.round(v) + '\u202fg/m²' : 'weight not said'), none: 'weight not said' });
  slip(main, {
    title: 'Cloth is in', sub: e ? `${panelName(e.panel)}, ${e.kind}` : '', button: 'Cloth is in', parts: [
      choices('Which cloth', [{ value: 'glass', text: 'Glass' }, { value: 'aramid', text: 'Aramid' }, { value: 'carbon', text: 'Carbon' }], d.name, (v) => { d.name = v; save(); }, { field: 'cloth', cls: 'three' }),
      h('fieldset', null, h('legend', null, 'Its weight'), step),
      when(d, save, 'When was it laid', { field: 'laid' })],
    async save() {
      const laid = moment(d);
      let before = [];
      try {
        const full = await get('/coats/' + enc(id));
        before = (full.record && full.record.cloth) || [];
      } catch (err) {
        if (err.faults) throw err; // the board's word; without a line the entry waits
      }
      const one = { name: d.name, laid };
      if (d.g_m2) one.g_m2 = d.g_m2;
      const r = await enter({ key: d.key, method: 'PATCH', path: '/coats/' + enc(id), body: { cloth: [...before, one] }, say: `${d.name} cloth in ${clock(ms(laid), true)}` });
      keep('cloth', d.name);
      keep('g_m2', d.g_m2 || 0);
      done();
      toast('Cloth is in.' + kept(r), back(r, 'PATCH', '/coats/' + enc(id), { cloth: before }, 'undo: cloth is in'));
      location.hash = '#/';
      soon();
    },
  });
}

// --- a new panel -----------------------------------------------------------

const slug = (x) => x.trim().toLowerCase().normalize('NFKD').replace(/[^a-z0-9]+/g, '-').replace(/^-|-$/g, '');

function panel(main, args) {
  const probes = (S.snap && S.snap.probes) || [];
  const surface = probes.filter((p) => p.role !== 'outdoor' && p.role !== 'air' && p.role !== 'pot');
  const airs = probes.filter((p) => p.role === 'air' || p.role === '' || p.role === 'tent');
  const { d, save, done } = draft('panel', { name: '', core: 'foam', probe: 'none', air: (airs.find((p) => p.role === 'air') || {}).id || 'none', area_m2: 1 });
  const named = (ps, none) => [...ps.map((p) => ({ value: p.id, text: p.name || p.id, sub: p.panel && p.panel !== d.id ? 'now on ' + panelName(p.panel) : null })), { value: 'none', text: none }];
  const input = h('input', { type: 'text', autocomplete: 'off', autocapitalize: 'sentences', value: d.name, oninput: (ev) => { d.name = ev.target.value; save(); } });
  slip(main, {
    title: 'A new panel', sub: 'One side of the thing that you will coat. Flip it and the other side is a panel of its own.', button: 'Add the panel', parts: [
      field('What do you call it?', 'id', input, 'For instance: lid A, outer'),
      choices('What is it made of', ['foam', 'wood', 'honeycomb', 'metal', 'laminate'].map((v) => ({ value: v, text: v })), d.core, (v) => { d.core = v; save(); }, { field: 'core' }),
      choices('Which probe lies on it, or on its witness', named(surface, 'None: go by the air'), d.probe, (v) => { d.probe = v; save(); }, { field: 'probe', cls: 'two' }),
      choices('Which probe feels its air', named(airs, 'None'), d.air, (v) => { d.air = v; save(); }, { field: 'air', cls: 'two' }),
      h('fieldset', { 'data-field': 'area_m2' }, h('legend', null, 'How big'), stepper('square metres', { get: () => d.area_m2, set: (v) => { d.area_m2 = Math.round(v * 10) / 10; save(); }, step: 0.1, min: 0.1, max: 200, say: (v) => v.toFixed(1) + '\u202fm²' }), h('p', { class: 'err', role: 'alert' }))],
    backTo: args.then ? '#/' + args.then : '#/',
    async save() {
      const id = slug(d.name);
      if (!id) {
        faults($('form', main), [{ field: 'id', what: 'give it a name' }]);
        return;
      }
      const body = { id, name: d.name.trim(), core: d.core, area_m2: d.area_m2 };
      if (d.probe !== 'none') body.probe = d.probe;
      if (d.air !== 'none') body.air = d.air;
      const r = await enter({ key: d.key, method: 'POST', path: '/panels', body, say: 'panel ' + body.name });
      done();
      if (!S.panels.some((p) => p.id === id)) S.panels = [...S.panels, body];
      toast(`${body.name} added.` + kept(r), back(r, 'DELETE', '/panels/' + enc(id), undefined, 'undo: panel ' + body.name));
      location.hash = args.then === 'on' ? '#/on/' + enc(id) : '#/';
      changed();
      soon();
    },
  });
}

// --- tonight's low ---------------------------------------------------------

function low(main) {
  const us = unit() === '°F';
  const { d, save, done } = draft('low', { low: 6 });
  const cs = us ? [-1, 2, 4, 7, 10, 13] : [0, 3, 6, 9, 12, 15];
  const step = stepper('tonight’s low', { get: () => Math.round(toUnit(d.low)), set: (v) => { d.low = fromUnit(v); save(); }, step: 1, min: us ? -40 : -40, max: us ? 110 : 40, say: () => temp(d.low) });
  slip(main, {
    title: 'Tonight’s low?', sub: 'What the weather report says for outdoors. The night’s forecast goes by it.', button: 'That is it', parts: [
      choices('About', cs.map((c) => ({ value: String(c), text: minus(deg(c)) + '\u202f' + unit() })), String(d.low), (v) => { d.low = +v; save(); step.refresh(); }, { field: 'low_c', cls: 'three' }), step],
    async save() {
      await call('PUT', '/settings', { low_c: Math.round(d.low * 10) / 10 });
      done();
      toast('Thank you. The night is judged by it.');
      location.hash = '#/';
      soon();
    },
  });
}

