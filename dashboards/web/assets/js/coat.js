// One coat: its strip, what it is and what comes, temperature and cure along
// the clock, and everything that was entered, with edit and undo.
import { h, $, morphKids, fill } from './dom.js';
import { now, coats, panelName, ms } from './state.js';
import { clock, timeEl, sentence, band, temp, toUnit, unit, minus, num, chance, WORD, FINGER, STATES, cap, grams, span, diff } from './say.js';
import { strip, range } from './strip.js';
import { get, rows, enter, key, Refused } from './net.js';
import { chart, key as swatchLine } from './chart.js';
import { choices, stepper, field, faults } from './form.js';
import { toast, back, soon } from './act.js';
import { fit } from './boot.js';

const enc = encodeURIComponent;
let id = null, full = null, charts = [];

export async function draw(main, r) {
  gone();
  id = r.rest[0];
  if (r.rest[1] === 'edit') return edit(main);
  fill(main, h('div', { class: 'page wide' }, h('a', { class: 'back', href: '#/' }, 'Bench'), h('div', { class: 'body' }), h('div', { class: 'figs' }), h('div', { class: 'log' })));
  try {
    full = await get('/coats/' + enc(id));
  } catch (e) {
    full = coats().find((c) => c.id === id) || null;
    if (!full) {
      fill($('.body', main), h('h1', null, 'No such coat'), h('p', null, e instanceof Refused ? 'It may have been taken back.' : 'The board is not heard.'));
      return undefined;
    }
  }
  fit.onWork = async () => {
    try {
      full = await get('/coats/' + enc(id));
      body(main);
      log(main);
    } catch { /* the next event tries again */ }
  };
  body(main);
  log(main);
  await figures(main).catch((e) => fill($('.figs', main), h('p', { class: 'small' }, 'No chart: ' + e.message + '.')));
  return undefined;
}

export function gone() {
  for (const c of charts) c.gone();
  charts = [];
  fit.onWork = null;
}

export function live(main) {
  if ($('.body', main) && full) body(main);
}

const EVENTS = [['tacky', 'sticks, lifts clean'], ['recoat_opens', 'takes the next coat'], ['green', 'no stick, nail dents'], ['recoat_closes', 'the window closes'], ['firm', 'nail slides'], ['hard', 'sands to dust; may be flipped with support'], ['handle', 'may be unclamped, hung, loaded']];

function body(main) {
  const e = coats().find((c) => c.id === id) || full;
  const box = $('.body', main);
  const w = box.clientWidth || main.clientWidth;
  const wide = innerWidth >= 900;
  const [t0, t1] = range(wide);
  const p = e.state_probability;
  const ended = full.record && full.record.ended;
  morphKids(box, [
    h('h1', null, panelName(e.panel)), h('p', { class: 'small' }, `${cap(e.kind)} of ${e.resin} epoxy, on at `, timeEl(ms(e.applied_at), true), ended ? [', no longer watched since ', timeEl(ms(ended), true)] : '', '.'),
    h('p', { class: 'say' }, e.say && e.say.length ? sentence(e.say) : e.advice), h('p', { class: 'why' }, sentence(e.because)),
    (e.notes || []).map((n) => h('p', { class: 'why' }, cap(n) + (/[.!?]$/.test(n) ? '' : '.'))),
    h('div', { class: 'fig' }, strip(e, { w: Math.floor(w), t0, t1, wide, alone: true })),
    h('div', { class: 'do' }, h('a', { class: 'btn first', href: '#/feel/' + enc(id) }, 'Feel it'), h('a', { class: 'btn', href: `#/coat/${enc(id)}/edit` }, 'Change what I entered'),
      !ended && h('button', { type: 'button', class: 'hold quiet', 'data-do': 'end', 'data-id': id, 'aria-label': 'Hold to stop watching it' }, h('span', null, 'Hold: stop watching'))),
    h('div', { class: 'cols' },
      h('div', null, h('h2', null, 'When'), h('table', null, h('thead', null, h('tr', null, h('th', null, 'It will be'), h('th', null, 'about (8 in 10 within)'))), h('tbody', null, EVENTS.map(([k, word]) => h('tr', null, h('td', null, cap(word)), h('td', null, band(e.events && e.events[k]))))))),
      h('div', null, h('h2', null, 'Now'),
        h('dl', { class: 'kv' },
          h('dt', null, 'State'), h('dd', null, h('b', null, WORD[e.state] || e.state), p ? [' (', STATES.filter((k) => p[k] >= 0.05).map((k) => `${WORD[k]} ${chance(p[k])}`).join(', '), ')'] : ''),
          h('dt', null, 'Cured'), h('dd', null, e.alpha ? `${num(e.alpha.p50 * 100)} % (${num(e.alpha.p10 * 100)} to ${num(e.alpha.p90 * 100)})` : 'not known'),
          h('dt', null, 'Softens at'), h('dd', null, e.tg_c ? `${temp(e.tg_c.p50)} (${minus(Math.round(toUnit(e.tg_c.p10)))} to ${minus(Math.round(toUnit(e.tg_c.p90)))})` : 'not known'),
          h('dt', null, 'Panel'), h('dd', null, temp(e.temp_c), e.panel_from === 'air' ? ', from the air: wider doubt' : e.panel_from === 'none' ? ', no probe' : ''),
          h('dt', null, 'This batch'), h('dd', null, e.kappa ? speed(e.kappa) : 'not known'),
          h('dt', null, 'Blush'), h('dd', null, e.blush ? (e.blush.condensed ? 'dew fell on it' : e.blush.band) : 'not known', e.blush && e.blush.band !== 'unknown' ? ' (a rough scale, not proven)' : ''),
          h('dt', null, 'Without a reading'), h('dd', null, e.degraded_minutes ? span(e.degraded_minutes * 60e3) : 'never'),
          e.stall ? [h('dt', null, 'Stalled'), h('dd', null, e.t_need_c !== null && e.t_need_c !== undefined ? `it will not finish at this temperature; ${temp(e.t_need_c)} would mend it` : 'it will not finish at this temperature')] : null)))]);
}

