// SPDX-License-Identifier: Apache-2.0
// The job as the bench needs it: one next step a panel, also while entries wait
// on this phone. What is queued is laid over the board's last word, so that the
// thumb can go on without a line; the board's answer then takes its place.

import { S, changed, coats, ms, remember } from './state.js';
import { get, rows } from './line.js';

let asked = '';
// followJobs fetches the jobs whose steps the bench shows, once a change.
export function followJobs(again) {
  const ids = [...new Set(((S.snap && S.snap.next) || []).map((n) => n.job))].sort();
  const want = ids.join();
  if (!again && want === asked) return;
  asked = want;
  Promise.all(ids.map((id) => get('/jobs/' + encodeURIComponent(id)).then((j) => { S.jobs[id] = j; }))).then(() => { changed(); remember(); }, () => { asked = ''; });
}

const blank = { ready_cups: [], cups: [], notes: [], cautions: [], unsaid: [], contradictions: [], parts: [] };

// after is the card of the step that follows another, for the panel that lies
// up then. Without a line its moment is not known: only what the hands need.
function after(card, stepId) {
  const steps = (S.jobs[card.job] || {}).steps || [];
  const i = steps.findIndex((x) => x.id === stepId);
  const up = i >= 0 && steps[i].do === 'flip' && steps[i].to ? steps[i].to : card.panel;
  const next = steps.slice(i + 1).find((x) => x.panel === up && x.status !== 'done' && x.status !== 'skipped');
  const base = { ...blank, job: card.job, job_name: card.job_name, panel: up, guessed: true };
  if (!next) return { ...base, status: 'over', primary: 'none', order: '', do: '' };
  const c = next.card || {};
  if (next.do === 'wait') return { ...base, ...next, ...c, panel: up, step: next.id, status: 'before', cups: [], primary: 'none' };
  const cups = (c.cups || []).map((x) => ({ ...x, batch: null }));
  return { ...base, ...next, ...c, ...{ panel: up, step: next.id, status: 'unknown', cups, primary: next.do === 'coat' ? 'mixed' : 'done' } };
}

// fold lays one queued entry over a card.
function fold(card, a) {
  if (a.what === 'mixed') {
    const k = a.cup ?? card.cups.findIndex((c) => !c.batch);
    const cup = card.cups[k] || {};
    const cups = card.cups.map((c, i) => (i === k ? { ...c, batch: 'local' } : c));
    if (a.on) return { ...card, more: card.more ? { ...card.more, cups_left: Math.max(0, card.more.cups_left - 1), cups: (card.more.cups || []).slice(1) } : null };
    const one = { batch: 'local', resin: a.resin || card.resin, grams: a.resin_g ? a.resin_g + (a.hardener_g || 0) : cup.grams, mixed: a.at, for_step: true, work_minutes: cup.work_minutes };
    return { ...card, cups, ready_cups: [...(card.ready_cups || []), one], primary: 'done' };
  }
  if (a.what === 'done' && !(a.share < 1) && a.step === card.step) {
    const left = (card.cups || []).filter((c) => !c.batch);
    return { ...after(card, a.step), more: card.do === 'coat' ? { step: card.step, coat: 'local', kind: card.kind, cups_left: left.length, cups: left } : null };
  }
  if (a.what === 'skip' && a.step === card.step) return after(card, a.step);
  if (a.what === 'later' && a.step === card.step) return { ...card, status: 'later', until: a.until || null, primary: 'none', guessed: true };
  if (a.what === 'feel' && card.primary === 'feel') {
    // The finger was asked and has spoken: without a line it leads on.
    const c = (((S.jobs[card.job] || {}).steps || []).find((x) => x.id === card.step) || {}).card || {};
    return { ...card, guessed: true, status: 'unknown', order: c.order || card.order, say: [], primary: card.do === 'coat' && !(card.ready_cups || []).length ? 'mixed' : 'done' };
  }
  return card;
}

// nextCards are the cards to show.
export function nextCards() {
  let list = ((S.snap && S.snap.next) || []).map((n) => ({ ...blank, ...n }));
  for (const e of S.queue) {
    if (e.refused || !e.act || !e.act.job) continue;
    list = list.map((c) => (c.job === e.act.job && c.panel === e.act.panel ? fold(c, e.act) : c));
  }
  return list;
}
export const cardOf = (panel) => nextCards().find((c) => c.panel === panel);

// onPanel lists the coats of a panel that are followed, the last one first.
export const onPanel = (panel) => coats().filter((e) => e.panel === panel).sort((a, b) => ms(b.applied_at) - ms(a.applied_at));

// place is a card's step and the number of steps.
export function place(card) {
  const j = S.jobs[card.job];
  if (!j || !j.steps) return null;
  const i = j.steps.findIndex((x) => x.id === card.step);
  return i < 0 ? null : { n: i + 1, of: j.steps.length };
}

// allJobs lists the jobs, for the pages that choose one.
export const allJobs = () => get('/jobs').then((x) => rows(x, 'jobs'));
