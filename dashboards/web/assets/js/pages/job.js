// SPDX-License-Identifier: Apache-2.0
// The job, written once: from a template or an earlier piece, then step by step.
import { h, useEffect, useState } from '../lib.js';
import { S, may, ms, panelName } from '../state.js';
import { area, cap, clock, epoxy, name, num } from '../say.js';
import { call, get, key, lists, refresh, rows, useFresh } from '../line.js';
import { did, enc, entry, say, step as post } from '../acts.js';
import { Choices, Err, Field, Foot, Hold, Slip, Stepper, Wrong, number, useDraft, useForm } from '../form.js';
import { allJobs, followJobs } from '../jobs.js';
import { CORES, probeList, usual } from './panel.js';
import { ResinChoices, soleResin } from './mixed.js';
import { CLOTHS, clothText } from './other.js';
import { COVERS, KINDS } from './coat.js';
import { t, word } from '../text.js';

// The list has the bar; writing and changing bring their own.
export const ownFoot = ({ name: page, rest }) => page === 'write' || (page === 'job' && rest[1] === 'edit');

export default function Job({ name: page, rest }) {
  if (page === 'write') return h(Write);
  if (page === 'job' && rest[0]) return h(One, { id: rest[0], edit: rest[1] === 'edit' });
  return h(List);
}

function List() {
  const [jobs, setJobs] = useState(null);
  useFresh(() => allJobs().then(setJobs, () => setJobs(Object.values(S.jobs))));
  return h('div', { class: 'page' }, h('h1', null, t('page.jobs')), h('p', { class: 'why' }, t('jobs.why')),
    h('div', { class: 'do' }, h('a', { class: 'btn first', href: '#/write' }, t('first.job'))),
    h('ul', { class: 'rows' }, (jobs || []).map((j) => h('li', { key: j.id }, h('a', { href: '#/job/' + enc(j.id) }, h('span', null, h('b', null, name(j.name || j.id))), h('span', null, j.over ? t('jobs.over') : t('jobs.steps', { n: j.steps_done ?? 0, of: j.steps_total ?? (j.steps || []).length })))))));
}

// --- writing it ---------------------------------------------------------------

function Write() {
  const [tpls, setTpls] = useState(null), [jobs, setJobs] = useState([]);
  const [d, set, done] = useDraft('write', () => ({ template: '', from: '', name: '', resin: soleResin(), core: 'foam', area: '', ...usual(), other: true }));
  useEffect(() => {
    get('/jobs/templates').then((x) => setTpls(rows(x, 'templates')), () => setTpls([]));
    allJobs().then(setJobs, () => {});
  }, []);
  const list = tpls || [], tpl = list.find((x) => x.id === d.template) || (d.from ? null : list[0]);
  const save = async () => {
    const a = number(d.area);
    if (!d.name.trim()) throw new Wrong('name', t('panel.noname'));
    if (Number.isNaN(a)) throw new Wrong('area_m2', t('form.nan', { x: d.area }));
    if (!d.probe) throw new Wrong('probe', t('panel.noprobe'));
    const side = { core: d.core };
    if (a !== null) side.area_m2 = a;
    if (d.probe !== 'none') side.probe = d.probe; else side.no_probe = true;
    if (d.air !== 'none') side.air = d.air;
    const body = { ...(tpl ? { template: tpl.id } : { from: d.from }), name: d.name.trim(), resin: d.resin };
    const sides = tpl ? tpl.sides || [] : [];
    body.panels = sides.length ? sides.map((s, i) => (i ? { side: s } : { side: s, ...side })) : [side];
    const r = await entry({ key: d.key, path: '/jobs', body, say: t('job.written', { name: body.name }), back: (ref) => ['POST', `/entries/${ref}/undo`, {}] });
    done();
    lists().catch(() => {});
    location.hash = '#/';
    return r;
  };
  return h(Slip, { title: t('first.job'), sub: t('job.sub'), button: t('job.write'), save },
    h(Choices, { label: t('job.template'), field: 'template', cls: 'one', list: [...list.map((x) => ({ value: 't:' + x.id, text: x.name, said: true, sub: h('span', { translate: false }, x.say) })), ...jobs.map((j) => ({ value: 'j:' + j.id, text: t('job.like', { name: j.name || j.id }) }))], value: d.from ? 'j:' + d.from : 't:' + (tpl ? tpl.id : ''), onPick: (v) => set(v.startsWith('t:') ? { template: v.slice(2), from: '' } : { template: '', from: v.slice(2) }) }),
    h(Field, { label: t('panel.call'), field: 'name', value: d.name, onInput: (v) => set({ name: v }), hint: t('job.eg'), autocapitalize: 'sentences' }),
    h(Field, { label: t('panel.area'), field: 'area_m2', value: d.area, onInput: (v) => set({ area: v }), inputmode: 'decimal', hint: t('job.area.why'), unit: 'm²' }),
    h(ResinChoices, { value: d.resin, onPick: (resin) => set({ resin }) }),
    h(Choices, { label: t('panel.core'), field: 'core', cls: 'three', list: CORES.map((v) => ({ value: v, text: t('core.' + v) })), value: d.core, onPick: (core) => set({ core }) }),
    h(Choices, { label: t('panel.probe'), field: 'probe', cls: 'two', list: probeList('panel', t('panel.probe.none')), value: d.probe, onPick: (probe) => set({ probe }) }),
    h(Choices, { label: t('panel.air'), field: 'air', cls: 'two', list: probeList('air', t('none')), value: d.air, onPick: (air) => set({ air }) }));
}