// speed says the batch's pace in plain words.
function speed(k) {
  const pct = (x) => Math.round(Math.abs(x - 1) * 100);
  const mid = pct(k.p50) < 5 ? 'goes as the sheet says' : `goes about ${pct(k.p50)} % ${k.p50 > 1 ? 'faster' : 'slower'} than the sheet`;
  return `${mid} (between ${num(k.p10, 1)} and ${num(k.p90, 1)} times its pace)`;
}

async function figures(main) {
  const e = coats().find((c) => c.id === id) || full;
  const box = $('.figs', main);
  const from = ms(e.applied_at) - 1800e3;
  const to = Math.max(now() + 12 * 3600e3, Math.min(now() + 72 * 3600e3, ms(e.events && e.events.hard && e.events.hard.p50) ? ms(e.events.hard.p50) + 6 * 3600e3 : 0));
  const pts = rows(await get(`/coats/${enc(id)}/trace?from=${enc(new Date(from).toISOString())}&to=${enc(new Date(to).toISOString())}&points=480`), 'points');
  const a = h('div', { class: 'chart' }), b = h('div', { class: 'chart' });
  if (!pts.length) {
    fill(box, h('h2', null, 'Temperature and cure'), h('p', { class: 'small' }, 'Nothing to draw yet: no reading has come since it went on.'));
    return;
  }
  const xs = pts.map((p) => ms(p.at));
  const v = (f) => pts.map((p) => { const x = f(p); return x === null || x === undefined ? null : x; });
  const t = (f) => v(f).map((x) => (x === null ? null : toUnit(x)));
  const gaps = ((e.strip && e.strip.gaps) || []).map((g) => [ms(g.from), ms(g.to)]);
  const marks = (full.feels || (e.strip && e.strip.feels) || []).map((f) => ({ t: ms(f.at), word: WORD[f.state] || f.state }));
  const past = (f) => (p) => (p.forecast || p.gap ? null : f(p)), fut = (f) => (p) => (p.forecast ? f(p) : null);
  // The dashed line starts where the full one ends.
  const lastPast = pts.reduce((m, p, i) => (p.forecast ? m : i), -1);
  const join = (f) => pts.map((p, i) => (p.forecast || (i === lastPast && !p.gap) ? f(p) ?? null : null));
  fill(box, 
    h('h2', null, 'Temperature, ', unit()), h('div', { class: 'legend' }, h('span', null, swatchLine('graph'), 'panel'), h('span', null, swatchLine('graph', '5 4'), 'forecast'), h('span', null, swatchLine('soft', null, true), 'its doubt'), h('span', null, swatchLine('ink', '2 3'), 'dew point')), a,
    h('h2', null, 'Cure, %'), h('div', { class: 'legend' }, h('span', null, swatchLine('graph'), 'degree of cure'), h('span', null, swatchLine('soft', null, true), 'its doubt'), h('span', null, 'ovals: finger tests')), b);
  charts.push(await chart(a, xs, [
    { label: 'forecast high', ys: t(fut((p) => p.temp_p90)), hide: true }, { label: 'forecast low', ys: t(fut((p) => p.temp_p10)), hide: true },
    { label: 'panel temperature', ys: t(past((p) => p.temp_c)), say: (x) => 'panel ' + minus(num(x, 1)) + ' ' + unit() },
    { label: 'forecast', ys: join((p) => (p.temp_c === null || p.temp_c === undefined ? null : toUnit(p.temp_c))), dash: [5, 4], say: (x, i) => (pts[i].forecast ? 'forecast ' + num(x, 1) + ' ' + unit() : '') },
    { label: 'dew point', ys: t((p) => p.dew_c), color: 'ink', dash: [2, 3], width: 1.3, say: (x, i) => 'dew point ' + num(x, 1) + (pts[i].temp_c !== null && pts[i].temp_c !== undefined ? `, ${diff(pts[i].temp_c - pts[i].dew_c)} above it` : '') },
  ], { bands: [[1, 2]], gaps, marks, height: 220, aria: 'Temperature of the panel over time, with forecast and dew point' }));
  charts.push(await chart(b, xs, [
    { label: 'high', ys: v((p) => p.alpha && p.alpha.p90 * 100), hide: true }, { label: 'low', ys: v((p) => p.alpha && p.alpha.p10 * 100), hide: true },
    { label: 'cure', ys: v((p) => (p.forecast ? null : p.alpha && p.alpha.p50 * 100)), say: (x) => `cured ${num(x)} %` },
    { label: 'cure ahead', ys: join((p) => (p.alpha ? p.alpha.p50 * 100 : null)), dash: [5, 4], say: (x, i) => (pts[i].forecast ? `cured ${num(x)} %` : '') },
  ], { bands: [[1, 2]], gaps, marks, segments: ((e.strip && e.strip.segments) || []).reduce((out, g) => { const l = out[out.length - 1]; if (l && l.state === g.state) l.to = ms(g.to); else out.push({ state: g.state, from: ms(g.from), to: ms(g.to) }); return out; }, []), height: 220, range: () => [0, 100], aria: 'Degree of cure over time, with states and finger tests' }));
}

