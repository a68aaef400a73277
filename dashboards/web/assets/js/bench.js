// SPDX-License-Identifier: Apache-2.0
// The bench: one big next step a panel, who needs you next first.

import { h, useLayoutEffect, useRef, useState } from './lib.js';
import { S, changed, coats, firing, iso, may, ms, now, panelName, panelOf, settings, trusted } from './state.js';
import { HOUR, MIN, STATES, Said, area, cap, chance, clock, deg, diffNum, epoxy, finger, grams, minus, name, num, plain, rate, sentence, span, stateWord, temp, tempEl, timeEl, unit } from './say.js';
import { axis, grid, range, strip, swatch } from './strip.js';
import { get, rows } from './line.js';
import { ack, enc, endCoat, feelCoat, step, takeClock, usedUp } from './acts.js';
import { Foot, Hold } from './foot.js';
import { followJobs, nextCards, place } from './jobs.js';
import { Notice } from './sound.js';
import { has, stop, t, word } from './text.js';

const LEFT = 424, GAP = 40; // as in the style sheet
const FLAGS = { 'act now': ['act', 0], trouble: ['trouble', 1], soon: ['soon', 2], 'not known': ['unknown', 3], wait: ['', 4], done: ['', 5] };

// --- what stands on the bench -------------------------------------------------

// items are the panels with something to say: each with its card of the job, its
// last coat, or both.
function items() {
  const out = new Map();
  for (const c of nextCards()) out.set(c.panel, { panel: c.panel, card: c });
  for (const e of coats()) {
    const it = out.get(e.panel) || { panel: e.panel };
    if (!it.coat || ms(e.applied_at) > ms(it.coat.applied_at)) it.coat = e;
    it.n = (it.n || 0) + 1;
    out.set(e.panel, it);
  }
  return [...out.values()].map((it) => ({ ...it, flag: flagOf(it), rank: rank(it) })).sort((a, b) => {
    for (let i = 0; i < a.rank.length; i++) if (a.rank[i] !== b.rank[i]) return a.rank[i] < b.rank[i] ? -1 : 1;
    return a.panel < b.panel ? -1 : 1;
  });
}

const CARD_FLAG = { now: 'act now', closed: 'trouble', feel: 'soon', unknown: 'not known', over: 'done', cold: 'not known' };
const flagOf = ({ card, coat }) => (card && !card.guessed ? CARD_FLAG[card.status] || 'wait' : coat ? coat.flag : card ? 'wait' : 'wait');

function rank({ card, coat, panel }) {
  const f = FLAGS[flagOf({ card, coat })] || ['', 4];
  const w = coat && coat.next_window, n = now();
  const ts = [card && ms(card.closes), card && ms(card.opens), card && card.feel && ms(card.feel.from), w && ms(w.closes), w && ms(w.feel_from), w && ms(w.opens)].filter((x) => x && x >= n - 6 * HOUR);
  return [f[1], Math.min(Infinity, ...ts), coat ? -ms(coat.applied_at) : 0, panel];
}

function airLine() {
  const shop = S.snap.result.shop, surf = (S.snap.surfaces || []).filter((x) => x.temp_c != null), out = [];
  const withAir = surf.find((x) => x.air_c != null) || surf[0];
  const airC = shop && shop.temp_c != null ? shop.temp_c : withAir ? withAir.air_c : null;
  const pct = (x) => h('b', null, num(x), h('small', null, '%'));
  if (shop || withAir) out.push(withAir && withAir.rh_pct != null ? t('air.shed.rh', { temp: tempEl(airC), rh: pct(withAir.rh_pct) }) : t('air.shed', { temp: tempEl(airC) }));
  for (const x of surf.length > 4 ? [...surf].sort((a, b) => (a.dew_margin_k ?? 99) - (b.dew_margin_k ?? 99)).slice(0, 3) : surf) {
    const m = x.dew_margin_k, facts = { panel: name(panelName(x.panel)), temp: tempEl(x.temp_c) };
    if (m == null) out.push(t('air.panel', facts));
    else if (m <= 0) out.push(t('air.under', { ...facts, under: h('b', { class: 'none' }, t('air.underdew')) }));
    else out.push(t('air.over', { ...facts, margin: h('b', { class: m < 3 ? 'none' : null }, m < 3 ? t('air.only') + ' ' : '', minus(diffNum(m)), h('small', null, unit())) }));
  }
  if (shop && shop.low_c) {
    const lo = shop.low_c, b = h('b', null, minus(deg(lo.p50)), h('small', null, unit()));
    const facts = { low: b, from: minus(deg(lo.p10)), to: minus(deg(lo.p90)), at: shop.low_at && trusted() ? timeEl(ms(shop.low_at)) : '' };
    out.push(t('air.low' + (Math.abs(lo.p90 - lo.p10) >= 1 ? '.range' : '') + (facts.at ? '.at' : ''), facts));
  }
  return out.length ? h('p', { class: 'air', key: 'air' }, out.map((x) => h('span', null, x))) : null;
}

