// The page's start: the frame, the routes and what every page shares.
import { h, $, morphKids } from './dom.js';
import { S, now, settings, trusted, onChange, changed } from './state.js';
import { longDay, hm, span } from './say.js';
import { defs } from './strip.js';
import { live, refresh, lists, watchLine, get } from './net.js';
import * as bench from './bench.js';
import * as act from './act.js';
import * as sound from './sound.js';

const PAGES = [
  ['', 'Bench'], ['air', 'Air'], ['pot', 'Cup'], ['resins', 'Epoxies'], ['probes', 'Probes'],
  ['day', 'Day'], ['tent', 'Tent'], ['history', 'History'], ['settings', 'Settings'],
];
// Each route names the module that draws it; the pages are fetched when first
// opened, so that the bench stays light.
const ROUTES = {
  '': bench,
  mixed: () => import('./flows.js'), on: () => import('./flows.js'), feel: () => import('./flows.js'),
  cloth: () => import('./flows.js'), end: () => import('./flows.js'), panel: () => import('./flows.js'), low: () => import('./flows.js'),
  coat: () => import('./coat.js'), air: () => import('./air.js'), pot: () => import('./pot.js'), resins: () => import('./resins.js'),
  resin: () => import('./resins.js'), probes: () => import('./probes.js'), day: () => import('./day.js'), tent: () => import('./tent.js'),
  history: () => import('./history.js'), settings: () => import('./settings.js'), login: () => import('./login.js'), more: { draw: more },
};

let page = null; // what is shown: {draw, live, gone}
let at = '';

function more(main) {
  morphKids(main, [h('div', { class: 'page' }, h('h1', null, 'More'),
    h('ul', { class: 'rows' }, links().filter(([p]) => p).map(([p, t]) => h('li', null, h('a', { href: '#/' + p }, h('span', null, t), h('span', null, '›'))))))]);
}

const links = () => PAGES.filter(([p]) => p !== 'tent' || S.tent);

async function route() {
  const [path, query] = location.hash.replace(/^#\/?/, '').split('?');
  const [name, ...rest] = path.split('/').map(decodeURIComponent);
  const args = Object.fromEntries(new URLSearchParams(query || ''));
  if (location.hash === '#main') return;
  const here = location.hash;
  let mod = ROUTES[name];
  if (!mod) mod = bench;
  if (typeof mod === 'function') {
    try {
      mod = await mod();
    } catch {
      mod = { draw: (m) => morphKids(m, [h('div', { class: 'page' }, h('p', { class: 'say' }, 'This page did not come: the line to the board is down. The bench still works.'), h('p', null, h('a', { href: '#/' }, 'Back to the bench')))]) };
    }
  }
  if (location.hash !== here) return;
  if (page && page.gone) page.gone();
  page = mod;
  at = name in ROUTES ? name : '';
  const main = $('#main');
  if (mod !== bench) main.replaceChildren();
  else if (!$('.bench', main)) main.replaceChildren();
  await mod.draw(main, { name, rest, args });
  const title = $('h1', main);
  document.title = at === '' ? (settings().shop_name || 'Bench') : (title ? title.textContent : 'Bench') + ' · ' + (settings().shop_name || 'Bench');
  frame();
  scrollTo(0, 0);
  main.focus({ preventScroll: true });
}

function frame() {
  const t = now();
  const head = h('div', null, h('div', { class: 'head' },
    h(at === '' ? 'h1' : 'span', { class: 'shop' }, settings().shop_name || 'The shop'),
    S.snap && trusted() && h('span', { class: 'day' }, longDay(t)),
    S.snap && h('span', { class: 't' }, trusted() ? hm(t) : 'clock not set')),
  h('nav', { class: 'links', 'aria-label': 'Pages' }, links().map(([p, x]) => h('a', { href: '#/' + p, 'aria-current': p === at ? 'page' : null }, x))),
  S.login ? null : line());
  const top = $('#top');
  morphKids(top, [head]);
  const inSlip = ['mixed', 'on', 'feel', 'cloth', 'end', 'panel', 'login', 'low'].includes(at);
  const bar = $('#bar');
  if (inSlip) {
    if (!bar.dataset.slip) bar.replaceChildren();
  } else {
    delete bar.dataset.slip;
    morphKids(bar, [
      h('a', { class: 'btn', href: '#/mixed' }, 'Mixed'),
      h('a', { class: 'btn', href: '#/on' }, 'On the panel'),
      at === '' || innerWidth >= 900 ? h('a', { class: 'btn more', href: '#/more' }, 'More') : h('a', { class: 'btn', href: '#/' }, 'Bench')]);
  }
}

// line says when the board is not heard, and what waits on this phone.
function line() {
  const waits = S.queue.filter((e) => !e.refused && e.kept), no = S.queue.filter((e) => e.refused);
  return [
    S.lost && h('p', { class: 'note harm', role: 'status' }, h('span', { class: 'mark' }, 'No line to the board'), S.heard ? ` for ${span(Date.now() - S.heard)}. ` : '. ',
      S.snap ? 'What you see is from then; what you enter is kept on this phone and will be sent.' : 'Trying again.'),
    waits.length > 0 && h('div', { class: 'note', role: 'status' }, h('p', null, h('b', null, 'Kept on this phone, will send: '), waits.map((e) => e.say).join(', ') + '.'),
      S.volatile && h('p', null, 'This browser keeps nothing: leave the page open until it is sent.')),
    ...no.map((e) => h('div', { class: 'note harm', 'data-key': 'no-' + e.key }, h('p', null, h('span', { class: 'mark' }, 'Not taken: '), `${e.say}. ${e.refused}.`),
      h('div', { class: 'do' }, h('button', { type: 'button', 'data-do': 'forget', 'data-id': e.key }, 'Throw it away')))),
  ];
}

// draw repaints what follows the snapshot: the frame, and the page if it wants.
function draw() {
  if (S.tent === undefined && S.snap && !S.login) {
    S.tent = null;
    get('/tent').then((t) => { S.tent = t; changed(); }).catch(() => {});
  }
  frame();
  if (page && page.live) page.live($('#main'));
  sound.follow();
}

addEventListener('hashchange', route);
addEventListener('resize', () => changed());
document.addEventListener('click', act.click);
onChange(draw);
document.body.prepend(defs());
act.holds();
sound.start();
watchLine();
await refresh();
if (!S.login) {
  lists().catch(() => {});
  live();
}
await route();
// The plumb line creeps, and a cup's minutes go down, without a new estimate.
setInterval(() => changed(), 5000);