// --- one job ------------------------------------------------------------------

export const stepWord = (s) => cap(s.do === 'coat' ? word('kind.', s.coat) : word('do.', s.do));
const detail = (s) => [s.cloth && h('span', { key: 'c', translate: false }, clothText(s.cloth)), s.cover && s.cover !== 'none' && t('cover.' + s.cover), s.when && word('when.', s.when), s.to && t('job.to', { panel: panelName(s.to) }), s.hours && t('unit.h', { n: num(s.hours) })].filter(Boolean).map((x, i) => [i ? ' · ' : '', x]);

function One({ id, edit }) {
  const [job, setJob] = useState(S.jobs[id]);
  useFresh(() => get('/jobs/' + enc(id)).then((j) => { S.jobs[id] = j; setJob(j); }, () => {}), [id]);
  if (!job || !job.steps) return h('div', { class: 'page' }, h('h1', null, t('asking')));
  if (edit) return h(Edit, { job, key: job.id });
  const current = new Set((job.next || []).map((n) => n.step));
  const last = job.steps.findLastIndex((s) => s.status === 'done' || s.status === 'skipped'); // earlier ones are put right in Entries
  return h('div', { class: 'page wide' }, h('a', { class: 'back', href: '#/jobs' }, t('page.jobs')), h('h1', null, name(job.name || id)), h('p', { class: 'small' }, epoxy(job.resin), (job.panels || []).map((p) => { const x = S.panels.find((q) => q.id === p); return x && x.area_m2 ? [' · ', name(x.name || p), ' ', area(x.area_m2)] : null; })),
    h('ol', { class: 'rows steps' }, job.steps.map((s, i) => h('li', { key: s.id, class: current.has(s.id) ? 'now' : s.status }, h('div', { class: 'item side' },
      h('div', null, h('p', null, h('b', null, i + 1 + '. ' + stepWord(s)), ' ', h('span', { class: 'small' }, name(panelName(s.panel)))), h('p', { class: 'small' }, detail(s))),
      h('p', { class: 'flag' + (current.has(s.id) ? ' act' : '') }, current.has(s.id) ? t('step.now') : word('step.', s.status)),
      i === last && may('record') ? h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('job.reopen'), aria: t('job.reopen') + ': ' + stepWord(s), onHeld: () => post({ job: id, panel: s.panel }, 'reopen', { step: s.id }, t('said.reopen', { what: stepWord(s) })).catch((e) => say(e.message)) })) : null)))),
    (job.stray || []).map((x) => h('p', { class: 'small', key: x.id }, t('job.stray', { what: word('tick.', x.did), step: name(x.step), at: clock(ms(x.at), true) }))),
    h('div', { class: 'do' }, h('a', { class: 'btn', href: `#/job/${enc(id)}/edit` }, t('job.edit')), h('a', { class: 'btn', href: '#/day' }, t('job.plan')), h('a', { class: 'btn', href: `api/v1/jobs/${enc(id)}/file`, download: id + '.toml' }, t('job.file')),
      h(Hold, { cls: 'quiet', label: t('job.remove'), onHeld: () => entry({ method: 'DELETE', path: '/jobs/' + enc(id), say: t('job.removed', { name: job.name || id }), back: (ref) => ['POST', `/entries/${ref}/undo`, {}] }).then(() => { location.hash = '#/jobs'; }, (e) => say(e.message)) })));
}