// --- notices -----------------------------------------------------------------

const quiet = () => (S.snap.probes || []).filter((p) => p.accepted && p.state !== 'ok' && (p.state !== 'waiting' || p.wired));

// probeNotes say what a probe lacks, one card a probe: what is called about it
// is said there and not again.
function probeNotes() {
  return quiet().map((p) => {
    const last = ms(p.last_at), { id } = p;
    const call = firing().find((a) => a.subject === id);
    return h('div', { class: 'note harm', key: 'probe-' + id }, h('p', null, h('span', { class: 'mark' }, t('probe.is', { name: name(p.name || id), state: word('probe.say.', p.state) })), ' ',
      last ? t(trusted() ? 'probe.heard' : 'probe.heard.ago', { at: clock(last, true), ago: span(now() - last) }) : t('probe.never'), ' ',
      p.panel ? [t('probe.judged', { panel: name(panelName(p.panel)) }), ' '] : '', p.hint ? h(Said, null, cap(stop(p.hint))) : h('a', { href: '#/probes' }, t('probe.see'))),
    call && call.state === 'firing' && h('div', { class: 'do' }, h(Got, { a: call })));
  });
}

function Got({ a, quiet: q }) {
  return h('button', { type: 'button', class: q ? 'quiet' : '', 'aria-label': t('got.it') + ': ' + a.say, onclick: () => ack(a) }, t('got.it'));
}

function cup(c) {
  const alarm = firing().find((a) => a.subject === c.batch && a.state === 'firing');
  const left = ms(c.ends_at) - now(), late = left <= 0, soonEnd = left < 8 * MIN;
  const facts = { grams: c.grams != null ? grams(c.grams) : '', resin: name(c.resin), at: timeEl(ms(c.mixed), true) };
  const near = c.danger === 'now' || c.danger === 'soon';
  const advice = late ? (alarm ? h(Said, null, alarm.say) : t('cup.late')) : c.on_panel ? '' : near ? h(Said, null, c.do) : soonEnd ? t('cup.soon') : '';
  return h('div', { class: 'cup' + (late || soonEnd ? ' late' : ''), key: 'cup-' + c.batch },
    h('div', null, h('strong', null, late ? t('cup.up') : t('cup.left', { span: span(left) })), h('span', null, t(c.grams != null ? 'cup.of' : 'cup.some', facts), ' ', advice)),
    h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => usedUp(c.batch), 'data-id': c.batch }, t('cup.used')), alarm && h(Got, { a: alarm })));
}

function calling(a) {
  return h('div', { class: 'call ' + a.severity, key: 'call-' + a.id },
    h('div', null, h('p', null, a.severity === 'danger' ? h('b', null, t('danger') + ' ') : null, h(Said, null, a.say)),
      h('p', { class: 'who' }, a.panel ? [name(panelName(a.panel)), ', '] : '', t('call.since', { at: clock(ms(a.fired_at) ?? ms(a.since), true) }), a.state === 'acknowledged' ? ', ' + t('call.heard') : '')),
    a.state === 'firing' && h('div', { class: 'do' }, h(Got, { a })));
}

function notices() {
  const st = settings(), out = [];
  const side = (key, mark, text, act) => h('div', { class: 'note side' + (mark ? ' harm' : ''), key }, h('p', null, mark && h('span', { class: 'mark' }, mark), mark && ' ', text), act && h('div', { class: 'do' }, act));
  if (st.store_trouble) out.push(side('store', t('store.mark'), h(Said, null, st.store_trouble)));
  if (!st.clock_trusted) out.push(side('clock', t('clock.unknown'), [t('clock.lengths'), st.waits ? ' ' : null, st.waits ? h(Said, null, st.waits) : null], h('button', { type: 'button', onclick: takeClock }, t('clock.take'))));
  const strange = (S.snap.probes || []).filter((p) => !p.accepted);
  if (strange.length) out.push(side('strange', '', t('strange', { n: strange.length, names: name(strange.slice(0, 3).map((p) => p.id).join(', ')) }), h('a', { class: 'btn', href: '#/probes' + (strange.length === 1 ? '/' + enc(strange[0].id) : '') }, t('strange.name'))));
  return out;
}

