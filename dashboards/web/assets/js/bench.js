// The bench, and the frame around every page.
import { $, S, STATES, WHY, WORD, axis, cap, chance, changed, clock, coats, defs, deg, diffNum, grams, h, hm, hourOf, longDay, minus, morphKids, ms, now, num, onChange, panelName, plain, range, s, sentence, settings, span, strip, swatch, tempEl, timeEl, trusted, unit } from './base.js';
import { click, flows, get, holds, lists, live, login, refresh, rows, sound, watchLine } from './entry.js';

// The bench: every coat, who needs you next first.

const LEFT = 424, GAP = 40; // as in the style sheet
const FLAGS = { 'act now': ['act', 0], trouble: ['trouble', 1], soon: ['soon', 2], 'not known': ['unknown', 3], wait: ['', 4], done: ['', 5] };

// rank orders coats by who needs the person next.
function rank(e) {
  const f = FLAGS[e.flag] || ['', 4];
  const w = e.next_window;
  const n = now();
  const at = w ? [ms(w.closes), ms(w.feel_from), ms(w.opens)].filter((t) => t !== null && t >= n - 6 * 3600e3) : [];
  return [f[1], e.flag === 'act now' ? ms(w && w.closes) ?? Infinity : Math.min(Infinity, ...at), -ms(e.applied_at)];
}
const cmp = (a, b) => {
  const x = rank(a), y = rank(b);
  for (let i = 0; i < x.length; i++) if (x[i] !== y[i]) return x[i] < y[i] ? -1 : 1;
  return a.id < b.id ? -1 : 1;
};

const firing = () => ((S.snap && S.snap.alerts) || []).filter((a) => a.state === 'firing' || a.state === 'acknowledged');

function airLine() {
  const shop = S.snap.result.shop, out = [];
  const surf = S.snap.surfaces || [];
  const withAir = surf.find((x) => x.air_c != null) || surf[0];
  const airC = shop && shop.temp_c != null ? shop.temp_c : withAir ? withAir.air_c : null;
  if (shop || withAir) {
    const rh = withAir && withAir.rh_pct;
    out.push(['Shed ', tempEl(airC), rh != null ? [' ', h('b', null, num(rh), h('small', null, '%'))] : null]);
  }
  const few = surf.length > 4 ? [...surf].sort((a, b) => (a.dew_margin_k ?? 99) - (b.dew_margin_k ?? 99)).slice(0, 3) : surf;
  for (const x of few) {
    const m = x.dew_margin_k;
    out.push([panelName(x.panel), ' ', tempEl(x.temp_c), m == null ? null
      : m <= 0 ? [', ', h('b', { class: 'none' }, 'under dew')]
        : [', ', h('b', { class: m < 3 ? 'none' : null }, m < 3 ? 'only ' : '', minus(diffNum(m)), h('small', null, unit())), ' above dew']]);
  }
  if (shop && shop.low_c) {
    const lo = shop.low_c;
    const wide = Math.abs(lo.p90 - lo.p10) >= 1;
    out.push(['Low ahead ', h('b', null, minus(deg(lo.p50)), h('small', null, unit())), wide ? ` (${minus(deg(lo.p10))} to ${minus(deg(lo.p90))})` : '', shop.low_at && trusted() ? [', ', timeEl(ms(shop.low_at))] : '']);
  }
  return out.length ? h('p', { class: 'air', 'data-key': 'air' }, out.map((x) => h('span', null, x))) : null;
}

const PROBE_SAY = {
  stale: 'has gone quiet', missing: 'is not found', stuck: 'is stuck at one value', implausible: 'says what cannot be believed', waiting: 'has not spoken yet',
};

function probeNotes() {
  return (S.snap.probes || []).filter((p) => p.state !== 'ok' && (p.state !== 'waiting' || p.wired)).map((p) => {
    const last = ms(p.last_at);
    return h('div', { class: 'note harm', 'data-key': 'probe-' + p.id }, h('p', null, h('span', { class: 'mark' }, p.name || p.id, ' ', PROBE_SAY[p.state] || p.state, '. '),
      last ? `Last heard ${clock(last, true)}${trusted() ? ', ' + span(now() - last) + ' ago' : ''}. ` : 'Never heard. ',
      p.panel ? panelName(p.panel) + ' is judged without it, with wider doubt. ' : '', p.hint ? cap(p.hint) + (/[.!?]$/.test(p.hint) ? '' : '.') : h('a', { href: '#/probes' }, 'See Probes')));
  });
}