const NAMES = { applied: 'on at', finished: 'last stroke', kind: 'kind', resin: 'epoxy', next: 'next', cover: 'cover', ended: 'watch ended', panel: 'panel', note: 'note', cloth: 'cloth', batches: 'cups' };

function log(main) {
  const box = $('.log', main);
  const rec = full.record;
  const items = [];
  for (const f of full.feels || []) items.push([ms(f.at), `Finger test: ${FINGER[f.state] || f.state}`, h('button', { type: 'button', class: 'hold quiet', 'aria-label': `Hold to take back the finger test of ${clock(ms(f.at), true)}`, onheld: () => takeBack('/feels/' + enc(f.id), 'finger test') }, h('span', null, 'Hold: take back'))]);
  for (const b of full.batches || []) items.push([ms(b.mixed), `Cup of ${b.resin}: ${grams(b.resin_g)} resin, ${grams(b.hardener_g)} hardener${b.lot ? ', lot ' + b.lot : ''}`, null]);
  for (const c of (rec && rec.cloth) || []) items.push([ms(c.laid) ?? ms(full.applied_at), `Cloth: ${c.name}${c.g_m2 ? ', ' + num(c.g_m2) + ' g/m²' : ''}`, null]);
  items.sort((x, y) => x[0] - y[0]);
  fill(box, h('h2', null, 'What was entered'),
    items.length ? h('ul', { class: 'rows' }, items.map(([t, text, btn]) => h('li', null, h('div', { class: 'item' }, h('p', null, timeEl(t, true), ' · ', text), btn ? h('div', { class: 'do' }, btn) : null)))) : h('p', { class: 'small' }, 'Nothing beside the coat itself.'),
    (full.changes || []).length > 1 ? [h('h2', null, 'Corrections'), h('p', { class: 'small' }, 'Nothing is overwritten: the record shows each version.'),
      h('div', { class: 'scroll' }, h('table', null, h('thead', null, h('tr', null, ['when', 'by', 'what'].map((x) => h('th', null, x)))), h('tbody', null, full.changes.map((c, i) => h('tr', null, h('td', null, timeEl(ms(c.at), true)), h('td', null, c.by), h('td', null, changeWords(c, full.changes[i - 1])))))))] : null,
    h('h2', null, 'Take it back'), h('p', { class: 'small' }, 'If it was entered by mistake. The record keeps that it was there.'),
    h('div', { class: 'do' }, h('button', { type: 'button', class: 'hold quiet', onheld: () => takeBack('/coats/' + enc(id), 'coat', true) }, h('span', null, 'Hold: take the coat back'))),
    full.panel ? h('p', { class: 'why' }, h('a', { href: '#/history/' + enc(full.panel) }, 'The record of ' + panelName(full.panel))) : null);
}