// nights says what the sleeping hours would do; panels of which the same is said
// are named together.
function nights(list) {
  const say = new Map();
  for (const { coat: e } of list) {
    const o = e && e.overnight;
    if (!o || !(o.say || []).length || Math.max(o.window_closes, o.stalls, o.dew) < 0.05) continue;
    const k = plain(o.say);
    say.set(k, { parts: o.say, panels: [...(say.get(k) || { panels: [] }).panels, panelName(e.panel)] });
  }
  const all = [...say.values()];
  return all.length > 0 && h('div', { class: 'note', key: 'night' }, h('h2', null, t('night')),
    all.slice(0, 4).map((x) => h('p', null, h('b', null, name(x.panels.join(', ')), ': '), sentence(x.parts))),
    all.length > 4 && h('p', null, t('night.more', { n: all.length - 4 })));
}

// --- one panel ----------------------------------------------------------------

function chances(e) {
  const p = e && e.state_probability;
  if (!p) return null;
  const top = STATES.map((k) => [k, p[k]]).filter(([, v]) => v >= 0.1).sort((a, b) => b[1] - a[1]).slice(0, 3);
  if (!top.length || top[0][1] > 0.95) return null;
  return h('p', { class: 'chances' }, t('odds'), ' ', top.map(([k, v], i) => [i ? ', ' : '', h('b', null, stateWord(k)), ' ', chance(v)]), '.');
}

// Fingers are the words of a finger test: one tap on the word is the entry.
export function Fingers({ onPick }) {
  return h('div', { class: 'opts two fingers' }, STATES.map((k) => h('button', { type: 'button', key: k, onclick: () => onPick(k) }, finger(k))));
}

// cloth says what is laid in: the board keeps it as one word, "glass 200 twill".
const clothWord = (c) => (typeof c === 'string' ? c.replace(/^(\w+) (\d+)/, (_, w, n) => `${w} ${n}\u202fg/m²`) : c);

const buttonText = (card) => (card.button ? (has('button.' + card.button) ? t('button.' + card.button) : card.button) : t('button.done'));