function cup(c) {
  const alarm = firing().find((a) => a.subject === c.batch && a.state === 'firing');
  const left = ms(c.ends_at) - now();
  const late = left <= 0, soonEnd = left < 8 * 60e3;
  const size = c.grams != null ? grams(c.grams) + ' of ' : '';
  return h('div', { class: 'cup' + (late || soonEnd ? ' late' : ''), 'data-key': 'cup-' + c.batch },
    h('div', null, h('strong', null, late ? 'Time is up' : `About ${span(left)} left`),
      h('span', null, 'in the cup of ', size, c.resin, ', mixed ', timeEl(ms(c.mixed), true), '. ',
        late ? (alarm ? alarm.say : 'Do not carry it if it is hot. If it smokes or foams, leave it, get out, air the shed; no water, no lid.')
          : soonEnd ? 'Use it or spread it in a tray.' : c.class === 'runaway' ? 'Too much for a cup: pour it into a wide tray now.' : c.class === 'caution' ? 'It can get hot in the cup: a tray is safer.' : '')),
    h('div', { class: 'do' }, h('button', { type: 'button', 'data-do': 'used', 'data-id': c.batch }, 'Used up'),
      alarm && h('button', { type: 'button', 'data-do': 'ack', 'data-id': alarm.id, 'aria-label': 'Got it: ' + alarm.say }, 'Got it')));
}

function calling(a) {
  return h('div', { class: 'call ' + a.severity, 'data-key': 'call-' + a.id },
    h('div', null, h('p', null, a.severity === 'danger' ? h('b', null, 'Danger. ') : null, a.say),
      h('p', { class: 'who' }, [a.panel ? panelName(a.panel) : '', 'since ' + clock(ms(a.fired_at) ?? ms(a.since), true)].filter(Boolean).join(', '), a.state === 'acknowledged' ? ', heard' : '')),
    a.state === 'firing' && h('div', { class: 'do' }, h('button', { type: 'button', 'data-do': 'ack', 'data-id': a.id, 'aria-label': 'Got it: ' + a.say }, 'Got it')));
}

// What a coat's next step is called on its button, and where it leads.
function nextButton(e) {
  const w = e.next_window;
  const on = (kind, text) => ({ href: `#/on/${encodeURIComponent(e.panel)}?kind=${encodeURIComponent(kind)}`, text });
  if (!w) return null;
  if (w.kind === 'cloth into the tack coat') return { href: '#/cloth/' + encodeURIComponent(e.id), text: 'Cloth is in' };
  if (w.kind === 'fill coat over cloth') return on('fill coat', 'Fill coat is on');
  return on('', 'Next coat is on');
}

function buttons(e, alarm) {
  const feel = { href: '#/feel/' + encodeURIComponent(e.id), text: 'Feel it' };
  const next = nextButton(e);
  const code = e.advice_code;
  let list;
  if (code === 'recoat' || code === 'wash_recoat') list = [next, feel];
  else if (code === 'abrade_recoat' || code === 'stalled') list = [{ href: '#/on/' + encodeURIComponent(e.panel), text: 'Next coat is on' }, feel];
  else if (code === 'wash_abrade' || code === 'wait_then_abrade') list = [feel, { href: '#/on/' + encodeURIComponent(e.panel), text: 'Next coat is on' }];
  else list = [feel, next];
  list = list.filter(Boolean);
  return h('div', { class: 'do acts' }, list.map((b, i) => h('a', { class: 'btn' + (i === 0 && e.flag !== 'done' && e.flag !== 'wait' ? ' first' : ''), href: b.href, 'aria-label': `${b.text}: ${panelName(e.panel)}` }, b.text)),
    e.flag === 'done' && h('button', { type: 'button', class: 'hold quiet', 'data-do': 'end', 'data-id': e.id, 'aria-label': `Hold: done with it, ${panelName(e.panel)}` }, h('span', null, 'Hold: done with it')),
    alarm && h('button', { type: 'button', class: 'quiet', 'data-do': 'ack', 'data-id': alarm.id, 'aria-label': `Got it: ${panelName(e.panel)}` }, 'Got it'));
}