function changeWords(c, before) {
  if (c.op === 'create') return 'entered';
  if (c.op === 'delete') return 'taken back';
  const a = (before && before.body) || {}, b = c.body || {};
  const say = (k, v) => (v === null || v === undefined || v === '' ? 'nothing' : /^\d{4}-\d\d-\d\dT/.test(v) ? clock(Date.parse(v), true) : typeof v === 'object' ? JSON.stringify(v).replace(/["{}[\]]/g, '') : v);
  const out = Object.keys({ ...a, ...b }).filter((k) => JSON.stringify(a[k]) !== JSON.stringify(b[k])).map((k) => `${NAMES[k] || k}: ${say(k, a[k])} → ${say(k, b[k])}`);
  return out.join('; ') || 'the same again';
}

async function takeBack(path, what, leave) {
  try {
    const r = await enter({ key: key(), method: 'DELETE', path, say: 'take back: ' + what });
    toast(`The ${what} is taken back.` + (r.kept ? ' Kept on this phone, will send.' : ''));
    soon();
    if (leave) location.hash = '#/';
    else if (fit.onWork) fit.onWork();
  } catch (e) {
    toast('Not taken back: ' + e.message + '.');
  }
}

// --- edit ------------------------------------------------------------------

async function edit(main) {
  full = await get('/coats/' + enc(id)).catch(() => null);
  const rec = full && full.record;
  if (!rec) {
    fill(main, h('div', { class: 'page' }, h('h1', null, 'Not now'), h('p', null, 'The board is not heard, and a change needs what it holds.'), h('a', { class: 'back', href: '#/coat/' + enc(id) }, 'Back')));
    return;
  }
  const t0 = ms(rec.applied);
  const d = { kind: rec.kind, next: rec.next || '', cover: rec.cover || 'none', shift: 0, note: rec.note || '' };
  const note = h('input', { type: 'text', value: d.note, oninput: (ev) => { d.note = ev.target.value; } });
  const form = h('form', { class: 'page' }, h('a', { class: 'back', href: '#/coat/' + enc(id) }, 'Back'), h('h1', null, 'Change what I entered'), h('p', { class: 'small' }, `${panelName(rec.panel)}. The record shows both versions.`),
    h('fieldset', { 'data-field': 'applied' }, h('legend', null, 'It went on at'), stepper('when it went on', { get: () => d.shift, set: (v) => { d.shift = v; }, step: 5, min: -60 * 48, max: Math.floor((now() - t0) / 60e3), say: (v) => clock(t0 + v * 60e3, true) + (v ? ` (${v > 0 ? '+' : '\u2212'}${Math.abs(v)} min)` : '') }), h('p', { class: 'err', role: 'alert' })),
    choices('What kind', ['tack coat', 'wet-out', 'fill coat', 'bond', 'seal'].map((v) => ({ value: v, text: v })), d.kind, (v) => { d.kind = v; }, { field: 'kind' }),
    choices('What comes next on it', [['cloth', 'Cloth into it'], ['wet', 'Wet on wet'], ['coat', 'Another coat'], ['fill', 'Fill coat'], ['none', 'Nothing']].map(([value, text]) => ({ value, text })), d.next, (v) => { d.next = v; }, { field: 'next' }),
    choices('What lies on it', [['none', 'Nothing'], ['peel ply', 'Peel ply'], ['film', 'Film']].map(([value, text]) => ({ value, text })), d.cover, (v) => { d.cover = v; }, { field: 'cover', cls: 'three' }),
    field('A note', 'note', note), h('p', { class: 'err foot', role: 'alert' }),
    h('div', { class: 'do' }, h('button', { type: 'submit', class: 'first ink' }, 'Save the change')));
  const k = key();
  form.addEventListener('submit', async (ev) => {
    ev.preventDefault();
    faults(form, []);
    const body = {}, undo = {};
    const set = (name, v, old) => { if (v !== old) { body[name] = v; undo[name] = old === '' || old === undefined ? null : old; } };
    set('kind', d.kind, rec.kind);
    set('next', d.next, rec.next || '');
    if (d.cover !== (rec.cover || 'none')) { body.cover = d.cover; undo.cover = rec.cover || null; }
    set('note', d.note.trim(), rec.note || '');
    if (d.shift) { body.applied = new Date(t0 + d.shift * 60e3).toISOString(); undo.applied = rec.applied; }
    if (!Object.keys(body).length) {
      location.hash = '#/coat/' + enc(id);
      return;
    }
    try {
      const r = await enter({ key: k, method: 'PATCH', path: '/coats/' + enc(id), body, say: 'change of ' + rec.kind });
      toast('Changed.' + (r.kept ? ' Kept on this phone, will send.' : ''), back(r, 'PATCH', '/coats/' + enc(id), undo, 'undo: change'));
      soon();
      location.hash = '#/coat/' + enc(id);
    } catch (e) {
      faults(form, e.faults || [{ what: e.message }]);
    }
  });
  fill(main, form);
}