// Need is the card: what the hands need for the step, large, and its one button.
function Need({ card, go, busy }) {
  const cups = card.cups || [], next = cups.find((c) => !c.batch), ready = card.ready_cups || [];
  const mixing = card.primary === 'mixed' && card.do === 'coat';
  const n = cups.length, k = cups.indexOf(next) + 1;
  const g = mixing && next ? next : null;
  const facts = [];
  const line = (key, ...x) => facts.push(h('li', { key }, ...x));
  if (mixing && next) {
    if (next.ratio && /\d/.test(next.ratio)) line('ratio', name(cap(next.ratio)));
    if (next.work_minutes != null) line('work', t(next.shape === 'tray' ? 'need.tray' : 'need.work', { span: h('b', null, span(next.work_minutes * MIN)) }));
    if (next.note) line('note', h(Said, null, stop(next.note)));
  }
  for (const c of card.primary === 'done' ? ready : []) {
    const ends = ms((S.snap.cups || []).find((x) => x.batch === c.batch)?.ends_at) ?? (c.work_minutes ? ms(c.mixed) + c.work_minutes * MIN : null);
    line('cup' + c.batch, ends && ends <= now() ? t('need.cup.late', { grams: h('b', null, grams(c.grams)) }) : t(ends ? 'need.cup.until' : 'need.cup', { grams: h('b', null, grams(c.grams)), at: clock(ms(c.mixed), true), until: ends ? h('b', null, clock(ends, true)) : '' }));
  }
  if (card.cloth) line('cloth', t(card.do === 'coat' ? 'need.cloth.at.once' : 'need.cloth', { cloth: h('b', null, name(clothWord(card.cloth))) }));
  if (card.cover && card.cover !== 'none') line('cover', t(card.bag_minutes ? 'need.bag' : 'need.cover', { cover: h('b', null, word('cover.', card.cover)), kpa: card.bag_kpa, span: span((card.bag_minutes || 0) * MIN) }));
  if (card.lot) line('lot', t('need.lot', { lot: name(card.lot) }));
  if (card.depth_mm) line('depth', t('need.depth', { mm: num(card.depth_mm) }));
  if (card.do === 'soak' && card.temp_c != null) line('soak', t(card.ramp_c_h ? 'need.soak.ramp' : 'need.soak', { temp: h('b', null, temp(card.temp_c)), span: h('b', null, span((card.hours || 0) * HOUR)), rate: card.ramp_c_h ? rate(card.ramp_c_h) : '' }));
  if (card.do === 'flip' && card.to) line('to', t('need.to', { panel: h('b', null, name(panelName(card.to))) }));
  if (card.share_done) line('share', t('need.share', { n: Math.round(card.share_done * 100) }));
  for (const x of card.notes || []) line('n' + x, h(Said, null, cap(stop(x))));
  const what = card.kind ? word('kind.', card.kind) : word('do.', card.do);
  const title = mixing && n > 1 ? t('need.title.cup', { what: cap(what), k, n }) : t(card.area_m2 ? 'need.title.area' : 'need.title', { what: cap(what), area: card.area_m2 ? area(card.area_m2) : '' });
  const label = mixing ? t('next.mixed') : buttonText(card);
  const early = card.primary === 'none' || (card.status === 'before' && card.primary !== 'mixed');
  if (early && !facts.length && !g) return null;
  return h('div', { class: 'need' }, h('h3', null, title),
    g && h(Grams, { c: g }),
    facts.length > 0 && h('ul', { class: 'facts' }, facts),
    card.do === 'soak' && S.me && S.me.tent && may('control') && h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/tent/' + enc(card.panel) }, t('need.soak.set'))),
    may('record') && !early ? h('button', { type: 'button', class: 'first go', disabled: busy, onclick: () => go(mixing ? 'mixed' : 'done') }, label) : null);
}

// Second is the next cup of the coat that has just gone on: while one is left,
// it is what the hands need, and one tap says that it went on too.
function Second({ more, onDone, busy, onEnough }) {
  const c = (more.cups || [])[0] || {}, what = cap(word('kind.', more.kind));
  return h('div', { class: 'need' }, h('h3', null, t(more.cups_left > 1 ? 'need.more.n' : 'need.more', { what, n: more.cups_left })),
    h(Grams, { c }),
    may('record') && [h('button', { type: 'button', class: 'first go', disabled: busy, onclick: onDone }, t('next.more')), h('div', { class: 'do' }, h('button', { type: 'button', class: 'quiet', onclick: onEnough }, t('next.enough')))]);
}

// Grams are a cup's two masses, large; the mixed one where no ratio is known.
function Grams({ c }) {
  const g = (v, k) => h('div', null, h('b', null, num(v)), h('small', null, t(k)));
  return c.resin_g != null ? h('div', { class: 'grams' }, g(c.resin_g, 'g.resin'), g(c.hardener_g, 'g.hardener')) : c.grams != null ? h('div', { class: 'grams' }, g(c.grams, 'g.mixed')) : null;
}

