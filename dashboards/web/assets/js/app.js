// SPDX-License-Identifier: Apache-2.0
// The page's start: the frame, the routes and what every page shares.
//
// A page is a module under pages/ whose default export is a component; it gets
// {name, rest, args} of its address, #/name/rest…?args. One that brings its own
// foot (a form with its button) exports ownFoot, true or a function of its
// address; the others get the bar.

import { h, render, useLayoutEffect } from './lib.js';
import { S, changed, now, onChange, recall, remember, trusted } from './state.js';
import { get, flush, forget, lists, live, refresh, resend, watchLine } from './line.js';
import { Said, hm, longDay, name as said, span } from './say.js';
import { followJobs } from './jobs.js';
import { shop } from './acts.js';
import { Catch, Foot } from './foot.js';
import { defs } from './strip.js';
import { onWork } from './line.js';
import * as sound from './sound.js';
import { pageTexts, t } from './text.js';
import Bench from './bench.js';

// The pages beyond the bench are fetched when first asked for, and ahead of that
// while nothing else is to do, so that they are here when the line drops.
const PAGES = {
  mixed: () => import('./pages/mixed.js'), on: () => import('./pages/on.js'), cloth: () => import('./pages/cloth.js'), feel: () => import('./pages/feel.js'),
  panel: () => import('./pages/panel.js'), piece: () => import('./pages/panel.js'), low: () => import('./pages/low.js'), late: () => import('./pages/late.js'), other: () => import('./pages/other.js'),
  job: () => import('./pages/job.js'), jobs: () => import('./pages/job.js'), write: () => import('./pages/job.js'),
  entries: () => import('./pages/entries.js'), cup: () => import('./pages/entries.js'),
  coat: () => import('./pages/coat.js'), air: () => import('./pages/air.js'), pot: () => import('./pages/pot.js'), mix: () => import('./pages/mix.js'), stock: () => import('./pages/stock.js'),
  resins: () => import('./pages/resins.js'), resin: () => import('./pages/resins.js'), probes: () => import('./pages/probes.js'), day: () => import('./pages/day.js'),
  tent: () => import('./pages/tent.js'), history: () => import('./pages/history.js'), settings: () => import('./pages/settings.js'), login: () => import('./pages/login.js'),
};
// What the bar's "More" and a wide screen's head list, in this order.
const LINKS = ['', 'jobs', 'air', 'pot', 'day', 'tent', 'entries', 'history', 'resins', 'stock', 'probes', 'settings'];
const links = () => LINKS.filter((p) => p !== 'tent' || (S.me && S.me.tent));

const bench = { default: Bench, ownFoot: true };
const more = {
  default: () => h('div', { class: 'page' }, h('h1', null, t('page.more')),
    h('ul', { class: 'rows' }, links().filter(Boolean).map((p) => h('li', { key: p }, h('a', { href: '#/' + p }, h('span', null, t('page.' + p)), h('span', null, '›')))))),
};
const missing = { default: () => h('div', { class: 'page' }, h('p', { class: 'say' }, t('page.notcome')), h('p', null, h('a', { class: 'btn', href: '#/' }, t('to.bench')))) };

const own = (mod, r) => (typeof mod.ownFoot === 'function' ? mod.ownFoot(r) : mod.ownFoot);
let shown = { mod: bench, r: { name: '', rest: [], args: {} }, here: '', n: 0 };