function chances(e) {
  const p = e.state_probability;
  if (!p) return null;
  const top = STATES.map((k) => [k, p[k]]).filter(([, v]) => v >= 0.1).sort((a, b) => b[1] - a[1]).slice(0, 3);
  if (!top.length || top[0][1] > 0.95) return null;
  return h('p', { class: 'chances' }, 'The odds: ', top.map(([k, v], i) => [i ? ', ' : '', h('b', null, WORD[k]), ' ', chance(v)]).flat(), '.');
}

function coatSub(e) {
  const bits = [e.kind, ' ', timeEl(ms(e.applied_at), true), ' · ', e.resin, ' epoxy'];
  if (e.temp_c != null) bits.push(' · panel ', tempEl(e.temp_c));
  if (e.panel_from === 'air') bits.push(' (from the air, wider doubt)');
  if (e.panel_from === 'none') bits.push(' · ', h('b', { class: 'none' }, 'no reading'));
  return h('p', { class: 'sub' }, bits);
}

function coat(e, opt) {
  const [cls] = FLAGS[e.flag] || [''];
  const calls = firing().filter((a) => a.subject === e.id && a.severity !== 'danger');
  const say = e.say && e.say.length ? sentence(e.say) : e.advice;
  const because = sentence(e.because);
  if (!because.length && (e.unknown_why || []).length) because.push(cap(e.unknown_why.map((k) => WHY[k] || k).join('; ')) + '.');
  return h('article', { class: 'coat ' + cls, 'data-key': 'coat-' + e.id, 'data-coat': e.id, 'aria-label': `${panelName(e.panel)}, ${e.kind}` },
    h('div', { class: 'text' },
      h('header', null, h('h2', null, h('a', { href: '#/coat/' + encodeURIComponent(e.id) }, panelName(e.panel))), h('span', { class: 'flag ' + cls }, e.flag), coatSub(e)),
      h('p', { class: 'say' }, say),
      because.length ? h('p', { class: 'why' }, because) : null,
      chances(e),
      e.blush && (e.blush.band === 'elevated' || e.blush.band === 'high') && !e.blush.condensed && h('p', { class: 'why' }, h('b', null, 'Blush ' + e.blush.band + ': '), 'a waxy film is likely on it. Rough scale, not proven.'),
      calls.slice(0, 2).map((a) => h('p', { class: 'why', 'data-key': 'c' + a.id }, a.state === 'firing' ? 'Called you at ' : 'Heard the call of ', timeEl(ms(a.fired_at) ?? ms(a.since), true), a.say && a.say !== plain(e.say) && a.say !== e.advice ? ': ' + a.say : '.'))),
    h('div', { class: 'fig' }, strip(e, { ...opt, trace: traces.get(e.id) && traces.get(e.id).points })),
    buttons(e, calls.find((a) => a.state === 'firing')));
}

// --- temperature lines of a wide screen, fetched for coats in view ----------

const traces = new Map(); // coat id -> {points, at}
const inView = new Set();
let seen = null;

function wantTraces(opt) {
  if (!opt.wide) return;
  for (const id of inView) {
    const have = traces.get(id);
    if (have && (have.busy || Date.now() - have.at < 60e3)) continue;
    traces.set(id, { ...(have || { points: null }), busy: true, at: Date.now() });
    const q = `from=${encodeURIComponent(new Date(opt.t0).toISOString())}&to=${encodeURIComponent(new Date(opt.t1).toISOString())}&points=120`;
    get(`/coats/${encodeURIComponent(id)}/trace?${q}`).then((x) => {
      traces.set(id, { points: rows(x, 'points'), at: Date.now() });
      changed();
    }).catch(() => traces.set(id, { points: null, at: Date.now() }));
  }
}