function Panel({ it, opt }) {
  const { card, coat: e, panel } = it;
  const [enough, setEnough] = useState('');
  const [feeling, setFeeling] = useState(false);
  const [busy, setBusy] = useState(false);
  const [cls] = FLAGS[it.flag] || [''];
  const calls = firing().filter((a) => e && a.subject === e.id && a.severity !== 'danger');
  const call = calls.find((a) => a.state === 'firing');
  const guessed = card && card.guessed;
  const left = card && card.more && card.more.cups_left > 0 && card.more.coat + card.more.step !== enough ? card.more : null;
  const order = left ? t('next.cup') : card ? (guessed ? (card.order ? h(Said, null, card.order) : t(card.status === 'over' ? 'next.over' : card.status === 'later' ? 'next.later' : 'next.next')) : (card.say || []).length ? sentence(card.say) : h(Said, null, card.order)) : (e.say || []).length ? sentence(e.say) : h(Said, null, e.advice);
  const because = e && !guessed ? (e.because || []).length ? sentence(e.because) : (e.unknown_why || []).length ? h('span', null, cap(e.unknown_why.map((k) => word('why.', k)).join('; ')) + '.') : null : null;
  const p = card && place(card);
  // One tap is one entry, whatever the thumb does.
  const run = async (f) => {
    if (busy) return;
    setBusy(true);
    try {
      await f();
    } catch (err) {
      S.said = err.message;
      changed();
    }
    setBusy(false);
  };
  const what = (act, k) => (act === 'feel' ? t('said.feel', { finger: finger(k), panel: panelName(panel) }) : t(act === 'mixed' ? 'said.mixed' : 'said.done', { what: cap(card.kind ? word('kind.', card.kind) : word('do.', card.do)), panel: panelName(panel) }));
  const go = (act, body = {}) => run(() => step(card, act, { step: card.step, ...body }, what(act)));
  const feel = (k) => {
    setFeeling(false);
    if (card) run(() => step(card, 'feel', { panel, ...(card.feel && card.feel.coat ? { coat: card.feel.coat } : e ? { coat: e.id } : {}), state: k }, what('feel', k)));
    else run(() => feelCoat(e.id, k, null, what('feel', k)));
  };
  const canFeel = (e || guessed) && may('record');
  // Without a line the moment is not known here: the finger leads, so its words
  // stand beside the step.
  const words = canFeel && (feeling || (!left && ((card && (card.primary === 'feel' || S.lost)) || guessed)));
  const over = card && card.status === 'over';
  // A cup in the hand is the next coat's, not another one of the last.
  const more = card && !left && !(card.ready_cups || []).length && (card.more || lastCoat(card, e));
  const another = (m) => run(() => step(card, 'mixed', { step: m.step, on: true }, t('said.more', { panel: panelName(panel) })));
  return h('article', { class: 'coat ' + cls, 'data-coat': e ? e.id : '', 'data-panel': panel, 'aria-label': panelName(panel) },
    h('div', { class: 'text' },
      h('header', null, h('h2', null, e ? h('a', { href: '#/coat/' + enc(e.id) }, name(panelName(panel))) : name(panelName(panel))),
        h('span', { class: 'flag ' + cls }, word('flag.', it.flag)), p && h('a', { class: 'place', href: '#/job/' + enc(card.job) }, t('next.place', p)),
        e && h('p', { class: 'sub' }, word('kind.', e.kind), ' ', timeEl(ms(e.applied_at), true), ' · ', epoxy(e.resin), e.temp_c != null ? [' · ', t('sub.panel', { temp: tempEl(e.temp_c) })] : '',
          e.panel_from === 'air' ? ' ' + t('sub.air') : '', e.panel_from === 'none' ? [' · ', h('b', { class: 'none' }, t('none.reading'))] : '')),
      h('p', { class: 'say' }, order),
      because && h('p', { class: 'why' }, because),
      guessed && card.status === 'unknown' && h('p', { class: 'why' }, t('next.noline')),
      !guessed && chances(e),
      e && !guessed && e.learnt && e.next_window && h('p', { class: 'why' }, h('a', { class: 'plain', href: '#/resin/' + enc(e.resin) }, h(Said, null, e.learnt))),
      e && e.blush && (e.blush.band === 'elevated' || e.blush.band === 'high') && !e.blush.condensed && h('p', { class: 'why' }, h('b', null, t('blush.is', { band: word('blush.', e.blush.band) })), ' ', t('blush.likely')),
      !guessed && calls.slice(0, 1).map((a) => h('p', { class: 'why', key: a.id }, t(a.state === 'firing' ? 'called.at' : 'called.heard', { at: timeEl(ms(a.fired_at) ?? ms(a.since), true) })))),
    e ? h('div', { class: 'fig' }, strip(e, { ...opt, trace: traces.get(e.id) && traces.get(e.id).points })) : null,
    h('div', { class: 'acts' },
      left && h(Second, { more: left, busy, onDone: () => another(left), onEnough: () => setEnough(left.coat + left.step) }),
      card && !over && !left && (!words || guessed || (S.lost && card.primary !== 'feel')) && h(Need, { card, go, busy }),
      card && card.mend && may('record') && h('div', { class: 'need' }, h('p', { class: 'why' }, h(Said, null, cap(stop(card.mend.say)))),
        h('button', { type: 'button', class: 'first go', disabled: busy, onclick: () => run(() => (card.mend.do === 'insert' ? step(card, 'insert', { at: undefined, before: card.mend.step, step: card.mend.make }, t('said.mend', { panel: panelName(panel) })) : step(card, 'repeat', { step: card.mend.step }, t('said.mend', { panel: panelName(panel) })))) }, t('next.mend'))),
      words && h('div', { class: 'need' }, h('h3', null, t('finger.ask')), h(Fingers, { onPick: feel })),
      card && (card.contradictions || []).map((x) => h(Contradiction, { key: x.step + x.field, card, x, run })),
      card && (card.unsaid || []).map((x) => h('div', { class: 'note side', key: x.step }, h('p', null, h(Said, null, cap(stop(x.say)))), h('div', { class: 'do' }, h('a', { class: 'btn', href: `#/other/${enc(panel)}?step=${enc(x.step)}` }, t('unsaid.was'))))),
      h('div', { class: 'do pair' },
        canFeel && (words && feeling ? h('button', { type: 'button', onclick: () => setFeeling(false) }, t('finger.not')) : !words && h('button', { type: 'button', onclick: () => setFeeling(true), 'aria-label': t('feel.it') + ': ' + panelName(panel) }, t('feel.it'))),
        card && words && !guessed && card.primary === 'feel' && may('record') && h('button', { type: 'button', disabled: busy, onclick: () => go((card.ready_cups || []).length || card.do !== 'coat' ? 'done' : 'mixed') }, (card.ready_cups || []).length || card.do !== 'coat' ? buttonText(card) : t('next.mixed')),
        card && !over && !words && (left || card.primary === 'mixed' || (card.primary === 'done' && (card.cups || []).some((x) => !x.batch))) && !guessed && may('record') && h('a', { class: 'btn', href: '#/mix/' + enc(panel) }, t('need.weigh')),
        more && may('record') && h('button', { type: 'button', disabled: busy, onclick: () => another(more) }, t('next.more')),
        card && !over && may('record') && h('a', { class: 'btn', href: `#/late/${enc(panel)}${card.primary === 'feel' ? '?what=feel' : ''}`, 'aria-label': t('when.earlier') + ': ' + panelName(panel) }, t('when.earlier')),
        card && may('record') && h('a', { class: 'btn', href: '#/other/' + enc(panel), 'aria-label': t('next.other') + ': ' + panelName(panel) }, t('next.other')),
        !card && may('record') && h('a', { class: 'btn' + (it.flag === 'act now' || it.flag === 'soon' ? ' first' : ''), href: nextHref(e) }, t(nextText(e))),
        !card && it.flag === 'done' && may('record') && h(Hold, { cls: 'quiet', label: t('hold.done'), aria: t('hold.done') + ': ' + panelName(panel), onHeld: () => endCoat(e.id) }),
        call && h(Got, { a: call, quiet: true }))));
}

