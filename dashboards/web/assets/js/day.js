// The day: what to do when, so that each step falls inside its window; and the
// plan beside what happened.
import { h, fill } from './dom.js';
import { S, now, coats, ms, settings } from './state.js';
import { clock, timeEl, grams, span, cap } from './say.js';
import { call, lists, Refused } from './net.js';
import { choices, stepper, draft, faults } from './form.js';

const DO = [['coat', 'roll a coat on'], ['cloth', 'lay cloth'], ['sand', 'sand'], ['flip', 'flip'], ['unclamp', 'unclamp'], ['wash', 'wash']];
const WHEN = [['start', 'at the start'], ['tacky', 'once tacky'], ['wet', 'while wet'], ['recoat', 'in the recoat window'], ['fill', 'fill, once no stick'], ['hard', 'once hard'], ['handle', 'once it may be handled']];
const KINDS = ['tack coat', 'wet-out', 'fill coat', 'bond', 'seal'];
const USUAL = [
  { do: 'coat', coat: 'tack coat', when: 'start', min: 30 }, { do: 'cloth', when: 'tacky', min: 20, cloth: 'aramid' },
  { do: 'coat', coat: 'wet-out', when: 'recoat', min: 45, cloth: 'glass' }, { do: 'coat', coat: 'fill coat', when: 'fill', min: 30 },
];
const stored = () => { try { return JSON.parse(localStorage.getItem('plan') || 'null'); } catch { return null; } };

export async function draw(main) {
  if (!S.panels.length || !S.resins.length) await lists().catch(() => {});
  const { d, save } = draft('day', { resin: localStorage.getItem('last:resin') || (S.resins[0] || {}).name || '', from: 8, to: 20, people: '1', panels: S.panels.slice(0, 1).map((p) => p.id), steps: USUAL });
  const list = h('div'), result = h('div', { role: 'status' });
  const opt = (pairs, v) => pairs.map(([value, text]) => h('option', { value, selected: value === v }, text));
  const steps = () => fill(list, h('ol', { class: 'rows' }, d.steps.map((x, i) => h('li', { 'data-field': `step[${i}]` }, h('div', { class: 'item line' },
    h('select', { 'aria-label': `Step ${i + 1}: what`, onchange: (ev) => { x.do = ev.target.value; save(); steps(); } }, opt(DO, x.do)),
    x.do === 'coat' && h('select', { 'aria-label': `Step ${i + 1}: kind of coat`, onchange: (ev) => { x.coat = ev.target.value; save(); } }, opt(KINDS.map((k) => [k, k]), x.coat)),
    (x.do === 'cloth') && h('select', { 'aria-label': `Step ${i + 1}: cloth`, onchange: (ev) => { x.cloth = ev.target.value; save(); } }, opt([['glass', 'glass'], ['aramid', 'aramid'], ['carbon', 'carbon']], x.cloth)),
    h('select', { 'aria-label': `Step ${i + 1}: when`, onchange: (ev) => { x.when = ev.target.value; save(); } }, opt(WHEN, x.when)),
    h('button', { type: 'button', class: 'quiet', 'aria-label': `Take step ${i + 1} out`, onclick: () => { d.steps.splice(i, 1); save(); steps(); } }, 'Take out'), h('p', { class: 'err', role: 'alert' }))))),
  h('div', { class: 'do' }, h('button', { type: 'button', class: 'quiet', onclick: () => { d.steps.push({ do: 'coat', coat: 'fill coat', when: 'recoat', min: 30 }); save(); steps(); } }, 'One more step')));
  steps();
  const hour = (k, label) => stepper(label, { get: () => d[k], set: (v) => { d[k] = v; save(); }, step: 1, min: 0, max: 24, say: (v) => `${label} ${String(v).padStart(2, '0')}:00` });
  const form = h('form', { class: 'page', novalidate: true }, h('h1', null, 'Day'), h('p', { class: 'why' }, 'When to begin and what follows, inside your hours and each coat’s window.'),
    h('fieldset', { 'data-field': 'panel' }, h('legend', null, 'Which panels'), h('div', { class: 'opts two' }, S.panels.map((p) => {
      const box = h('input', { type: 'checkbox', onchange: (ev) => { d.panels = ev.target.checked ? [...d.panels, p.id] : d.panels.filter((x) => x !== p.id); save(); } });
      box.checked = d.panels.includes(p.id);
      return h('label', { class: 'opt' }, box, h('span', null, p.name || p.id));
    })), h('p', { class: 'err', role: 'alert' })),
    choices('Which epoxy', S.resins.map((r) => ({ value: r.name, text: r.name })), d.resin, (v) => { d.resin = v; save(); }, { field: 'coat resin' }),
    h('fieldset', { 'data-field': 'step' }, h('legend', null, 'The steps, on each panel'), list, h('p', { class: 'err', role: 'alert' })),
    h('fieldset', { 'data-field': 'day hours' }, h('legend', null, 'Your hours'), hour('from', 'from'), hour('to', 'until'), h('p', { class: 'err', role: 'alert' })),
    choices('Hands', [{ value: '1', text: 'Alone' }, { value: '2', text: 'Two of us' }], d.people, (v) => { d.people = v; save(); }, { field: 'people', cls: 'two' }),
    h('p', { class: 'err foot', role: 'alert' }), h('div', { class: 'do' }, h('button', { type: 'submit', class: 'first ink' }, stored() ? 'Plan it again' : 'Plan it')), result);
  form.addEventListener('submit', async (ev) => {
    ev.preventDefault();
    faults(form, []);
    try {
      const p = await call('POST', '/plan', body(d));
      localStorage.setItem('plan', JSON.stringify({ made: now(), plan: p, names: names(d) }));
      show(result);
      result.scrollIntoView({ block: 'start' });
    } catch (e) {
      if (e instanceof Refused && e.status === 404) fill(result, h('p', { class: 'say' }, 'Planning is not built into this board.'));
      else faults(form, e instanceof Refused ? e.faults : [{ what: e.message + '; what you entered is still here' }]);
    }
  });
  fill(main, form);
  show(result);
}