function watchView(box) {
  if (!seen) {
    seen = new IntersectionObserver((es) => {
      for (const e of es) {
        const id = e.target.dataset.coat;
        if (e.isIntersecting) inView.add(id); else inView.delete(id);
      }
    }, { rootMargin: '200px' });
  }
  for (const c of box.querySelectorAll('.coat')) {
    if (!c.dataset.seen) {
      c.dataset.seen = '1';
      seen.observe(c);
    }
  }
}

// ---------------------------------------------------------------------------

function geometry() {
  const wide = innerWidth >= 900;
  const main = $('#main');
  const cs = getComputedStyle(main);
  const inner = main.clientWidth - parseFloat(cs.paddingLeft) - parseFloat(cs.paddingRight);
  const [t0, t1] = range(wide);
  return { wide, w: Math.max(200, Math.floor(wide ? inner - LEFT - GAP : inner)), t0, t1 };
}

function notices() {
  const st = settings(), out = [];
  if (st.store_trouble) out.push(h('div', { class: 'note harm', 'data-key': 'store' }, h('p', null, h('span', { class: 'mark' }, 'The record: '), st.store_trouble)));
  if (!st.clock_trusted) {
    out.push(h('div', { class: 'note harm side', 'data-key': 'clock' }, h('p', null, h('span', { class: 'mark' }, 'The board does not know the time. '), 'Until it does you see lengths of time, not clock times.'),
      h('div', { class: 'do' }, h('button', { type: 'button', 'data-do': 'clock' }, 'Use this phone’s time'))));
  }
  if (st.no_probe || !(S.snap.probes || []).length) {
    out.push(h('div', { class: 'note harm', 'data-key': 'noprobe' }, h('p', null, h('span', { class: 'mark' }, 'No probe is found. '), 'Nothing is known of the shed or the panels. Plug one in and it shows up here; what you mix and roll on is kept meanwhile.'),
      h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/probes' }, 'How to add one'))));
  }
  const strange = (S.snap.probes || []).filter((p) => !p.accepted);
  if (strange.length) out.push(h('div', { class: 'note side', 'data-key': 'strange' }, h('p', null, strange.length === 1 ? 'A new probe speaks: ' : strange.length + ' new probes speak: ', strange.slice(0, 3).map((p) => p.id).join(', '), '. It counts once you name it.'),
    h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/probes' + (strange.length === 1 ? '/' + encodeURIComponent(strange[0].id) : '') }, 'Name it'))));
  return out;
}

function content(opt) {
  const snap = S.snap;
  const list = [...coats()].sort(cmp);
  const coatIds = new Set(list.map((e) => e.id));
  const calls = firing().filter((a) => (a.severity === 'danger' || !coatIds.has(a.subject)) && !cupAlert(a));
  const order = ['danger', 'act', 'soon', 'note'];
  calls.sort((a, b) => (a.state === 'acknowledged') - (b.state === 'acknowledged') || order.indexOf(a.severity) - order.indexOf(b.severity));
  const nights = list.filter((e) => e.overnight && e.overnight.say && e.overnight.say.length && Math.max(e.overnight.window_closes, e.overnight.stalls, e.overnight.dew) >= 0.05);
  const busy = new Set(list.map((e) => e.panel));
  const idle = S.panels.filter((p) => !busy.has(p.id));
  // That nothing can wake you comes first; that this one phone is silent, last.
  const loud = !settings().wake_tested || list.length === 0;
  // On a phone what needs the hand stands first; the shed and the night come
  // after it, where there is room.
  const about = [
    airLine(),
    nights.length > 0 && h('div', { class: 'note', 'data-key': 'night' }, h('h2', null, 'While you sleep'),
      nights.slice(0, 4).map((e) => h('p', null, nights.length > 1 || list.length > 1 ? h('b', null, panelName(e.panel), ': ') : null, sentence(e.overnight.say))),
      nights.length > 4 && h('p', null, `And ${nights.length - 4} more, each on its own page.`)),
    settings().ask_low && h('div', { class: 'note side', 'data-key': 'low' }, h('p', null, h('b', null, 'Tonight’s low?'), ' The forecast for the night needs it.'),
      h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/low' }, 'Say it'))),
  ];
  const first = opt.wide || list.length === 0;
  return [h('div', { class: 'bench' },
    notices(), probeNotes(),
    calls.map(calling),
    (snap.cups || []).map(cup),
    first && about,
    loud && sound.notice(),
    list.length === 0 ? empty() : h('section', { class: 'coats', 'aria-label': 'Coats', 'data-key': 'coats' },
      opt.wide && h('div', { class: 'axisrow' }, axis(opt.w, opt.t0, opt.t1)),
      opt.wide && thread(opt),
      list.map((e) => coat(e, opt))),
    !first && about,
    opt.wide && list.length > 0 ? h('p', { class: 'vh' }, 'All strips share one time axis.') : null,
    !loud && sound.notice(),
    idle.length > 0 && list.length > 0 && h('p', { class: 'idle' }, 'Nothing on: ', idle.slice(0, 8).map((p, i) => [i ? ', ' : '', h('a', { href: '#/on/' + encodeURIComponent(p.id) }, p.name || p.id)]).flat(), '.'),
    list.length > 0 && h('details', { 'data-key': 'legend' }, h('summary', null, 'How to read a strip'), legend()),
    h('p', { class: 'cautions' }, 'An estimate, not a certificate of cure or strength: confirm with a fingertip, a hardness gauge, a test piece. The epoxy’s data sheet and safety data sheet win over any number here; local codes and licensed practice win over both.'))];
}
const cupAlert = (a) => (S.snap.cups || []).some((c) => c.batch === a.subject);

function empty() {
  return h('section', { 'data-key': 'empty' },
    h('p', { class: 'say' }, S.panels.length ? 'Nothing is curing.' : 'Nothing is on the bench yet.'),
    h('p', { class: 'why' }, S.panels.length ? 'When you mix a cup, tap Mixed. When it is on, tap On the panel.' : 'Name a panel first: one side of the thing that you will coat.'),
    h('div', { class: 'do' }, S.panels.length ? h('a', { class: 'btn first', href: '#/mixed' }, 'Mixed') : h('a', { class: 'btn first', href: '#/panel' }, 'New panel')));
}

function legend() {
  const key = (kids) => s('svg', { width: 34, height: 18, viewBox: '0 0 34 18', 'aria-hidden': 'true' }, kids);
  return h('div', { class: 'legend' },
    [...STATES, 'unknown'].map((x) => h('span', null, swatch(x), WORD[x])),
    h('span', null, key([s('rect', { class: 'key-win', x: 0, y: 5, width: 34, height: 9 })]), 'the window; soft ends are doubt'),
    h('span', null, key([s('rect', { class: 'sleep', x: 0, y: 5, width: 34, height: 7 })]), 'you sleep'),
    h('span', null, key([s('g', { class: 'thumb', transform: 'translate(17 9)' }, s('ellipse', { rx: 5, ry: 8 }))]), 'your finger'),
    h('span', null, key([s('path', { class: 'plumb', d: 'M17 0V10' }), s('path', { class: 'bob', d: 'M13 10h8l-4 8z' })]), 'now'),
    h('span', null, key([s('path', { class: 'torn-edge', d: 'M8 0l3 3 -4 3 4 3 -5 3 3 3 -1 3M26 0l-3 3 4 3 -4 3 5 3 -3 3 1 3' })]), 'no reading'),
    h('span', null, key([s('path', { class: 'drop', d: 'M17 2c4 5 5 7 5 9a5 5 0 0 1 -10 0c0 -2 1 -4 5 -9z' })]), 'dew or damp on it'));
}

let spoken = '';

function benchLive(main) {
  if (!S.snap) {
    morphKids(main, [h('p', { class: 'say bench' }, S.lost ? 'The board is not heard.' : 'Asking the board…')]);
    return;
  }
  const opt = geometry();
  const open = $('details[data-key=legend]', main);
  const isOpen = open && open.open;
  const next = content(opt);
  if (isOpen) $('details[data-key=legend]', next[0]).open = true;
  for (const c of next[0].querySelectorAll('.coat')) c.dataset.seen = '1'; // as in the living tree
  const had = new Set([...main.querySelectorAll('.coat')].map((c) => c.dataset.coat));
  if (!main.firstElementChild || !main.firstElementChild.classList.contains('bench')) main.replaceChildren();
  morphKids(main, next);
  for (const c of main.querySelectorAll('.coat')) if (!had.has(c.dataset.coat)) delete c.dataset.seen;
  watchView(main);
  wantTraces(opt);
  const top = [...coats()].sort(cmp).find((e) => e.flag === 'act now');
  const word = top ? `${panelName(top.panel)}: ${plain(top.say) || top.advice}` : '';
  if (word && word !== spoken) $('#voice').textContent = word;
  spoken = word || spoken;
}

// thread is the one plumb line of a wide screen: it hangs from the axis past
// every strip, with its bob below the last; the hours are ruled behind.
function thread(opt) {
  const x = (t) => ((t - opt.t0) / (opt.t1 - opt.t0)) * opt.w;
  const rules = [];
  for (let t = Math.ceil(opt.t0 / 3600e3) * 3600e3; t <= opt.t1; t += 3600e3) {
    const hh = hourOf(t);
    if (hh % 2 === 0) rules.push(s('line', { class: hh === 0 ? 'hair day' : 'hair', x1: x(t).toFixed(1), x2: x(t).toFixed(1), y1: 0, y2: '100%' }));
  }
  const n = x(now()).toFixed(1);
  return [
    s('svg', { class: 'ruled', width: opt.w, height: '100%', 'aria-hidden': 'true', 'data-key': 'ruled' }, rules),
    s('svg', { class: 'thread', width: opt.w, height: '100%', 'aria-hidden': 'true', 'data-key': 'thread' },
      s('line', { class: 'plumb', x1: n, x2: n, y1: 0, y2: '100%' })),
    s('svg', { class: 'bobbox', width: opt.w, height: 20, 'aria-hidden': 'true', 'data-key': 'bob' },
      s('path', { class: 'bob', transform: `translate(${n} 0)`, d: 'M-5 0h10l-1.6 6 -3.4 12 -3.4 -12z' }))];
}

// The page's start: the frame, the routes and what every page shares.

const PAGES = [
  ['', 'Bench'], ['air', 'Air'], ['pot', 'Cup'], ['resins', 'Epoxies'], ['probes', 'Probes'],
  ['day', 'Day'], ['tent', 'Tent'], ['history', 'History'], ['settings', 'Settings'],
];
// The pages beyond the bench come in one piece, asked for once the bench stands:
// by the time the line drops they are here.
const later = (name) => () => import('./pages.js').then((m) => m[name]);
const bench = { draw: benchLive, live: benchLive };

const ROUTES = {
  '': bench, login, mixed: flows, on: flows, feel: flows, cloth: flows, panel: flows, low: flows, more: { draw: more },
  coat: later('coat'), air: later('air'), pot: later('pot'), resins: later('resins'), resin: later('resins'), probes: later('probes'),
  day: later('day'), tent: later('tent'), history: later('history'), settings: later('prefs'),
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
  if (S.login && name !== 'login') {
    location.hash = '#/login';
    return;
  }
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
  delete $('#main').dataset.at;
  if (page && page.gone) page.gone();
  page = mod;
  at = name in ROUTES ? name : '';
  const main = $('#main');
  if (mod !== bench) main.replaceChildren();
  else if (!$('.bench', main)) main.replaceChildren();
  await mod.draw(main, { name, rest, args });
  main.dataset.at = here;
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
  const inSlip = ROUTES[at] === flows || at === 'login';
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
function repaint() {
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
document.addEventListener('click', click);
onChange(repaint);
document.body.prepend(defs());
holds();
sound.start();
watchLine();
await refresh();
if (!S.login) {
  lists().catch(() => {});
  live();
}
await route();
import('./pages.js').catch(() => {});
// The plumb line creeps, and a cup's minutes go down, without a new estimate.
setInterval(() => changed(), 5000);