// lastCoat is the step whose coat has just gone on: it may take another cup, also
// one that no plan foresaw.
function lastCoat(card, e) {
  const s = ((S.jobs[card.job] || {}).steps || []).filter((x) => x.do === 'coat' && x.panel === card.panel && x.status === 'done').pop();
  return s && e && now() - ms(e.applied_at) < 1.5 * HOUR ? { step: s.id, cups_left: 0 } : null;
}

// Two entries of one thing: which is right?
function Contradiction({ card, x, run }) {
  const side = (s) => h('button', { type: 'button', onclick: () => run(() => step(card, 'settle', { step: x.step, keep: s.tick }, t('said.settled'))) }, h(Said, null, s.value), h('em', null, h(Said, null, s.by)));
  return h('div', { class: 'note harm' }, h('p', null, h(Said, null, x.say)), may('record') && h('div', { class: 'do' }, side(x.a), side(x.b)));
}

// A coat without a job: what its next step is called, and where it leads.
const nextText = (e) => { const k = e.next_window && e.next_window.kind; return k && /cloth into|^cloth$/.test(k) ? 'next.cloth' : k && /^fill/.test(k) ? 'next.fill' : 'next.coat'; };
function nextHref(e) {
  const k = nextText(e);
  if (k === 'next.cloth') return '#/cloth/' + enc(e.id);
  return '#/on/' + enc(e.panel) + (k === 'next.fill' ? '?kind=fill%20coat' : '');
}

// --- temperature lines of a wide screen, fetched for coats in view -------------

const traces = new Map(); // coat id -> {points, at}
const inView = new Set();
let eye = null;

