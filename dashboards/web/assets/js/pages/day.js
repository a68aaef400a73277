// SPDX-License-Identifier: Apache-2.0
// The day: when to do which step of a job, so that each falls inside its window;
// and the plan beside what happened.
import { h, useEffect, useState } from '../lib.js';
import { iso, ms, now, panelName, settings } from '../state.js';
import { DAY, MIN, Said, cap, clock, face, grams, name, span, timeEl } from '../say.js';
import { call, get } from '../line.js';
import { allJobs } from '../jobs.js';
import { Choices, Err, Foot, Stepper, useDraft, useForm } from '../form.js';
import { stop, t } from '../text.js';

export const ownFoot = true;
const two = (x) => String(x).padStart(2, '0') + ':00';
const stored = () => { try { return JSON.parse(localStorage.getItem('plan') || 'null'); } catch { return null; } };

export default function Day() {
  const [jobs, setJobs] = useState(null);
  const [d, set] = useDraft('day', () => ({ job: '', from: 8, to: 20, people: '1', grams: 'own' }));
  const [learnt, setLearnt] = useState(false); // grams of the shop's own coats
  useEffect(() => { get('/stock').then((x) => setLearnt(Object.keys(x.habits || {}).length > 0), () => {}); }, []);
  useEffect(() => { allJobs().then((l) => setJobs(l.filter((j) => !j.over)), () => setJobs([])); }, []);
  const id = jobs && (jobs.some((j) => j.id === d.job) ? d.job : (jobs[0] || {}).id);
  const f = useForm(async () => {
    const old = stored(), t0 = ms((old || {}).from);
    // Planned again, a day keeps its start: what was done since then counts.
    const day = { start: iso(t0 < now() && t0 > now() - DAY && old.job === id ? t0 : now()), hours: [`${two(d.from)}-${two(d.to)}`], people: +d.people, grams: d.grams };
    if (settings().low_c != null) day.low_c = settings().low_c;
    const p = await call('POST', '/plan', { job: id, day });
    // Planned again, each step keeps the time that it was first given.
    const first = { ...Object.fromEntries((p.steps || []).map((s) => [s.step, s.at])), ...(old && old.from === day.start && old.first) };
    localStorage.setItem('plan', JSON.stringify({ made: now(), from: day.start, job: id, first, plan: p }));
    set({});
    requestAnimationFrame(() => document.querySelector('.plan')?.scrollIntoView({ block: 'start' }));
  });
  const hour = (k, label) => h(Stepper, { label, value: d[k], set: (v) => set({ [k]: v }), step: 1, min: 0, max: 24, say: (v) => label + ' ' + face(v % 24, 0) });
  const none = jobs && !jobs.length, kept = stored();
  return [h('form', { class: 'page wide', novalidate: true, onsubmit: f.submit, key: 'f' }, h('h1', null, t('page.day')), h('p', { class: 'why' }, t('day.why')), h('div', { class: 'cols' },
    h('div', null, none ? [h('p', { class: 'say' }, t('day.nojob')), h('div', { class: 'do' }, h('a', { class: 'btn first', href: '#/write' }, t('first.job')))] : [
      h(Choices, { label: t('day.which'), field: 'job', cls: 'two', list: (jobs || []).map((j) => ({ value: j.id, text: j.name || j.id, said: true, sub: t('jobs.steps', { n: j.steps_done, of: j.steps_total }) })), value: id, onPick: (job) => set({ job }) }),
      h('fieldset', { 'data-field': 'day hours step' }, h('legend', null, t('day.hours')), hour('from', t('set.from')), hour('to', t('set.until')), h(Err, { field: 'day hours step' })),
      h(Choices, { label: t('day.hands'), field: 'people', cls: 'two', list: [{ value: '1', text: t('day.alone') }, { value: '2', text: t('day.two') }], value: d.people, onPick: (people) => set({ people }) }),
      learnt && h(Choices, { label: t('mix.grams.by'), field: 'grams', cls: 'two', list: ['own', 'tables'].map((v) => ({ value: v, text: t('mix.by.' + v) })), value: d.grams, onPick: (grams) => set({ grams }) }), h(Err, { foot: true })]),
    kept && h(Plan, { kept }))),
  h(Foot, null, h('a', { class: 'btn', href: '#/' }, t('page.')), none ? null : h('button', { type: 'button', class: 'first', disabled: f.busy || !id, onclick: f.submit }, t(kept ? 'day.again' : 'day.plan')))];
}

// cups says equal cups once.
function cups(bs) {
  const all = bs.map((b) => grams(b.grams) + (b.resin_g ? ': ' + t('day.cup', { r: grams(b.resin_g), h: grams(b.hardener_g) }) : '') + (b.vessel === 'tray' || b.vessel === 'roller' ? ', ' + t('day.tray') : '') + (b.work_minutes ? ', ' + span(b.work_minutes * MIN - MIN / 2) : '') + (b.verdict === 'runaway' ? ', ' + t('day.hot') : ''));
  return [...new Set(all)].map((x) => t('day.cups', { n: all.filter((y) => y === x).length, what: x })).join('; ');
}

function Plan({ kept }) {
  const p = kept.plan;
  const was = (s) => { const x = ms((kept.first || {})[s.step]); return x && Math.abs(x - ms(s.at)) > 299e3 ? ' · ' + t('day.first', { at: clock(x) }) : ''; };
  const win = (w) => (w.closes && ms(w.closes) < ms(w.opens) ? t('day.never') : t('day.window', { from: clock(ms(w.opens)), to: ms(w.closes) ? clock(ms(w.closes)) : t('day.open') }));
  return h('div', { class: 'plan', role: 'status' }, h('h2', null, t('day.theplan')), p.feasible ? h('p', { class: 'say' }, t('day.begin', { at: h('b', null, timeEl(ms(p.start))) })) : h('p', { class: 'say' }, h('span', { class: 'none' }, h(Said, null, p.say))),
    (p.why_not || []).map((x) => h('p', { class: 'why', key: x }, h(Said, null, cap(stop(x))))), p.feasible ? h('p', { class: 'why' }, h(Said, null, p.say)) : null, (p.notes || []).map((x) => h('p', { class: 'why', key: x }, h(Said, null, x))),
    h('ol', { class: 'rows' }, (p.steps || []).map((s) => h('li', { key: s.step }, h('p', null, h('b', null, timeEl(ms(s.at))), ' · ', name(panelName(s.panel)), s.done ? ' · ' + t('day.done') : ms(s.at) < now() ? ' · ' + t('day.past') : '', was(s)), h('p', { class: 'why' }, h(Said, null, s.say)),
      (s.batches || []).length ? h('p', { class: 'why' }, cap(cups(s.batches)) + '.') : null, s.window && ms(s.window.opens) ? h('p', { class: 'why' }, win(s.window)) : null))),
    (p.options || []).length ? [h('h2', null, t('day.options')), p.options.map((x) => h('p', { class: 'why', key: x.say }, h(Said, null, x.say), ' ', t('day.inhundred', { n: Math.floor(100 * x.probability) })))] : null,
    h('p', { class: 'small' }, t('day.made', { at: clock(kept.made, true) })));
}