const two = (x) => String(x).padStart(2, '0') + ':00';

// body is a job as the planner reads it, with the same keys as a job file.
function body(d) {
  const panels = S.panels.filter((p) => d.panels.includes(p.id));
  const coat = [], step = [];
  for (const p of panels) {
    let before = '';
    d.steps.forEach((x, i) => {
      const id = `${p.id}-${i + 1}`;
      const one = { id, panel: p.id, do: x.do, when: i === 0 && x.when === 'start' ? 'start' : x.when, work_minutes: x.min || 30 };
      if (p.area_m2) one.area_m2 = p.area_m2;
      if (x.do === 'coat') {
        coat.push({ id, panel: p.id, resin: d.resin, kind: x.coat });
        one.coat = id;
        if (x.cloth) one.cloth = x.cloth;
      }
      if (x.do === 'cloth') one.cloth = x.cloth || 'glass';
      if (before && one.when !== 'start') one.of = before;
      if (x.do === 'coat') before = id;
      step.push(one);
    });
  }
  const day = { start: new Date(now()).toISOString(), hours: [`${two(d.from)}-${two(d.to)}`], people: +d.people };
  if (settings().low_c !== null && settings().low_c !== undefined) day.low_c = settings().low_c;
  return { panel: panels, coat, step, day };
}
const names = (d) => Object.fromEntries(S.panels.filter((p) => d.panels.includes(p.id)).flatMap((p) => d.steps.map((x, i) => [`${p.id}-${i + 1}`, { panel: p.id, kind: x.coat, text: `${p.name || p.id}: ${x.do === 'coat' ? x.coat : (DO.find(([k]) => k === x.do) || [])[1]}` }])));

function show(box) {
  const kept = stored();
  if (!kept) return;
  const p = kept.plan;
  const of = (s) => (kept.names || {})[s.coat || s.id || s.step] || {};
  const done = (s) => {
    const n = of(s);
    const c = coats().find((e) => n.kind && e.panel === n.panel && e.kind === n.kind && ms(e.applied_at) > ms(p.start) - 6 * 3600e3);
    return c ? ['on at ', timeEl(ms(c.applied_at), true)] : ms(s.at) < now() ? 'not yet' : '';
  };
  fill(box, h('h2', null, 'The plan'), p.feasible ? h('p', { class: 'say' }, 'Begin at ', h('b', null, timeEl(ms(p.start))), '.') : h('p', { class: 'say' }, h('span', { class: 'none' }, 'It does not fit.')),
    (p.why_not || []).map((x) => h('p', { class: 'why' }, cap(String(x)) + '.')),
    (p.steps || []).length ? h('div', { class: 'scroll' }, h('table', null, h('thead', null, h('tr', null, ['at', 'what', 'window', 'cups', 'happened'].map((x) => h('th', null, x)))), h('tbody', null, p.steps.map((s) => h('tr', null,
      h('td', null, h('b', null, timeEl(ms(s.at)))), h('td', null, of(s).text || s.coat || s.id || ''), h('td', null, s.window && ms(s.window.opens) ? [clock(ms(s.window.opens)), ' to ', ms(s.window.closes) ? clock(ms(s.window.closes)) : 'open end'] : ''),
      h('td', null, (s.batches || []).map((b) => `${grams(b.grams)}${b.work_minutes ? ', ' + span(b.work_minutes * 60e3) : ''}`).join('; ')), h('td', null, done(s))))))) : null,
    (p.options || []).length ? [h('h2', null, 'What would change it'), p.options.map((x) => h('p', { class: 'why' }, cap(String(x)) + '.'))] : null,
    h('p', { class: 'small' }, `Made ${clock(kept.made, true)}. Times are likely ones: the finger leads.`));
}