function wantTraces(opt) {
  if (!opt.wide) return;
  for (const id of inView) {
    const have = traces.get(id);
    if (have && (have.busy || Date.now() - have.at < 60e3)) continue;
    traces.set(id, { ...(have || { points: null }), busy: true, at: Date.now() });
    const q = `from=${enc(iso(opt.t0))}&to=${enc(iso(opt.t1))}&points=120`;
    get(`/coats/${enc(id)}/trace?${q}`).then((x) => {
      traces.set(id, { points: rows(x, 'points'), at: Date.now() });
      changed();
    }).catch(() => traces.set(id, { points: null, at: Date.now() }));
  }
}

function watchView(box) {
  eye ||= new IntersectionObserver((es) => {
    for (const e of es) {
      const id = e.target.dataset.coat;
      if (e.isIntersecting && id) inView.add(id); else inView.delete(id);
    }
  }, { rootMargin: '200px' });
  for (const c of box.querySelectorAll('.coat:not([data-seen])')) {
    c.dataset.seen = '1';
    eye.observe(c);
  }
}

// ---------------------------------------------------------------------------

// geometry is the room of the strips, as the style sheet gives it to main.
export function geometry() {
  const wide = innerWidth >= 900;
  const inner = Math.min(1240, document.documentElement.clientWidth) - (wide ? 64 : 32);
  const [t0, t1] = range(wide);
  return { wide, inner, w: Math.max(200, Math.floor(wide ? inner - LEFT - GAP : inner)), t0, t1 };
}

// thread is the one plumb line of a wide screen: it hangs from the axis past
// every strip, with its bob below the last; the hours are ruled behind.
function thread(opt) {
  const x = (at) => ((at - opt.t0) / (opt.t1 - opt.t0)) * opt.w;
  const n = x(now()).toFixed(1);
  return [
    h('svg', { class: 'ruled', width: opt.w, height: '100%', 'aria-hidden': 'true', key: 'ruled' }, grid(opt.t0, opt.t1, x, 0, '100%', 2)),
    h('svg', { class: 'thread', width: opt.w, height: '100%', 'aria-hidden': 'true', key: 'thread' }, h('line', { class: 'plumb', x1: n, x2: n, y1: 0, y2: '100%' })),
    h('svg', { class: 'bobbox', width: opt.w, height: 20, 'aria-hidden': 'true', key: 'bob' }, h('path', { class: 'bob', transform: `translate(${n} 0)`, d: 'M-5 0h10l-1.6 6 -3.4 12 -3.4 -12z' }))];
}

// First is a fresh board: the air, or that there is no probe yet, and the one
// thing to do.
function First() {
  const none = !(S.snap.probes || []).length;
  return h('section', { class: 'firstrun', key: 'first' },
    none ? h('p', { class: 'air' }, t('first.noprobe'), ' ', h('a', { href: '#/probes' }, t('probe.how'))) : airLine() || h('p', { class: 'air' }, t('first.noair')),
    h('p', { class: 'say' }, t(S.panels.length ? 'first.again' : 'first.say')),
    h('div', { class: 'do' }, h('a', { class: 'btn first', href: '#/write' }, t('first.job')), h('a', { class: 'btn', href: '#/mixed' }, t('first.mix'))));
}

function legend() {
  const key = (...kids) => h('svg', { width: 34, height: 18, viewBox: '0 0 34 18', 'aria-hidden': 'true' }, kids);
  return h('div', { class: 'legend' },
    [...STATES, 'unknown'].map((x) => h('span', { key: x }, swatch(x), stateWord(x))),
    h('span', null, key(h('rect', { class: 'key-win', x: 0, y: 5, width: 34, height: 9 })), t('legend.window')),
    h('span', null, key(h('rect', { class: 'sleep', x: 0, y: 5, width: 34, height: 7 })), t('legend.sleep')),
    h('span', null, key(h('g', { class: 'thumb', transform: 'translate(17 9)' }, h('ellipse', { rx: 5, ry: 8 }))), t('legend.finger')),
    h('span', null, key(h('path', { class: 'plumb', d: 'M17 0V10' }), h('path', { class: 'bob', d: 'M13 10h8l-4 8z' })), t('legend.now')),
    h('span', null, key(h('path', { class: 'torn-edge', d: 'M8 0l3 3 -4 3 4 3 -5 3 3 3 -1 3M26 0l-3 3 4 3 -4 3 5 3 -3 3 1 3' })), t('none.reading')),
    h('span', null, key(h('path', { class: 'drop', d: 'M17 2c4 5 5 7 5 9a5 5 0 0 1 -10 0c0 -2 1 -4 5 -9z' })), t('legend.drops')));
}