async function route() {
  if (location.hash === '#main') return;
  const here = location.hash;
  const [path, query] = here.replace(/^#\/?/, '').split('?');
  const [name, ...rest] = path.split('/').map(decodeURIComponent);
  if (S.login && name !== 'login') {
    location.hash = '#/login';
    return;
  }
  let mod = name === 'more' ? more : PAGES[name] ? null : bench;
  if (!mod) {
    try {
      [mod] = await Promise.all([PAGES[name](), pageTexts()]);
    } catch (e) {
      console.warn(e.message);
      mod = missing;
    }
  }
  if (location.hash !== here) return;
  shown = { mod, here, r: { name: PAGES[name] || name === 'more' ? name : '', rest, args: Object.fromEntries(new URLSearchParams(query || '')) }, n: shown.n + 1 };
  draw();
  scrollTo(0, 0);
  document.querySelector('#main').focus({ preventScroll: true });
}

// Lines say when the board is not heard, and what waits on this phone.
function Lines() {
  const waits = S.queue.filter((e) => !e.refused && e.kept), no = S.queue.filter((e) => e.refused);
  const mark = S.lost && h('span', { class: 'mark' }, S.heard ? t('line.lost.for', { span: span(Date.now() - S.heard) }) : t('line.lost'), ' ');
  return [
    mark && !waits.length && h('p', { class: 'note harm', role: 'status', key: 'lost' }, mark, t(S.snap ? 'line.lost.kept' : 'line.lost.trying')),
    waits.length > 0 && h('details', { class: 'note' + (mark ? ' harm' : ''), role: 'status', key: 'waits' }, h('summary', null, h('span', null, mark, t('line.waits', { n: waits.length }))), h('ul', null, waits.map((e) => h('li', { key: e.key }, said(e.say)))), S.volatile && h('p', null, t('line.volatile'))),
    no.map((e) => h('div', { class: 'note harm', key: 'no-' + e.key }, h('p', null, h('span', { class: 'mark' }, t('line.nottaken')), ' ', h(Said, null, `${e.say}. ${e.refused}.`)),
      h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => resend(e) }, t('line.again')), h('button', { type: 'button', onclick: () => forget(e.key) }, t('line.throw')))))];
}

function Frame() {
  const at = now(), { mod, r, here } = shown;
  useLayoutEffect(() => {
    const main = document.querySelector('#main');
    main.dataset.at = here;
    const title = main.querySelector('h1');
    document.title = r.name === '' ? shop() : (title ? title.textContent : t('page.')) + ' · ' + shop();
  });
  return [
    h('a', { class: 'skip', href: '#main', key: 'skip' }, t('skip')),
    defs(),
    h('header', { id: 'top', key: 'top' }, h('div', null,
      h('div', { class: 'head' }, h(r.name === '' ? 'h1' : 'span', { class: 'shop', key: 'shop' }, said(shop())),
        S.snap && trusted() && h('span', { class: 'day' }, longDay(at)), S.snap && h('span', { class: 't' }, trusted() ? hm(at) : t('clock.notset'))),
      h('nav', { class: 'links', 'aria-label': t('pages') }, links().map((p) => h('a', { key: p, href: '#/' + p, 'aria-current': p === r.name ? 'page' : null }, t('page.' + p)))),
      S.login ? null : h(Lines))),
    h('main', { id: 'main', tabindex: -1, key: 'main' }, h(Catch, { key: shown.n }, h(mod.default, r)), own(mod, r) ? null : h(Foot, null, h('a', { class: 'btn', href: '#/' }, t('page.')), h('a', { class: 'btn', href: '#/mixed' }, t('bar.mixed')), h('a', { class: 'btn more', href: '#/more' }, t('bar.more')))),
    h('div', { id: 'voice', class: 'vh', translate: false, role: 'status', 'aria-live': 'assertive', key: 'voice' })];
}

function draw() {
  render(h(Frame), document.body);
  sound.follow();
}

async function whoami() {
  S.me = await get('/whoami').catch(() => S.me);
  changed();
}

// ahead fetches every page and the chart library while the browser is idle, and
// has the service worker keep them (only a secure page may have one).
async function ahead() {
  const idle = () => new Promise((ok) => (window.requestIdleCallback ? requestIdleCallback(ok, { timeout: 2000 }) : setTimeout(ok, 200)));
  await pageTexts().catch(() => {});
  for (const p of [...new Set(Object.values(PAGES))]) {
    await idle();
    await p().catch(() => {});
  }
  await import('./chart.js').then((m) => m.plot()).catch(() => {});
  document.documentElement.dataset.ahead = 'done';
}

addEventListener('hashchange', route);
addEventListener('resize', () => changed());
onChange(draw);
onWork(() => followJobs(true));
sound.start();
recall();
draw();
if ('serviceWorker' in navigator) navigator.serviceWorker.register('sw.js').catch(() => {});
watchLine();
// On a first visit the bench waits for the panels' names.
const listed = lists().catch(() => {});
await refresh(S.snap ? null : listed);
if (!S.login) {
  whoami();
  live();
  flush();
}
await route();
remember();

ahead();
// The plumb line creeps, and a cup's minutes go down, without a new estimate.
setInterval(() => changed(), 5000);