const DOS = ['coat', 'cloth', 'cover', 'wait', 'wash', 'sand', 'flip', 'unclamp', 'soak'];
const WHENS = ['start', 'tacky', 'wet', 'recoat', 'fill', 'hard', 'handle'];

// Edit changes the steps that are not done yet: what was done stays as it was.
function Edit({ job }) {
  const [d, set, done] = useDraft('job:' + job.id, () => ({ name: job.name || '', steps: job.steps.map(bare) }));
  const f = useForm(async () => {
    await call('PATCH', '/jobs/' + enc(job.id), { name: d.name.trim(), steps: d.steps.map((s, i) => ({ ...s, id: s.id || fresh(d.steps, i) })) }, d.key);
    done();
    const old = { name: job.name || '', steps: job.steps.map(bare) };
    did(t('job.changed'), () => call('PATCH', '/jobs/' + enc(job.id), old, key()).then(() => { followJobs(true); refresh(); }));
    followJobs(true);
    refresh();
    location.hash = '#/job/' + enc(job.id);
  });
  const locked = (s) => { const x = job.steps.find((y) => y.id === s.id); return x && x.status === 'done'; };
  const up = (i, patch) => set({ steps: d.steps.map((s, k) => (k === i ? clean({ ...s, ...patch }) : s)) });
  const move = (i, by) => { const l = [...d.steps], [s] = l.splice(i, 1); l.splice(i + by, 0, s); set({ steps: l }); };
  const sel = (i, k, list, label, text) => h('select', { 'aria-label': t('job.step.n', { n: i + 1 }) + ': ' + label, value: d.steps[i][k] || '', onchange: (ev) => up(i, { [k]: ev.target.value }) }, list.map((v) => h('option', { key: v, value: v, translate: text === panelName ? false : undefined }, text(v))));
  const small = (label, text, f2, off) => h('button', { type: 'button', class: 'quiet', 'aria-label': label, disabled: off, onclick: f2 }, text);
  return [h('form', { class: 'page', novalidate: true, onsubmit: f.submit, key: 'f' }, h('a', { class: 'back', href: '#/job/' + enc(job.id) }, t('back')), h('h1', null, t('job.edit')), h('p', { class: 'small' }, t('job.edit.sub')),
    h(Field, { label: t('panel.call'), field: 'name', value: d.name, onInput: (v) => set({ name: v }) }),
    h('ol', { class: 'rows' }, d.steps.map((s, i) => h('li', { key: s.id || 'new' + i, 'data-field': `steps[${i}]` }, locked(s) ? h('p', { class: 'item' }, h('b', null, i + 1 + '. ' + stepWord(s)), ' · ', t('step.done'))
      : h('div', { class: 'item line' },
        sel(i, 'do', DOS, t('job.do'), (v) => cap(t('do.' + v))), s.do === 'coat' && sel(i, 'coat', KINDS, t('coat.kind'), (v) => cap(t('kind.' + v))),
        (s.do === 'cloth' || s.do === 'coat') && sel(i, 'cloth', s.do === 'cloth' ? CLOTHS : ['', ...CLOTHS], t('cloth.which'), (v) => (v ? clothText(v) : t('cloth.none'))),
        (s.do === 'cover' || s.do === 'coat') && sel(i, 'cover', COVERS, t('coat.cover'), (v) => t('cover.' + v)),
        s.do === 'flip' && sel(i, 'to', (job.panels || []).filter((p) => p !== s.panel), t('job.flip.to'), panelName),
        s.do !== 'wait' && sel(i, 'when', WHENS, t('job.when'), (v) => t('when.' + v)),
        (job.panels || []).length > 1 && sel(i, 'panel', job.panels, t('on.which'), panelName),
        s.do === 'soak' && h(Stepper, { label: t('job.temp'), value: s.temp_c ?? 50, set: (v) => up(i, { temp_c: v }), step: 1, min: 20, max: 120, say: (v) => num(v) + '\u202f°C' }),
        s.do === 'soak' && h(Stepper, { label: t('job.ramp'), value: s.ramp_c_h ?? 10, set: (v) => up(i, { ramp_c_h: v }), step: 1, min: 1, max: 40, say: (v) => t('unit.rate', { x: num(v), unit: '°C' }) }),
        (s.do === 'soak' || s.do === 'wait') && h(Stepper, { label: t('job.hours'), value: s.hours ?? 8, set: (v) => up(i, { hours: v }), step: 1, min: 1, max: 240, say: (v) => t('unit.h', { n: num(v) }) }),
        h('div', { class: 'do' }, small(t('job.up') + ' ' + (i + 1), '↑', () => move(i, -1), i === 0 || locked(d.steps[i - 1])), small(t('job.down') + ' ' + (i + 1), '↓', () => move(i, 1), i === d.steps.length - 1), small(t('takeout') + ' ' + (i + 1), t('takeout'), () => set({ steps: d.steps.filter((_, k) => k !== i) }))),
        h(Err, { field: `steps[${i}]` }))))),
    h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => { const l = d.steps[d.steps.length - 1] || {}; set({ steps: [...d.steps, { panel: l.panel || (job.panels || [])[0], do: 'coat', coat: 'fill coat', when: 'recoat', of: l.id }] }); } }, t('onemore'))),
    h(Err, { field: 'steps' }), h(Err, { foot: true })),
  h(Foot, null, h('a', { class: 'btn', href: '#/job/' + enc(job.id) }, t('back')), h('button', { type: 'button', class: 'first', disabled: f.busy, onclick: f.submit }, t('save')))];
}