let spoken = '';
const speak = (text) => {
  if (!text || text === spoken) return;
  spoken = text;
  document.querySelector('#voice').textContent = text;
};

function Bench() {
  const box = useRef(null);
  const snap = S.snap;
  if (snap) followJobs();
  const opt = snap ? geometry() : null;
  const aloud = useRef('');
  useLayoutEffect(() => {
    if (!box.current) return;
    speak(aloud.current);
    watchView(box.current);
    wantTraces(opt);
  });
  const bar = h(Foot, null, h('a', { class: 'btn', href: '#/mixed' }, t('bar.mixed')), h('a', { class: 'btn', href: '#/on' }, t('bar.on')), h('a', { class: 'btn more', href: '#/more' }, t('bar.more')));
  if (!snap) return [h('p', { class: 'say bench', key: 'b' }, t(S.lost ? 'line.unheard' : 'line.asking')), bar];
  const list = items();
  const fresh = list.length === 0;
  const first = list.find((x) => x.flag === 'act now');
  const loud = first ? panelName(first.panel) + ': ' + (first.card ? first.card.order : plain(first.coat.say) || first.coat.advice) : '';
  aloud.current = loud;
  const ids = new Set(list.flatMap((x) => (x.coat ? [x.coat.id] : [])));
  const inCards = new Set(list.flatMap((x) => (x.card ? (x.card.ready_cups || []).map((c) => c.batch) : [])));
  const probes = new Set(quiet().map((p) => p.id));
  const cups = (snap.cups || []).filter((c) => !inCards.has(c.batch) || ms(c.ends_at) <= now());
  const cupIds = new Set((snap.cups || []).map((c) => c.batch));
  const order = ['danger', 'act', 'soon', 'note'];
  const said = new Set();
  const known = new Set([!settings().clock_trusted && 'clock_in_doubt', settings().store_trouble && 'store_full'].filter(Boolean)); // said above
  const calls = firing().filter((a) => !known.has(a.rule) && (a.severity === 'danger' || !ids.has(a.subject)) && !cupIds.has(a.subject) && !probes.has(a.subject) && !said.has(a.say) && said.add(a.say));
  calls.sort((a, b) => (a.state === 'acknowledged') - (b.state === 'acknowledged') || order.indexOf(a.severity) - order.indexOf(b.severity));
  const busy = new Set(list.map((x) => x.panel));
  // The side that lies down is not idle.
  const pieces = new Set([...busy].map((id) => (panelOf(id) || {}).piece).filter(Boolean));
  const idle = S.panels.filter((p) => !busy.has(p.id) && !pieces.has(p.piece));
  const about = [airLine(), nights(list), settings().ask_low && h('div', { class: 'note side', key: 'low' }, h('p', null, h('b', null, t('low.ask')), ' ', t('low.why')), h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/low' }, t('low.say'))))];
  return [h('div', { class: 'bench', ref: box, key: 'b' },
    notices(), !fresh && probeNotes(), calls.map(calling), cups.map(cup),
    (S.warnings || []).length > 0 && h('div', { class: 'note harm', key: 'warn' }, S.warnings.map((x) => h('p', { key: x }, h(Said, null, stop(x))))),
    fresh ? h(First) : [
      opt.wide && about,
      h('section', { class: 'coats', 'aria-label': t('coats'), key: 'coats' },
        opt.wide && h('div', { class: 'axisrow', key: 'axis' }, axis(opt.w, opt.t0, opt.t1)),
        opt.wide && thread(opt),
        list.map((it) => h(Panel, { key: 'p-' + it.panel, it, opt }))),
      !opt.wide && about,
      h(Notice, { key: 'sound' }),
      idle.length > 0 && h('p', { class: 'idle', key: 'idle' }, t('idle'), ' ', idle.slice(0, 8).map((p, i) => [i ? ', ' : '', h('a', { href: '#/on/' + enc(p.id) }, name(p.name || p.id))]), '.'),
      h('details', { key: 'legend' }, h('summary', null, t('legend')), legend())],
    h('p', { class: 'cautions', key: 'cautions' }, t('cautions'))), bar];
}

export default Bench;
export { buttonText };
