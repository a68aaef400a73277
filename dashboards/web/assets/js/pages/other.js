// SPDX-License-Identifier: Apache-2.0
// "Not like this": the deviations of a step. What is left alone goes as the job
// says; each choice here is one key of the same one request.
import { h, useState } from '../lib.js';
import { S, ms, panelName } from '../state.js';
import { Said, cap, clock, grams, name } from '../say.js';
import { step } from '../acts.js';
import { Choices, Err, Field, Slip, Stepper, When, moment, useDraft } from '../form.js';
import { buttonText } from '../bench.js';
import { cardOf } from '../jobs.js';
import { COVERS, KINDS } from './coat.js';
import { t, word } from '../text.js';

export const ownFoot = true;
export const CLOTHS = ['glass 100 plain', 'glass 160 twill', 'glass 200 twill', 'glass 280 twill', 'aramid 110 plain', 'aramid 170 plain', 'carbon 160 plain', 'carbon 200 twill'];
export const clothText = (c) => c.replace(/^(\w+) (\d+) (\w+)/, (_, w, g, weave) => t('cloth.text', { cloth: t('cloth.' + w), g, weave: t('weave.' + weave) }));

export default function Other({ rest, args }) {
  const panel = rest[0], first = cardOf(panel);
  // An earlier step that nobody said: the same page, about that step.
  const steps = (first && (S.jobs[first.job] || {}).steps) || [];
  const past = args.step && steps.find((x) => x.id === args.step);
  const card = past ? { ...first, ready_cups: first.ready_cups, ...past, ...(past.card || {}), step: past.id, kind: past.do === 'coat' ? past.coat || (past.card || {}).kind : '', cups: [] } : first;
  const [d, set, done] = useDraft('other:' + panel + ':' + (card ? card.step : ''), () => ({ kind: '', cloth: '', cover: '', share: '1', cups: null, keep: [], resin: '', at: null, who: '', note: '' }));
  const [err, setErr] = useState('');
  if (!card) return h(Slip, { title: t('late.none'), sub: t('late.none.why'), button: t('page.'), save: async () => { location.hash = '#/'; } });
  const isCoat = card.do === 'coat', what = cap(card.kind ? word('kind.', card.kind) : word('do.', card.do));
  const ready = card.ready_cups || [];
  const save = async () => {
    const b = { step: card.step, at: moment(d.at) };
    if (d.kind) b.kind = d.kind;
    if (d.resin) b.resin = d.resin;
    if (d.cloth) b.cloth = d.cloth === 'none' ? [] : d.cloth;
    if (d.cover) b.cover = d.cover;
    if (d.cover === 'vacuum bag') Object.assign(b, { bag_kpa: d.kpa ?? 60, bag_minutes: d.bag ?? 480 });
    if (d.share !== '1') b.share = +d.share;
    if (d.cups !== null) b.batches = d.cups.filter((x) => x !== 'local');
    if (d.keep.length) b.keep = d.keep;
    if (d.who.trim()) b.who = d.who.trim();
    if (d.note.trim()) b.note = d.note.trim();
    await step(card, 'done', b, t('said.done', { what, panel: panelName(panel) }));
    done();
    location.hash = '#/';
  };
  const act = (a, body, words) => step(card, a, { step: card.step, ...body }, words).then(() => { done(); location.hash = '#/'; }, (e) => setErr(e.message));
  const small = (key, a, body) => h('button', { type: 'button', onclick: () => act(a, body, t('said.' + a, { what, panel: panelName(panel) })) }, t(key));
  const label = buttonText(card);
  const cloths = [{ value: '', text: card.cloth ? clothText(card.cloth) : t('cloth.none'), sub: t('as.written') }, ...(card.cloth ? [{ value: 'none', text: t('cloth.none') }] : []), ...CLOTHS.filter((c) => c !== card.cloth).map((c) => ({ value: c, text: clothText(c) }))];
  return h(Slip, { title: t('next.other'), sub: [name(panelName(panel)), ', ', what, '. ', t('other.sub')], button: label, save },
    h('div', { class: 'opts two' }, small('other.skip', 'skip', { why: '' }), small('other.later', 'later', {}), !past && small('other.repeat', 'repeat', {}), h('a', { class: 'btn', href: '#/job/' + encodeURIComponent(card.job) }, t('other.job'))),
    err && h('p', { class: 'err', role: 'alert' }, h(Said, null, err)),
    h(When, { label: t('when.was'), at: d.at, onPick: (at) => set({ at }) }),
    isCoat && h(Choices, { label: t('other.share'), field: 'share', list: [['1', 'share.all'], ['0.5', 'share.half'], ['0.33', 'share.third']].map(([value, k]) => ({ value, text: t(k) })), value: d.share, onPick: (share) => set({ share }), cls: 'three' }),
    isCoat && (ready.length > 0 || (S.snap.cups || []).length > 0) && h(Choices, {
      label: t('other.cups'), field: 'batches', many: true, cls: 'two', value: d.cups ?? ready.map((c) => c.batch), onPick: (cups) => set({ cups }),
      list: [...ready.map((c) => ({ value: c.batch, text: grams(c.grams), sub: [name(c.resin), ', ', t('cup.mixed', { at: clock(ms(c.mixed), true) })] })), ...(S.snap.cups || []).filter((c) => !ready.some((x) => x.batch === c.batch)).map((c) => ({ value: c.batch, text: grams(c.grams), sub: [name(c.resin), ', ', t('cup.mixed', { at: clock(ms(c.mixed), true) })] }))],
    }),
    isCoat && ready.length > 0 && h(Choices, { label: t('other.keep'), field: 'keep', many: true, cls: 'two', value: d.keep, onPick: (keep) => set({ keep }), list: ready.map((c) => ({ value: c.batch, text: t('other.keep.cup', { grams: grams(c.grams) }) })) }),
    isCoat && h(Choices, { label: t('coat.kind'), field: 'kind', list: [{ value: '', text: what, sub: t('as.written') }, ...KINDS.filter((k) => k !== card.kind).map((v) => ({ value: v, text: cap(word('kind.', v)) }))], value: d.kind, onPick: (kind) => set({ kind }), cls: 'two' }),
    isCoat && h(Choices, { label: t('resin.which'), field: 'resin', list: [{ value: '', text: card.resin || '–', sub: t('as.written'), said: true }, ...S.resins.filter((r) => r.name !== card.resin).map((r) => ({ value: r.name, text: r.name, said: true }))], value: d.resin, onPick: (resin) => set({ resin }), cls: 'two' }),
    (isCoat || card.do === 'cloth') && h(Choices, { label: t('cloth.which'), field: 'cloth', list: cloths, value: d.cloth, onPick: (cloth) => set({ cloth }), cls: 'two' }),
    (isCoat || card.do === 'cover') && h(Choices, { label: t('coat.cover'), field: 'cover', list: [{ value: '', text: t('cover.' + (card.cover || 'none')), sub: t('as.written') }, ...COVERS.filter((c) => c !== (card.cover || 'none')).map((v) => ({ value: v, text: t('cover.' + v) }))], value: d.cover, onPick: (cover) => set({ cover }), cls: 'two' }),
    d.cover === 'vacuum bag' && [h(Stepper, { label: t('bag.kpa'), value: d.kpa ?? 60, set: (kpa) => set({ kpa }), step: 5, min: 5, max: 100, say: (v) => t('bag.kpa.is', { n: v }) }), h(Stepper, { label: t('bag.minutes'), value: (d.bag ?? 480) / 60, set: (v) => set({ bag: v * 60 }), step: 1, min: 1, max: 48, say: (v) => t('unit.h', { n: v }) })],
    h(Field, { label: t('other.who'), field: 'who', value: d.who, onInput: (who) => set({ who }), hint: t('other.who.hint') }),
    h(Field, { label: t('note'), field: 'note', value: d.note, onInput: (note) => set({ note }) }), h(Err, { field: 'step' }));
}