// bare is a step as it was written, without what was done of it.
const OWN = ['id', 'panel', 'do', 'coat', 'resin', 'cloth', 'area_m2', 'when', 'of', 'work_minutes', 'depth_mm', 'to', 'cover', 'bag_kpa', 'bag_minutes', 'temp_c', 'hours', 'ramp_c_h', 'note', 'name'];
const bare = (s) => Object.fromEntries(OWN.filter((k) => s[k] !== undefined && s[k] !== null && s[k] !== '').map((k) => [k, s[k]]));
// clean drops what the new kind of step has no use for.
function clean(s) {
  const drop = { coat: ['to', 'hours', 'temp_c', 'ramp_c_h'], cloth: ['coat', 'cover', 'to', 'hours', 'temp_c', 'ramp_c_h'], flip: ['coat', 'cloth', 'cover', 'hours', 'temp_c', 'ramp_c_h'] }[s.do] || ['coat', 'cloth', 'to'];
  const out = { ...s };
  for (const k of drop) delete out[k];
  for (const k of ['cloth', 'cover']) if (out[k] === '' || (k === 'cover' && out[k] === 'none')) delete out[k];
  if (out.do === 'coat') out.coat ||= 'fill coat';
  if (out.do === 'cloth') out.cloth ||= CLOTHS[2];
  if (out.do === 'soak') { out.temp_c ??= 50; out.hours ??= 8; out.ramp_c_h ??= 10; }
  if (out.do === 'wait') { out.hours ??= 8; delete out.when; }
  return out;
}
const fresh = (steps, i) => { let n = i + 1; while (steps.some((s) => s.id === 'step-' + n)) n++; return 'step-' + n; };
