// The pages beyond the bench. They come in one piece once the bench stands.
import { $, FINGER, S, STATES, WORD, band, cap, chance, clock, coats, deg, diff, fill, fromUnit, grams, h, hourLabel, hourOf, minus, morphKids, ms, now, num, panelName, range, resinByName, s, sentence, settings, shortDay, sleeps, span, strip, temp, timeEl, toUnit, trusted, unit } from './base.js';
import { Refused, back, call, choices, draft, enter, faults, field, get, hooks, key, lists, refresh, refused, rows, soon, sound, stepper, toast } from './entry.js';

// table is rows under their heads; wider than the screen, it can be moved aside.
const table = (heads, list) => h('div', { class: 'scroll', tabindex: 0, role: 'group', 'aria-label': 'Table' }, h('table', null,
  h('thead', null, h('tr', null, heads.map((x) => h('th', null, x)))), h('tbody', null, list.map((r) => h('tr', null, r.map((x) => h('td', null, x)))))));

// Charts on demand: temperature, cure and moist air along the shop's clock.

let lib = null;

// plot fetches the chart library once, when first needed.
function plot() {
  lib ||= new Promise((ok, bad) => {
    const tag = h('script', { src: 'vendor/uplot.js' });
    tag.onload = () => ok(window.uPlot);
    tag.onerror = () => { lib = null; bad(new Error('the chart did not come')); };
    document.head.append(tag);
  });
  return lib;
}

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

// hourTicks puts ticks on whole shop hours, or days when the span is long.
function splits(u, i, min, max) {
  const HOUR = 3600, w = (max - min) / HOUR;
  const room = Math.max(3, Math.floor(u.bbox.width / devicePixelRatio / 64));
  const step = [1, 2, 3, 4, 6, 12, 24, 48, 168, 336, 744].find((x) => w / x <= room) || 2160;
  const out = [];
  if (step < 24) {
    for (let t = Math.ceil(min / HOUR) * HOUR; t <= max; t += HOUR) if (hourOf(t * 1000) % step === 0) out.push(t);
  } else {
    let t = Math.ceil(min / HOUR) * HOUR;
    while (t <= max && hourOf(t * 1000) !== 0) t += HOUR;
    for (; t <= max; t += step * HOUR) out.push(t);
  }
  return out;
}
const tick = (t) => {
  const x = t * 1000;
  return hourOf(x) === 0 ? shortDay(x).replace(/ (\w{3})\w*$/, ' $1') : hourLabel(x);
};

// chart draws one figure. series: [{label, ys, color, dash, width, fill, axis,
// say, hide}], xs in ms. opt: {height, bands: [[hi, lo]], marks: [{t, word}],
// gaps: [[a, b]], segments, yUnit, range}. It returns {el, gone}.
async function chart(box, xs, series, opt = {}) {
  const U = await plot();
  const ink = { graph: css('--graph'), soft: css('--soft'), rule: css('--rule'), ink: css('--ink'), harm: css('--harm'), tone: css('--tone'), wash: css('--wash'), paper: css('--paper') };
  const px = devicePixelRatio;
  const font = '12px ' + css('--sans');
  const under = (u) => {
    const c = u.ctx, { left, top, width, height } = u.bbox;
    c.save();
    c.setLineDash([]);
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    const X = (t) => u.valToPos(t / 1000, 'x', true);
    for (const [a, b] of opt.plain || u.scales.x.max - u.scales.x.min > 8 * 86400 ? [] : sleeps(u.scales.x.min * 1000, u.scales.x.max * 1000)) {
      c.fillStyle = ink.tone;
      c.fillRect(X(a), top, X(b) - X(a), 5 * px);
    }
    for (const g of opt.gaps || []) {
      const a = X(g[0]), b = Math.max(X(g[1]), X(g[0]) + 3 * px);
      c.fillStyle = ink.wash;
      c.fillRect(a, top, b - a, height);
      c.strokeStyle = ink.graph;
      c.lineWidth = px;
      for (const [x, d] of [[a, 1], [b, -1]]) {
        c.beginPath();
        for (let y = top, k = 0; y <= top + height + 8 * px; y += 8 * px, k++) c.lineTo(x + d * (k % 2 ? 3 : 0) * px, y);
        c.stroke();
      }
      if (b - a > 70 * px) {
        c.fillStyle = ink.soft;
        c.font = `${12 * px}px ${css('--sans')}`;
        c.textAlign = 'center';
        c.fillText('no reading', (a + b) / 2, top + 20 * px);
      }
    }
    for (const seg of opt.segments || []) {
      const a = Math.max(left, X(seg.from)), b = Math.min(left + width, X(seg.to));
      if (b <= a) continue;
      c.strokeStyle = ink.rule;
      c.lineWidth = px;
      c.beginPath();
      c.moveTo(a, top);
      c.lineTo(a, top + height);
      c.stroke();
      if (b - a > 38 * px) {
        c.fillStyle = ink.soft;
        c.font = `${12 * px}px ${css('--sans')}`;
        c.textAlign = 'left';
        c.fillText(WORD[seg.state] || seg.state, a + 5 * px, top + height - 7 * px);
      }
    }
    c.restore();
  };
  const over = (u) => {
    const c = u.ctx, { left, top, width, height } = u.bbox;
    const n = u.valToPos(now() / 1000, 'x', true);
    c.save();
    c.setLineDash([]);
    if (n >= left && n <= left + width) {
      c.strokeStyle = c.fillStyle = ink.graph;
      c.lineWidth = 1.5 * px;
      c.beginPath();
      c.moveTo(n, top);
      c.lineTo(n, top + height - 8 * px);
      c.stroke();
      c.beginPath();
      c.moveTo(n - 4 * px, top + height - 9 * px);
      c.lineTo(n + 4 * px, top + height - 9 * px);
      c.lineTo(n, top + height);
      c.fill();
    }
    for (const m of opt.marks || []) {
      const x = u.valToPos(m.t / 1000, 'x', true);
      if (x < left || x > left + width) continue;
      const y = opt.marksLow ? top + height - 14 * px : top + 22 * px;
      c.strokeStyle = ink.graph;
      c.fillStyle = ink.paper;
      c.lineWidth = 1.3 * px;
      c.beginPath();
      c.ellipse(x, y, 5 * px, 8 * px, -0.28, 0, 7);
      c.fill();
      c.stroke();
      c.font = `${12 * px}px ${css('--sans')}`;
      c.fillStyle = ink.graph;
      c.textAlign = x > left + width - 60 * px ? 'right' : 'left';
      c.fillText(m.word, x + (c.textAlign === 'left' ? 9 : -9) * px, y + 4 * px);
    }
    c.restore();
  };
  const width = () => Math.max(240, Math.floor(box.clientWidth));
  const axis = (label, size) => ({ stroke: ink.soft, font, grid: { stroke: ink.rule, width: 1 }, ticks: { show: false }, size, gap: 4, label });
  const u = new U({
    width: width(), height: opt.height || 220, padding: [10, 12, 0, 0], legend: { show: false }, cursor: { drag: { x: true, y: false }, points: { size: 7 } },
    scales: { x: { time: false, range: opt.xrange ? () => opt.xrange.map((t) => t / 1000) : undefined }, y: { range: opt.range || ((_, a, b) => { const p = Math.max(0.5, (b - a) * 0.12); return [a - p, b + p]; }) } },
    axes: [opt.plain ? { ...axis(), values: (_, v) => v.map((t) => t / 3600 + ' h'), incrs: [1800, 3600, 7200, 14400, 21600, 43200], size: 28 } : { ...axis(), splits, values: (_, v) => (trusted() ? v.map(tick) : v.map((t) => Math.round((t - now() / 1000) / 3600) + ' h')), size: 28 }, { ...axis(null, 44), values: (_, v) => v.map((x) => (opt.yval ? opt.yval(x) : String(Math.round(x * 10) / 10).replace('-', '\u2212'))) }],
    series: [{}, ...series.map((z) => ({ label: z.label, stroke: z.hide ? undefined : ink[z.color || 'graph'], width: z.hide ? 0 : z.width || 1.6, dash: z.dash, points: { show: false }, spanGaps: false }))],
    bands: (opt.bands || []).map(([a, b]) => ({ series: [a, b], fill: ink.soft + '33' })),
    hooks: { drawClear: [under], draw: [over], setCursor: [(v) => read(v)] },
  }, [xs.map((t) => t / 1000), ...series.map((z) => z.ys)], box);
  const out = h('p', { class: 'small reading' }, opt.hint || 'Touch the chart to read it.');
  box.after(out);
  const read = (v) => {
    const i = v.cursor.idx;
    if (i == null) return;
    const bits = series.filter((z) => z.say && z.ys[i] != null).map((z) => z.say(z.ys[i], i));
    out.textContent = (opt.plain ? num(xs[i] / 3600e3, 1) + ' h' : clock(xs[i], true)) + ': ' + (bits.join(', ') || 'no reading');
  };
  const ro = new ResizeObserver(() => u.setSize({ width: width(), height: opt.height || 220 }));
  ro.observe(box);
  const u2 = u.root.querySelector('canvas');
  if (u2) {
    u2.setAttribute('role', 'img');
    u2.setAttribute('aria-label', opt.aria || series.map((z) => z.label).join(', '));
  }
  return { u, gone() { ro.disconnect(); u.destroy(); out.remove(); } };
}

const lineKey = (color, dash, fan) => s('svg', { width: 34, height: 14, viewBox: '0 0 34 14', 'aria-hidden': 'true', class: 'k-' + color },
  fan ? s('rect', { width: 34, height: 14, class: 'fan' }) : s('path', { d: 'M0 7H34', class: 'kline', 'stroke-dasharray': dash }));

// gapsOf lists the stretches without readings: the board marks each by a row of
// nulls between two good ones.
function gapsOf(xs, ys) {
  const out = [];
  let last = null, torn = false;
  for (let i = 0; i < xs.length; i++) {
    if (ys[i] == null) {
      torn = true;
      continue;
    }
    if (torn && last !== null) out.push([last, xs[i]]);
    last = xs[i];
    torn = false;
  }
  return out;
}

// One coat: its strip, what it is and what comes, temperature and cure along
// the clock, and everything that was entered, with edit and undo.
export const coat = (() => {
  const enc = encodeURIComponent;
  let id = null, full = null, charts = [];

  async function draw(main, r) {
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
    hooks.onWork = async () => {
      try {
        full = await get('/coats/' + enc(id));
        body(main);
        log(main);
      } catch {
        // the next event tries again
      }
    };
    body(main);
    log(main);
    await figures(main).catch((e) => fill($('.figs', main), h('p', { class: 'small' }, 'No chart: ' + e.message + '.')));
    return undefined;
  }

  function gone() {
    for (const c of charts) c.gone();
    charts = [];
    hooks.onWork = null;
  }

  function live(main) {
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
    const over = full.open === false && e === full; // no estimate is made of it any more
    morphKids(box, [
      h('h1', null, panelName(e.panel)), h('p', { class: 'small' }, `${cap(e.kind)} of ${e.resin} epoxy, on at `, timeEl(ms(e.applied_at), true), ended ? [', no longer watched since ', timeEl(ms(ended), true)] : '', '.'),
      h('p', { class: 'say' }, over ? 'It is no longer watched: what it was is below.' : e.say && e.say.length ? sentence(e.say) : e.advice), h('p', { class: 'why' }, sentence(e.because)),
      (e.notes || []).map((n) => h('p', { class: 'why' }, cap(n) + (/[.!?]$/.test(n) ? '' : '.'))),
      !over && h('div', { class: 'fig' }, strip(e, { w: Math.floor(w), t0, t1, wide, alone: true })),
      h('div', { class: 'do' }, !over && h('a', { class: 'btn first', href: '#/feel/' + enc(id) }, 'Feel it'), h('a', { class: 'btn', href: `#/coat/${enc(id)}/edit` }, 'Change what I entered'),
        !ended && h('button', { type: 'button', class: 'hold quiet', 'data-do': 'end', 'data-id': id, 'aria-label': 'Hold: stop watching' }, h('span', null, 'Hold: stop watching'))),
      !over && h('div', { class: 'cols' },
        h('div', null, h('h2', null, 'When'), table(['It will be', 'about (8 in 10 within)'], EVENTS.map(([k, word]) => [cap(word), band(e.events && e.events[k])]))),
        h('div', null, h('h2', null, 'Now'),
          h('dl', { class: 'kv' },
            h('dt', null, 'State'), h('dd', null, h('b', null, WORD[e.state] || e.state), p ? [' (', STATES.filter((k) => p[k] >= 0.05).map((k) => `${WORD[k]} ${chance(p[k])}`).join(', '), ')'] : ''),
            h('dt', null, 'Cured'), h('dd', null, e.alpha ? `${num(e.alpha.p50 * 100)} % (${num(e.alpha.p10 * 100)} to ${num(e.alpha.p90 * 100)})` : 'not known'),
            h('dt', null, 'Softens at'), h('dd', null, e.tg_c ? `${temp(e.tg_c.p50)} (${minus(Math.round(toUnit(e.tg_c.p10)))} to ${minus(Math.round(toUnit(e.tg_c.p90)))})` : 'not known'),
            h('dt', null, 'Panel'), h('dd', null, temp(e.temp_c), e.panel_from === 'air' ? ', from the air: wider doubt' : e.panel_from === 'none' ? ', no probe' : ''),
            h('dt', null, 'This batch'), h('dd', null, e.kappa ? speed(e.kappa) : 'not known'),
            h('dt', null, 'Blush'), h('dd', null, e.blush ? (e.blush.condensed ? 'dew fell on it' : e.blush.band) : 'not known', e.blush && e.blush.band !== 'unknown' ? ' (a rough scale, not proven)' : ''),
            h('dt', null, 'Without a reading'), h('dd', null, e.degraded_minutes ? span(e.degraded_minutes * 60e3) : 'never'),
            e.stall ? [h('dt', null, 'Stalled'), h('dd', null, e.t_need_c != null ? `it will not finish at this temperature; ${temp(e.t_need_c)} would mend it` : 'it will not finish at this temperature')] : null)))]);
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
    const ended = full.open === false && ms(full.record.ended);
    const to = ended ? Math.max(ended, from + 7200e3) : Math.max(now() + 12 * 3600e3, Math.min(now() + 72 * 3600e3, ms(e.events && e.events.hard && e.events.hard.p50) ? ms(e.events.hard.p50) + 6 * 3600e3 : 0));
    const pts = rows(await get(`/coats/${enc(id)}/trace?from=${enc(new Date(from).toISOString())}&to=${enc(new Date(to).toISOString())}&points=480`), 'points');
    const a = h('div', { class: 'chart' }), b = h('div', { class: 'chart' });
    if (!pts.length) {
      fill(box, h('h2', null, 'Temperature and cure'), h('p', { class: 'small' }, 'Nothing to draw yet: no reading has come since it went on.'));
      return;
    }
    const xs = pts.map((p) => ms(p.at));
    const v = (f) => pts.map((p) => { const x = f(p); return x == null ? null : x; });
    const t = (f) => v(f).map((x) => (x === null ? null : toUnit(x)));
    const gaps = ((e.strip && e.strip.gaps) || []).map((g) => [ms(g.from), ms(g.to)]);
    const marks = (full.feels || (e.strip && e.strip.feels) || []).map((f) => ({ t: ms(f.at), word: WORD[f.state] || f.state }));
    const past = (f) => (p) => (p.forecast || p.gap ? null : f(p)), fut = (f) => (p) => (p.forecast ? f(p) : null);
    // The dashed line starts where the full one ends.
    const lastPast = pts.reduce((m, p, i) => (p.forecast ? m : i), -1);
    const join = (f) => pts.map((p, i) => (p.forecast || (i === lastPast && !p.gap) ? f(p) ?? null : null));
    fill(box, 
      h('h2', null, 'Temperature, ', unit()), h('div', { class: 'legend' }, h('span', null, lineKey('graph'), 'panel'), h('span', null, lineKey('graph', '5 4'), 'forecast'), h('span', null, lineKey('soft', null, true), 'its doubt'), h('span', null, lineKey('ink', '2 3'), 'dew point')), a,
      h('h2', null, 'Cure, %'), h('div', { class: 'legend' }, h('span', null, lineKey('graph'), 'degree of cure'), h('span', null, lineKey('soft', null, true), 'its doubt'), h('span', null, 'ovals: finger tests')), b);
    charts.push(await chart(a, xs, [
      { label: 'forecast high', ys: t(fut((p) => p.temp_p90)), hide: true }, { label: 'forecast low', ys: t(fut((p) => p.temp_p10)), hide: true },
      { label: 'panel temperature', ys: t(past((p) => p.temp_c)), say: (x) => 'panel ' + minus(num(x, 1)) + ' ' + unit() },
      { label: 'forecast', ys: join((p) => (p.temp_c == null ? null : toUnit(p.temp_c))), dash: [5, 4], say: (x, i) => (pts[i].forecast ? 'forecast ' + num(x, 1) + ' ' + unit() : '') },
      { label: 'dew point', ys: t((p) => p.dew_c), color: 'ink', dash: [2, 3], width: 1.3, say: (x, i) => 'dew point ' + num(x, 1) + (pts[i].temp_c != null ? `, ${diff(pts[i].temp_c - pts[i].dew_c)} above it` : '') },
    ], { bands: [[1, 2]], gaps, marks, marksLow: true, height: 220, aria: 'Temperature of the panel over time, with forecast and dew point' }));
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
    for (const f of full.feels || []) items.push([ms(f.at), `Finger test: ${FINGER[f.state] || f.state}`, h('button', { type: 'button', class: 'hold quiet', 'aria-label': `Hold: take back the finger test of ${clock(ms(f.at), true)}`, onheld: () => takeBack('/feels/' + enc(f.id), 'finger test') }, h('span', null, 'Hold: take back'))]);
    for (const b of full.batches || []) items.push([ms(b.mixed), `Cup of ${b.resin}: ${grams(b.resin_g)} resin, ${grams(b.hardener_g)} hardener${b.lot ? ', lot ' + b.lot : ''}`, null]);
    for (const c of (rec && rec.cloth) || []) items.push([ms(c.laid) ?? ms(full.applied_at), `Cloth: ${c.name}${c.g_m2 ? ', ' + num(c.g_m2) + ' g/m²' : ''}`, null]);
    items.sort((x, y) => x[0] - y[0]);
    fill(box, h('h2', null, 'What was entered'),
      items.length ? h('ul', { class: 'rows' }, items.map(([t, text, btn]) => h('li', null, h('div', { class: 'item' }, h('p', null, timeEl(t, true), ' · ', text), btn ? h('div', { class: 'do' }, btn) : null)))) : h('p', { class: 'small' }, 'Nothing beside the coat itself.'),
      (full.changes || []).length > 1 ? [h('h2', null, 'Corrections'), h('p', { class: 'small' }, 'Nothing is overwritten: the record shows each version.'),
        table(['when', 'by', 'what'], full.changes.map((c, i) => [timeEl(ms(c.at), true), c.by, changeWords(c, full.changes[i - 1])]))] : null,
      h('h2', null, 'Take it back'), h('p', { class: 'small' }, 'If it was entered by mistake. The record keeps that it was there.'),
      h('div', { class: 'do' }, h('button', { type: 'button', class: 'hold quiet', onheld: () => takeBack('/coats/' + enc(id), 'coat', true) }, h('span', null, 'Hold: take the coat back'))),
      full.panel ? h('p', { class: 'why' }, h('a', { href: '#/history/' + enc(full.panel) }, 'The record of ' + panelName(full.panel))) : null);
  }

  // flat writes a value so that the order of its keys does not matter.
  const flat = (v) => JSON.stringify(v, (_, x) => (x && typeof x === 'object' && !Array.isArray(x) ? Object.fromEntries(Object.entries(x).sort()) : x));

  function changeWords(c, before) {
    if (c.op === 'create') return 'entered';
    if (c.op === 'delete') return 'taken back';
    const a = (before && before.body) || {}, b = c.body || {};
    const say = (k, v) => (v == null || v === '' ? 'nothing' : /^\d{4}-\d\d-\d\dT/.test(v) ? clock(Date.parse(v), true) : typeof v === 'object' ? JSON.stringify(v).replace(/["{}[\]]/g, '') : v);
    const out = Object.keys({ ...a, ...b }).filter((k) => flat(a[k]) !== flat(b[k])).map((k) => `${NAMES[k] || k}: ${say(k, a[k])} → ${say(k, b[k])}`);
    return out.join('; ') || 'the same again';
  }

  async function takeBack(path, what, leave) {
    try {
      const r = await enter({ key: key(), method: 'DELETE', path, say: 'take back: ' + what });
      toast(`The ${what} is taken back.` + (r.kept ? ' Kept on this phone, will send.' : ''));
      soon();
      if (leave) location.hash = '#/';
      else if (hooks.onWork) hooks.onWork();
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
        refused(form, e);
      }
    });
    fill(main, form);
  }
  return { draw, live, gone };
})();

// Moist air: now, over the days, and what heating it would do.
export const air = (() => {
  let charts = [], days = 1, probe = '';

  function gone() {
    for (const c of charts) c.gone();
    charts = [];
  }

  async function draw(main) {
    gone();
    const probes = ((S.snap && S.snap.probes) || []).filter((p) => p.accepted);
    const humid = (p) => (p.last && p.last.rh_pct != null) || p.role === 'air';
    if (!probes.some((p) => p.id === probe)) probe = (probes.find(humid) || probes[0] || {}).id || '';
    const fig = h('div', { class: 'figs' });
    const heat = h('div');
    fill(main, h('div', { class: 'page wide' }, h('h1', null, 'Air'), now2(), heat,
      probes.length ? [h('h2', null, 'What it was'),
        choices('Which probe', probes.map((p) => ({ value: p.id, text: p.name || p.id })), probe, (v) => { probe = v; history(fig); }),
        choices('How long', [[1, 'a day'], [3, '3 days'], [7, 'a week'], [31, 'a month'], [366, 'a year']].map(([v, text]) => ({ value: String(v), text })), String(days), (v) => { days = +v; history(fig); }), fig] : h('p', { class: 'why' }, 'No probe, so nothing to show. ', h('a', { href: '#/probes' }, 'How to add one'))));
    warm(heat);
    if (probes.length) await history(fig);
  }

  function now2() {
    const rowsOf = (S.snap && S.snap.surfaces) || [];
    if (!rowsOf.length) return h('p', { class: 'why' }, 'No panel has both a surface probe and an air probe now, so the margin to dew is not known.');
    return table(['panel', 'surface', 'air', 'humidity', 'dew point', 'above dew', 'humidity at the surface'], rowsOf.map((x) => [panelName(x.panel), temp(x.temp_c), temp(x.air_c), x.rh_pct === null ? 'no reading' : num(x.rh_pct) + '\u202f%', temp(x.dew_point_c),
      x.dew_margin_k === null ? 'not known' : [diff(x.dew_margin_k), x.dew_margin_k < 3 ? h('b', { class: 'none' }, ' too little') : ''], x.panel_rh_pct === null ? 'not known' : num(x.panel_rh_pct) + '\u202f%']));
  }

  // warm answers "what if I heat it": the water stays, so the humidity falls.
  function warm(box) {
    const air = ((S.snap && S.snap.surfaces) || []).find((x) => x.air_c !== null && x.rh_pct !== null);
    if (!air) return;
    let to = Math.round(air.air_c + 5);
    const out = h('p', { class: 'say', role: 'status' });
    const sub = h('p', { class: 'why' });
    let n = 0;
    const ask = async () => {
      const mine = ++n;
      try {
        const a = await get(`/air?temp=${air.air_c}&rh=${air.rh_pct}`);
        const b = await get(`/air?temp=${to}&rh=1`);
        if (mine !== n) return;
        const rh = Math.min(100, a.vapour_pressure_pa / b.vapour_pressure_pa);
        const margin = air.temp_c === null ? null : air.temp_c - a.dew_point_c;
        out.textContent = `Heated from ${temp(air.air_c)} to ${temp(to)} it goes from ${num(air.rh_pct)} % to about ${num(rh)} % humidity.`;
        sub.textContent = `The dew point stays at ${temp(a.dew_point_c)}, so a panel still colder than that sweats at once.${margin !== null ? ` ${panelName(air.panel)} is ${diff(margin)} above it now.` : ''} That holds for dry heat: burning fuel without a flue adds water and carbon dioxide.`;
      } catch (e) {
        out.textContent = 'Not known: ' + e.message + '.';
      }
    };
    fill(box, h('h2', null, 'If you heat it'), stepper('heat it to', { get: () => Math.round(toUnit(to)), set: (v) => { to = fromUnit(v); ask(); }, step: 1, min: -20, max: 130, say: () => minus(deg(to)) + '\u202f' + unit() }), out, sub);
    ask();
  }

  async function history(box) {
    gone();
    const to = now(), from = to - days * 86400e3;
    fill(box, h('p', { class: 'small' }, 'Asking…'));
    let list;
    try {
      list = rows(await get(`/readings?probe=${encodeURIComponent(probe)}&from=${encodeURIComponent(new Date(from).toISOString())}&to=${encodeURIComponent(new Date(to).toISOString())}&max=1000`), 'readings');
    } catch (e) {
      fill(box, h('p', { class: 'small' }, 'No readings: ' + e.message + '.'));
      return;
    }
    const some = list.filter((r) => r.temp_c !== null);
    if (!some.length) {
      fill(box, h('p', { class: 'small' }, 'No reading in that time.'));
      return;
    }
    const xs = list.map((r) => ms(r.time));
    const t = list.map((r) => (r.temp_c == null ? null : toUnit(r.temp_c)));
    const rh = list.map((r) => r.rh_pct ?? null);
    const gaps = gapsOf(xs, t);
    const a = h('div', { class: 'chart' }), b = h('div', { class: 'chart' });
    const hasRh = rh.some((x) => x !== null);
    const lo = Math.min(...t.filter((x) => x !== null)), hi = Math.max(...t.filter((x) => x !== null));
    fill(box, h('h2', null, 'Temperature, ', unit()), a, hasRh && h('h2', null, 'Humidity, %'), hasRh && b,
      h('p', { class: 'small' }, `Between ${num(lo, 1)} and ${num(hi, 1)} ${unit()} since ${clock(from)}.`));
    charts.push(await chart(a, xs, [{ label: 'temperature', ys: t, say: (x) => num(x, 1) + ' ' + unit() }], { gaps, xrange: [from, to], height: 210, aria: 'Temperature over time' }));
    if (hasRh) charts.push(await chart(b, xs, [{ label: 'humidity', ys: rh, color: 'ink', say: (x) => num(x) + ' %' }], { gaps, xrange: [from, to], height: 170, aria: 'Humidity over time' }));
  }
  return { draw, gone };
})();

// The cup: how long it stays workable, and whether it may run away.
export const pot = (() => {
  const VERDICT = {
    low: ['Low risk of running away.', 'Still: the times below are cautious, not certain.'],
    caution: ['Caution: it can get hot.', 'A wide tray, or two smaller cups, buys time.'],
    runaway: ['It can run away.', 'Mix less, or pour it into a wide tray at once.'],
  };
  const CLASS = { warm: 'it gets warm', hot: 'it gets too hot to hold', burning: 'it gets hot enough to burn and smoke' };

  async function draw(main) {
    if (!S.resins.length) await lists().catch(() => {});
    const air = ((S.snap && S.snap.surfaces) || []).find((x) => x.air_c != null);
    const shopC = S.snap && S.snap.result.shop && S.snap.result.shop.temp_c;
    const { d, save } = draft('pot', { resin: localStorage.getItem('last:resin') || (S.resins[0] || {}).name || '', grams: 150, shape: 'cup', shop: Math.round(shopC ?? (air ? air.air_c : 20)) });
    const out = h('div', { role: 'status', 'aria-live': 'polite' });
    let n = 0;
    const ask = async () => {
      save();
      const mine = ++n;
      try {
        const q = new URLSearchParams({ resin: d.resin, grams: d.grams, shape: d.shape, shop: Math.round(d.shop * 10) / 10 });
        if (d.shape !== 'cup') q.set('depth_mm', d.shape === 'tray' ? 10 : 12);
        const r = await get('/pot?' + q);
        if (mine === n) show(out, r, d);
      } catch (e) {
        if (mine === n) fill(out, h('p', { class: 'err' }, e.message));
      }
    };
    fill(main, h('div', { class: 'page' }, h('h1', null, 'Cup'), h('p', { class: 'small' }, 'Before you mix: how long it stays workable.'),
      choices('Which epoxy', S.resins.map((r) => ({ value: r.name, text: r.name, sub: r.generic ? 'generic, fit your own' : null })), d.resin, (v) => { d.resin = v; ask(); }),
      h('fieldset', null, h('legend', null, 'How much, resin and hardener'), stepper('grams', { get: () => d.grams, set: (v) => { d.grams = v; ask(); }, step: 10, min: 10, max: 2000, say: (v) => grams(v) })),
      choices('In what', [{ value: 'cup', text: 'Cup' }, { value: 'tray', text: 'Tray', sub: '10 mm deep' }, { value: 'bond', text: 'Thick bond', sub: '12 mm' }], d.shape, (v) => { d.shape = v; ask(); }, { cls: 'three' }),
      h('fieldset', null, h('legend', null, 'The shop is at'), stepper('shop temperature', { get: () => Math.round(toUnit(d.shop)), set: (v) => { d.shop = fromUnit(v); ask(); }, step: 1, min: -20, max: 120, say: () => temp(d.shop) })),
      out, cautions()));
    if (d.resin) ask();
    else fill(out, h('p', { class: 'small' }, 'No epoxy is known here yet.'));
  }

  const min = (x) => (x == null ? 'not within 12 h' : 'about ' + span(x * 60e3));

  function show(box, r, d) {
    const [head, tail] = VERDICT[r.verdict] || ['Not known.', ''];
    const most = r.max_grams_for_work || {};
    fill(box, 
      h('p', { class: 'say' }, r.work_minutes == null ? 'It stays workable for hours.' : ['Use it within ', h('b', null, span(r.work_minutes * 60e3 - 3e4)), '.'], ' ', h('span', { class: r.verdict === 'low' ? '' : 'none' }, head)),
      h('p', { class: 'why' }, tail, r.peak_class ? ' If it is left standing, ' + (CLASS[r.peak_class] || r.peak_class) + '.' : ''),
      h('dl', { class: 'kv' }, h('dt', null, 'Warms by ' + (unit() === '°F' ? '27 °F' : '15 °C')), h('dd', null, min(r.minutes_to_plus15k)), h('dt', null, 'Reaches ' + temp(60)), h('dd', null, min(r.minutes_to_60c)),
        ['20', '30', '45'].map((k) => [h('dt', null, `Most for ${k} min`), h('dd', null, most[k] == null ? 'no limit up to 2000 g' : most[k] === 0 ? 'not to be had in this shape' : num(most[k]) + '\u202fg')])),
      h('p', { class: 'small' }, d.shape === 'cup' ? 'For an upright cup of the usual width.' : ''));
  }

  function cautions() {
    return h('div', { class: 'cautions' }, h('h2', null, 'If it gets hot'),
      h('p', null, 'While it is only warm, pour it into a wide tray or take it outdoors. Once it smokes, foams or is too hot to hold: leave it, get out, air the shed; no water into it, no lid, nothing thrown on top. No waste cup, wet rag or sawdust in a bin until cold overnight. Gloves, eye protection, no dust from half-cured epoxy.'));
  }
  return { draw };
})();

// Epoxies: those known, one from its data sheet with what the fit made of it,
// and the curve of each.
export const resins = (() => {
  async function draw(main, r) {
    if (!S.resins.length) await lists().catch(() => {});
    if (r.name === 'resin' && r.rest[0] === 'new') return sheet(main);
    if (r.name === 'resin') return one(main, r.rest[0]);
    fill(main, h('div', { class: 'page' }, h('h1', null, 'Epoxies'),
      h('p', { class: 'why' }, 'The generic ones are guesses at somebody else’s epoxy. Yours, from its data sheet, is worth obeying.'),
      h('div', { class: 'do' }, h('a', { class: 'btn first', href: '#/resin/new' }, 'From a data sheet')),
      h('ul', { class: 'rows' }, S.resins.map((x) => h('li', null, h('a', { href: '#/resin/' + encodeURIComponent(x.name) }, h('span', null, x.name), h('span', null, x.generic ? 'generic, fit your own' : x.ratio_by_weight ? `${x.ratio_by_weight[0]} to ${x.ratio_by_weight[1]} by weight` : 'from its sheet')))))));
    return undefined;
  }

  async function one(main, name) {
    const x = resinByName(name);
    const fig = h('div');
    fill(main, h('div', { class: 'page' }, h('a', { class: 'back', href: '#/resins' }, 'Epoxies'), h('h1', null, name),
      x && x.generic ? h('p', { class: 'why' }, 'Generic: fit your own. Its pace may be half or twice as fast as yours.') : null,
      x ? h('dl', { class: 'kv' }, h('dt', null, 'Good between'), h('dd', null, `${temp(x.min_temp_c)} and ${temp(x.max_temp_c)}`),
        h('dt', null, 'Mix by weight'), h('dd', null, x.ratio_by_weight ? x.ratio_by_weight.join(' to ') : 'not given'),
        x.ratio_by_volume ? [h('dt', null, 'Mix by volume'), h('dd', null, x.ratio_by_volume.join(' to '))] : null,
        h('dt', null, 'Handle after'), h('dd', null, x.handle ? `${num(x.handle.hours)} h at ${temp(x.handle.temp_c)}` : 'not on the sheet: hard and two days at 20 °C'),
        h('dt', null, 'Batch to batch'), h('dd', null, `8 in 10 batches within ${Math.round((Math.exp(1.28 * x.ln_kappa_sd) - 1) * 100)} % of its pace`)) : h('p', null, 'Not known here.'), fig));
    if (x) await curve(fig, name);
  }

  const TEMPS = [10, 15, 20, 25];
  const EV = [['alpha_0.30', 'tacky'], ['recoat_opens', 'takes the next coat'], ['gel', 'gels'], ['green', 'green'], ['recoat_closes', 'window closes'], ['hard', 'hard']];

  async function curve(box, name) {
    let list;
    try {
      list = await Promise.all(TEMPS.map((t) => get(`/cure?resin=${encodeURIComponent(name)}&temp=${t}`)));
    } catch (e) {
      fill(box, h('p', { class: 'small' }, 'No curve: ' + e.message + '.'));
      return;
    }
    const W = 640, H = 250, L = 40, B = 30, lo = Math.log(0.5), hi = Math.log(168);
    const X = (hr) => L + ((Math.log(hr) - lo) / (hi - lo)) * (W - L - 60), Y = (a) => 10 + (1 - a) * (H - B - 10);
    // Labels at the curves' ends keep 13 px apart.
    const last = list.map((c) => { const v = (c.alpha_at_h || {})['168']; return v == null ? H : Y(v); });
    const ends = [...last];
    [...last.keys()].sort((a, b) => last[a] - last[b]).forEach((k, n, order) => { if (n) ends[k] = Math.max(ends[k], ends[order[n - 1]] + 13); });
    const lines = list.map((c, i) => {
      const pts = Object.entries(c.alpha_at_h || {}).map(([k, v]) => [+k, v]);
      for (const [k, a] of [['alpha_0.30', 0.3], ['alpha_0.80', 0.8]]) if (c.times_min && c.times_min[k]) pts.push([c.times_min[k] / 60, a]);
      pts.sort((p, q) => p[0] - q[0]);
      const use = pts.filter((p) => p[1] !== null && p[0] >= 0.5 && p[0] <= 168);
      if (use.length < 2) return null;
      const end = use[use.length - 1];
      return [s('path', { class: 'kline', d: 'M' + use.map((p) => X(p[0]).toFixed(1) + ' ' + Y(p[1]).toFixed(1)).join('L'), 'stroke-dasharray': ['2 3', '7 4', null, '12 3 2 3'][i] }),
        s('text', { class: 'hour', x: X(end[0]) + 5, y: ends[i] + 4 }, minus(Math.round(toUnit(TEMPS[i]))) + '\u202f' + unit())];
    });
    fill(box, h('h2', null, 'How it cures at a steady temperature'),
      h('div', { class: 'scroll', tabindex: 0, role: 'group', 'aria-label': 'Table' }, s('svg', { viewBox: `0 0 ${W} ${H}`, width: W, height: H, role: 'img', 'aria-label': 'Cure in per cent over hours at four temperatures; the table below has the times' },
        [0, 0.25, 0.5, 0.75, 1].map((a) => [s('path', { class: 'hair', d: `M${L} ${Y(a)}H${W - 60}` }), s('text', { class: 'hour', x: L - 6, y: Y(a) + 4, 'text-anchor': 'end' }, a * 100 + (a === 1 ? ' %' : ''))]),
        [1, 2, 4, 8, 24, 72, 168].map((x) => [s('path', { class: 'hair', d: `M${X(x)} 10V${H - B}` }), s('text', { class: 'hour', x: X(x), y: H - 10, 'text-anchor': 'middle' }, x < 24 ? x + ' h' : x / 24 + (x === 24 ? ' day' : ' days'))]), lines)),
      table(['at', ...EV.map(([, w]) => w)], list.map((c, i) => [temp(TEMPS[i]), ...EV.map(([k]) => { const m = c.times_min && c.times_min[k]; return m == null ? 'never' : span(m * 60e3); })])),
      h('p', { class: 'small' }, 'Half of all batches are faster, half slower. “Never”: the cold stops it first, or it is outside what the sheet covers.'));
  }

  // --- from a data sheet -----------------------------------------------------

  const KINDS = [['unknown', 'not said'], ['polyamine', 'polyamine'], ['cycloaliphatic', 'cycloaliphatic'], ['polyether', 'polyether'], ['adduct', 'adduct'], ['low-blush', 'low-blush']];
  const EVENTS = [['working', 'working time, thin film'], ['tacky', 'tacky'], ['tack_free', 'tack free'], ['recoat_from', 'recoat from'], ['recoat_until', 'recoat until'], ['sand', 'can be sanded'], ['handle', 'can be handled']];

  function sheet(main) {
    const { d, save, done } = draft('sheet', {
      name: '', hardener_kind: 'unknown', rw: ['', ''], rv: ['', ''], tol: '', min: '', max: '', tga: '', tgp: '',
      pots: [{ grams: '100', temp: '25', a: '', b: '' }], times: [{ event: 'tack_free', temp: '20', a: '', b: '' }, { event: 'sand', temp: '20', a: '', b: '' }],
    });
    const n = (v) => (String(v).trim() === '' ? null : Number(String(v).replace(',', '.')));
    const t = (v) => (n(v) === null ? null : Math.round(fromUnit(n(v)) * 10) / 10);
    const inp = (obj, k, label, w) => h('input', { type: 'text', inputmode: 'decimal', 'aria-label': label, class: w, value: obj[k], oninput: (ev) => { obj[k] = ev.target.value; save(); } });
    const pots = h('div'), times = h('div'), result = h('div');
    const less = (list, i, again, what) => h('button', { type: 'button', class: 'quiet', 'aria-label': `Take out line ${i + 1} of ${what}`, onclick: () => { list.splice(i, 1); save(); again(); } }, 'Take out');
    const drawPots = () => fill(pots, ...d.pots.map((p, i) => h('div', { class: 'line', 'data-field': `pot_life[${i}]` }, inp(p, 'grams', 'grams'), h('span', null, 'g at'), inp(p, 'temp', 'temperature'), h('span', null, unit() + ':'), inp(p, 'a', 'minutes, from'), h('span', null, 'to'), inp(p, 'b', 'minutes, to'), h('span', null, 'min'), less(d.pots, i, drawPots, 'pot life'), h('p', { class: 'err', role: 'alert' }))),
      h('button', { type: 'button', class: 'quiet', onclick: () => { d.pots.push({ grams: '', temp: '', a: '', b: '' }); save(); drawPots(); } }, 'One more'));
    const drawTimes = () => fill(times, ...d.times.map((p, i) => h('div', { class: 'line', 'data-field': `time[${i}]` },
      h('select', { 'aria-label': 'what', onchange: (ev) => { p.event = ev.target.value; save(); } }, EVENTS.map(([v, w]) => h('option', { value: v, selected: v === p.event }, w))), h('span', null, 'at'), inp(p, 'temp', 'temperature'), h('span', null, unit() + ':'), inp(p, 'a', 'hours, from'), h('span', null, 'to'), inp(p, 'b', 'hours, to'), h('span', null, 'h'), less(d.times, i, drawTimes, 'times'), h('p', { class: 'err', role: 'alert' }))),
      h('button', { type: 'button', class: 'quiet', onclick: () => { d.times.push({ event: 'tack_free', temp: '', a: '', b: '' }); save(); drawTimes(); } }, 'One more'));
    drawPots();
    drawTimes();
    const name = h('input', { type: 'text', value: d.name, oninput: (ev) => { d.name = ev.target.value; save(); } });
    const pair = (k, label) => h('div', { class: 'field', 'data-field': label }, h('span', { class: 'lab' }, label === 'ratio_by_weight' ? 'Mix by weight, resin to hardener' : 'Mix by volume, resin to hardener'), h('div', { class: 'line' }, inp(d[k], 0, 'parts of resin'), h('span', null, 'to'), inp(d[k], 1, 'parts of hardener')), h('p', { class: 'err', role: 'alert' }));
    const form = h('form', { class: 'page', novalidate: true }, h('a', { class: 'back', href: '#/resins' }, 'Epoxies'), h('h1', null, 'From a data sheet'), h('p', { class: 'small' }, 'Fill in what the sheet says, leave the rest. A single number needs only the first box.'),
      field('Its name, resin and hardener', 'name', name),
      choices('What kind of hardener', KINDS.map(([value, text]) => ({ value, text })), d.hardener_kind, (v) => { d.hardener_kind = v; save(); }, { field: 'hardener_kind' }),
      pair('rw', 'ratio_by_weight'), pair('rv', 'ratio_by_volume'),
      field('How far the mix may be off, %', 'ratio_tolerance_pct', inp(d, 'tol', 'tolerance')),
      field(`Not below, ${unit()}`, 'min_temp_c', inp(d, 'min', 'lowest temperature')), field(`Not above, ${unit()}`, 'max_temp_c', inp(d, 'max', 'highest temperature')),
      h('fieldset', { 'data-field': 'pot_life' }, h('legend', null, 'Pot life'), pots, h('p', { class: 'err', role: 'alert' })),
      h('fieldset', { 'data-field': 'time' }, h('legend', null, 'Times of a thin film'), times, h('p', { class: 'err', role: 'alert' })),
      field(`Softens at (Tg) after curing in the shop, ${unit()}`, 'tg_ambient_c', inp(d, 'tga', 'Tg, ambient cure')), field(`Softens at (Tg) after a warm post-cure, ${unit()}`, 'tg_postcure_c', inp(d, 'tgp', 'Tg, post-cured')),
      h('p', { class: 'err foot', role: 'alert' }), h('div', { class: 'do' }, h('button', { type: 'submit', class: 'first ink' }, 'Fit it')), result);
    const body = () => {
      const b = { name: d.name.trim(), hardener_kind: d.hardener_kind };
      const put = (k, v) => { if (v !== null) b[k] = v; };
      const two = (p) => (n(p[0]) === null && n(p[1]) === null ? null : [n(p[0]), n(p[1])]);
      put('ratio_by_weight', two(d.rw));
      put('ratio_by_volume', two(d.rv));
      put('ratio_tolerance_pct', n(d.tol));
      put('min_temp_c', t(d.min));
      put('max_temp_c', t(d.max));
      put('tg_ambient_c', t(d.tga));
      put('tg_postcure_c', t(d.tgp));
      const rng = (p) => (n(p.b) === null ? n(p.a) : [n(p.a), n(p.b)]);
      const pl = d.pots.filter((p) => n(p.a) !== null).map((p) => ({ grams: n(p.grams), temp_c: t(p.temp), minutes: rng(p) }));
      const tm = d.times.filter((p) => n(p.a) !== null).map((p) => ({ event: p.event, temp_c: t(p.temp), hours: rng(p) }));
      if (pl.length) b.pot_life = pl;
      if (tm.length) b.time = tm;
      return b;
    };
    form.addEventListener('submit', async (ev) => {
      ev.preventDefault();
      faults(form, []);
      const nan = [...form.querySelectorAll('input[inputmode=decimal]')].find((i) => i.value.trim() && !isFinite(Number(i.value.replace(',', '.'))));
      if (nan) {
        nan.classList.add('bad');
        faults(form, [{ field: nan.closest('[data-field]').dataset.field, what: `“${nan.value}” is not a number` }]);
        nan.classList.add('bad');
        return;
      }
      try {
        fitted(result, await call('POST', '/resins/fit', body()), done);
        result.scrollIntoView({ block: 'start' });
      } catch (e) {
        refused(form, e);
      }
    });
    fill(main, form);
  }

  function fitted(box, r, done) {
    const k = key();
    const btn = h('button', { type: 'button', class: 'first ink' }, 'Keep this epoxy');
    btn.addEventListener('click', async () => {
      btn.disabled = true;
      try {
        await call('POST', '/resins', r.resin, k);
        done();
        await lists().catch(() => {});
        toast(`${r.resin.name} is kept.`);
        location.hash = '#/resin/' + encodeURIComponent(r.resin.name);
      } catch (e) {
        btn.disabled = false;
        toast('Not kept: ' + e.message + '.');
      }
    });
    const odd = r.inconsistent || [];
    const words = [].concat(r.verdict || [], r.untold || []);
    fill(box, h('h2', null, 'What the sheet says, and what the fit makes of it'),
      odd.length ? h('p', { class: 'note harm' }, h('span', { class: 'mark' }, 'The sheet does not agree with itself: '), odd.map((x) => (typeof x === 'string' ? x : x.datum)).join('; '), '.') : h('p', { class: 'why' }, 'The sheet agrees with itself.'),
      words.map((x) => h('p', { class: 'why' }, cap(String(x)) + (/[.!?]$/.test(x) ? '' : '.'))),
      table(['datum', 'sheet', 'fit', 'off by'], (r.residuals || []).map((x) => [x.datum, num(x.sheet, 1), num(x.model, 1), h('span', { class: Math.abs(x.sigmas) > 2 ? 'none' : null }, `${minus(num(x.sigmas, 1))} times its doubt${Math.abs(x.sigmas) > 2 ? ', too far' : ''}`)])),
      h('div', { class: 'do' }, btn));
  }

  return { draw };
})();

// Probes: how each does, what went wrong, its name and its place.
export const probes = (() => {
  const STATE = { ok: 'well', waiting: 'not spoken yet', stale: 'gone quiet', missing: 'not found', stuck: 'stuck at one value', implausible: 'not believed' };
  const ROLES = [['air', 'Shop air'], ['panel', 'On a panel'], ['pot', 'In the cup'], ['outdoor', 'Outdoors'], ['tent', 'Tent air'], ['', 'Not said']];

  let open = null; // the probe being changed

  function draw(main, r) {
    open = r.rest[0] || null;
    if (open) return edit(main, open);
    fill(main, h('div', { class: 'page' }, h('div', { class: 'body' })));
    live(main);
    return undefined;
  }

  function live(main) {
    const box = main.querySelector('.body');
    if (open || !box || !S.snap) return;
    const list = [...S.snap.probes].sort((a, b) => (a.state === 'ok') - (b.state === 'ok') || a.accepted - b.accepted);
    morphKids(box, [h('h1', null, 'Probes'),
      list.length === 0 ? how() : null,
      h('ul', { class: 'rows' }, list.map((p) => h('li', { 'data-key': p.id }, item(p)))),
      list.length > 0 && h('details', null, h('summary', null, 'Add a probe'), how())]);
  }

  function value(p) {
    const v = p.now;
    if (!v) return h('b', { class: 'none' }, 'no reading');
    return h('b', null, [temp(v.temp_c), v.rh_pct != null ? num(v.rh_pct) + '\u202f%' : '', v.co2_ppm != null ? num(v.co2_ppm) + '\u202fppm CO₂' : ''].filter(Boolean).join(', '));
  }

  function item(p) {
    const errs = Object.entries(p.errors || {}).filter(([, n]) => n > 0);
    const role = (ROLES.find(([k]) => k === p.role) || ['', 'Not said'])[1];
    return h('div', { class: 'item' }, h('h2', null, p.name || p.id),
      h('p', null, value(p), ' · ', p.state === 'ok' ? 'well' : h('b', { class: 'none' }, STATE[p.state] || p.state), p.now || !ms(p.last_at) ? '' : `, last heard ${clock(ms(p.last_at), true)}`, p.last && !p.now && p.last.temp_c !== null ? ` at ${temp(p.last.temp_c)}` : ''),
      h('p', { class: 'small' }, [p.role === 'panel' && p.panel ? 'On ' + panelName(p.panel) : role, p.id !== p.name ? p.id : '', p.driver, p.bus, p.locked ? 'named in the configuration file' : ''].filter(Boolean).join(' · ')),
      !p.accepted && h('p', { class: 'why' }, h('b', null, 'Not accepted yet: '), 'nothing counts until you name it.'),
      p.error && h('p', { class: 'why' }, cap(p.error.replace(/^probe [^:]+: /, '')) + '. ', p.hint ? cap(p.hint) + '.' : ''),
      errs.length > 0 && h('p', { class: 'small' }, 'Since start: ', `${p.taken} good; `, errs.map(([k, n]) => `${n} ${k.replace('_', ' ')}`).join(', '), '.'),
      h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/probes/' + encodeURIComponent(p.id), 'aria-label': (p.accepted ? 'Name and place: ' : 'Name it: ') + (p.name || p.id) }, p.accepted ? 'Name and place' : 'Name it')));
  }

  function how() {
    return h('div', null,
      h('p', { class: S.snap.probes.length ? 'why' : 'say' }, S.snap.probes.length ? 'Plug it in: it shows up here within a minute.' : 'No probe is found yet.'),
      h('p', { class: 'why' }, 'On the board: plug an air probe into the I²C socket and a surface probe onto the 1-wire pin, or start with one of them. “curewright probes” lists what the board can see and why not.'),
      h('p', { class: 'why' }, 'By radio or from another machine: post readings to this address and the probe shows up here to be named.'),
      h('p', { class: 'why' }, 'Where it goes: on the witness, an offcut of the same core beside the panel, under tape on its face; the air probe at panel height, out of the sun.'));
  }

  function edit(main, id) {
    const p = S.snap && S.snap.probes.find((x) => x.id === id);
    if (!p) {
      fill(main, h('div', { class: 'page' }, h('a', { class: 'back', href: '#/probes' }, 'Probes'), h('h1', null, 'No such probe')));
      return;
    }
    const { d, save, done } = draft('probe:' + id, { name: p.name === p.id && !p.accepted ? '' : p.name, role: p.role || '', panel: p.panel || '' });
    const name = h('input', { type: 'text', value: d.name, disabled: p.locked, autocomplete: 'off', oninput: (ev) => { d.name = ev.target.value; save(); } });
    const panels = h('div');
    const showPanels = () => fill(panels, d.role === 'panel' ? choices('On which panel', [...S.panels.map((x) => ({ value: x.id, text: x.name || x.id })), { value: '', text: 'None yet' }], d.panel, (v) => { d.panel = v; save(); }, { field: 'panel', cls: 'two' }) : '');
    showPanels();
    const form = h('form', { class: 'page', novalidate: true }, h('a', { class: 'back', href: '#/probes' }, 'Probes'), h('h1', null, p.name || p.id), h('p', { class: 'small' }, [p.id, p.driver, p.bus].filter(Boolean).join(' · ')), h('p', null, 'It says ', value(p), '. Warm it with a finger to be sure which one it is.'),
      p.locked ? h('p', { class: 'why' }, 'Its name stands in the configuration file, which wins.') : null,
      field('What do you call it?', 'name', name), choices('Where is it', ROLES.map(([value, text]) => ({ value, text })), d.role, (v) => { d.role = v; save(); showPanels(); }, { field: 'role', cls: 'two' }), panels,
      h('p', { class: 'err foot', role: 'alert' }),
      h('div', { class: 'do' }, h('button', { type: 'submit', class: 'first ink' }, p.accepted ? 'Save' : 'Accept it'),
        p.accepted && !p.wired ? h('button', { type: 'button', class: 'hold quiet', onheld: async () => { try { await call('PUT', '/probes/' + encodeURIComponent(id), { accepted: false }); done(); await refresh(); location.hash = '#/probes'; } catch (e) { toast(e.message); } } }, h('span', null, 'Hold: no longer accept it')) : null));
    form.addEventListener('submit', async (ev) => {
      ev.preventDefault();
      faults(form, []);
      const body = { accepted: true };
      if (!p.locked && d.name.trim() && d.name.trim() !== p.name) body.name = d.name.trim();
      if (d.role !== p.role) body.role = d.role;
      const panel = d.role === 'panel' ? d.panel : '';
      if (panel !== (p.panel || '')) body.panel = panel;
      if (p.accepted) delete body.accepted;
      try {
        if (Object.keys(body).length) await call('PUT', '/probes/' + encodeURIComponent(id), body);
        done();
        await refresh();
        toast('Saved.');
        location.hash = '#/probes';
      } catch (e) {
        refused(form, e);
      }
    });
    fill(main, form);
  }
  return { draw, live };
})();

const two = (x) => String(x).padStart(2, '0') + ':00';

// The day: what to do when, so that each step falls inside its window; and the
// plan beside what happened.
export const day = (() => {
  const DO = [['coat', 'roll a coat on'], ['cloth', 'lay cloth'], ['sand', 'sand'], ['flip', 'flip'], ['unclamp', 'unclamp'], ['wash', 'wash']];
  const WHEN = [['start', 'at the start'], ['tacky', 'once tacky'], ['wet', 'while wet'], ['recoat', 'in the recoat window'], ['fill', 'fill, once no stick'], ['hard', 'once hard'], ['handle', 'once it may be handled']];
  const CLOTHS = ['', 'glass 100 plain', 'glass 160 twill', 'glass 200 twill', 'glass 280 twill', 'aramid 110 plain', 'aramid 170 plain', 'carbon 160 plain', 'carbon 200 twill'];
  const KINDS = ['tack coat', 'wet-out', 'fill coat', 'bond', 'seal'];
  const USUAL = [
    { do: 'coat', coat: 'tack coat', when: 'start', min: 30 }, { do: 'cloth', when: 'tacky', min: 20, cloth: 'aramid 170 plain' },
    { do: 'coat', coat: 'wet-out', when: 'recoat', min: 45, cloth: 'glass 200 twill' }, { do: 'coat', coat: 'fill coat', when: 'fill', min: 30 },
  ];
  const stored = () => { try { return JSON.parse(localStorage.getItem('plan') || 'null'); } catch { return null; } };

  async function draw(main) {
    if (!S.panels.length || !S.resins.length) await lists().catch(() => {});
    const { d, save } = draft('day', { resin: localStorage.getItem('last:resin') || (S.resins[0] || {}).name || '', from: 8, to: 20, people: '1', panels: S.panels.slice(0, 1).map((p) => p.id), steps: USUAL });
    const list = h('div'), result = h('div', { role: 'status' });
    const opt = (pairs, v) => pairs.map(([value, text]) => h('option', { value, selected: value === v }, text));
    const steps = () => fill(list, h('ol', { class: 'rows' }, d.steps.map((x, i) => h('li', { 'data-field': `step[${i}]` }, h('div', { class: 'item line' },
      h('select', { 'aria-label': `Step ${i + 1}: what`, onchange: (ev) => { x.do = ev.target.value; save(); steps(); } }, opt(DO, x.do)),
      x.do === 'coat' && h('select', { 'aria-label': `Step ${i + 1}: kind of coat`, onchange: (ev) => { x.coat = ev.target.value; save(); } }, opt(KINDS.map((k) => [k, k]), x.coat)),
      (x.do === 'cloth' || x.coat === 'wet-out') && h('select', { 'aria-label': `Step ${i + 1}: cloth`, onchange: (ev) => { x.cloth = ev.target.value; save(); } }, opt(CLOTHS.map((c) => [c, c ? c.replace(/ (\d+) (\w+)/, ' $1\u202fg/m², $2') : 'no cloth']), x.cloth || '')),
      h('select', { 'aria-label': `Step ${i + 1}: when`, onchange: (ev) => { x.when = ev.target.value; save(); } }, opt(WHEN, x.when)),
      h('button', { type: 'button', class: 'quiet', 'aria-label': `Take out step ${i + 1}`, onclick: () => { d.steps.splice(i, 1); save(); steps(); } }, 'Take out'), h('p', { class: 'err', role: 'alert' }))))),
    h('div', { class: 'do' }, h('button', { type: 'button', class: 'quiet', onclick: () => { d.steps.push({ do: 'coat', coat: 'fill coat', when: 'recoat', min: 30 }); save(); steps(); } }, 'One more step')));
    steps();
    const hour = (k, label) => stepper(label, { get: () => d[k], set: (v) => { d[k] = v; save(); }, step: 1, min: 0, max: 24, say: (v) => `${label} ${two(v)}` });
    const form = h('form', { class: 'page', novalidate: true }, h('h1', null, 'Day'), h('p', { class: 'why' }, 'When to begin, inside your hours and each coat’s window.'),
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
        const b = body(d), p = await call('POST', '/plan', b), old = stored();
        // Planned again, each step keeps the time that it was first given.
        const first = { ...Object.fromEntries((p.steps || []).map((s) => [s.step, s.at])), ...(old && old.from === b.day.start && old.first) };
        localStorage.setItem('plan', JSON.stringify({ made: now(), from: b.day.start, first, plan: p }));
        show(result);
        result.scrollIntoView({ block: 'start' });
      } catch (e) {
        refused(form, e);
      }
    });
    fill(main, form);
    show(result);
  }


  // body is a job as the planner reads it, with the same keys as a job file.
  function body(d) {
    const panels = S.panels.filter((p) => d.panels.includes(p.id));
    const coat = [], step = [], sides = new Set(panels);
    for (const p of panels) {
      let before = '';
      d.steps.forEach((x, i) => {
        const word = (y) => (y.do === 'coat' ? y.coat : y.do);
        const again = d.steps.findIndex((y) => word(y) === word(x)) < i;
        const id = `${word(x)} on ${p.name || p.id}${again ? ' ' + (i + 1) : ''}`.replace(/["\\/]/g, ' ');
        const one = { id, panel: p.id, do: x.do, when: x.when, work_minutes: x.min || 30 };
        if (p.area_m2) one.area_m2 = p.area_m2;
        if (x.do === 'coat') {
          coat.push({ id, panel: p.id, resin: d.resin, kind: x.coat });
          one.coat = id;
          if (x.cloth && x.coat === 'wet-out') one.cloth = x.cloth;
        }
        if (x.do === 'cloth') one.cloth = x.cloth || 'glass 200 twill';
        // The other side comes up, chosen above or not.
        const o = x.do === 'flip' && S.panels.find((q) => q.piece === p.piece && q !== p);
        if (o) { one.to = o.id; sides.add(o); }
        if (before && one.when !== 'start') one.of = before;
        if (x.do === 'coat') before = id;
        step.push(one);
      });
    }
    const t0 = ms((stored() || {}).from);
    // Planned again, a day keeps its start: what was done since then counts.
    const day = { start: new Date(t0 < now() && t0 > now() - 864e5 ? t0 : now()).toISOString(), hours: [`${two(d.from)}-${two(d.to)}`], people: +d.people };
    if (settings().low_c !== null && settings().low_c !== undefined) day.low_c = settings().low_c;
    return { panel: [...sides], coat, step, day };
  }

  function show(box) {
    const kept = stored();
    if (!kept) return;
    const p = kept.plan;
    const was = (s) => { const t = ms((kept.first || {})[s.step]); return t && Math.abs(t - ms(s.at)) > 299e3 ? ` · first planned ${clock(t)}` : ''; };
    // Equal cups are said once.
    const cups = (bs) => { const all = bs.map((b) => grams(b.grams) + (b.resin_g ? `: ${grams(b.resin_g)} resin, ${grams(b.hardener_g)} hardener` : '') + (b.work_minutes ? ', ' + span(b.work_minutes * 60e3 - 3e4) : '') + (b.verdict === 'runaway' ? ', overheats if left standing' : '')); return [...new Set(all)].map((x) => { const n = all.filter((y) => y === x).length; return (n > 1 ? n + ' cups of ' : 'a cup of ') + x; }).join('; '); };
    fill(box, h('h2', null, 'The plan'), p.feasible ? h('p', { class: 'say' }, 'Begin at ', h('b', null, timeEl(ms(p.start))), '.') : h('p', { class: 'say' }, h('span', { class: 'none' }, p.say)),
      (p.why_not || []).map((x) => h('p', { class: 'why' }, cap(x) + '.')),
      p.feasible ? h('p', { class: 'why' }, p.say) : null, (p.notes || []).map((x) => h('p', { class: 'why' }, x)),
      h('ol', { class: 'rows' }, (p.steps || []).map((s) => h('li', null, h('p', null, h('b', null, timeEl(ms(s.at))), ' · ', panelName(s.panel), s.done ? ' · done' : ms(s.at) < now() ? ' · past: if it is done, plan again' : '', was(s)), h('p', { class: 'why' }, s.say),
        (s.batches || []).length ? h('p', { class: 'why' }, cap(cups(s.batches)) + '.') : null,
        s.window && ms(s.window.opens) ? h('p', { class: 'why' }, s.window.closes && ms(s.window.closes) < ms(s.window.opens) ? 'It closes before it opens' : ['Window ', clock(ms(s.window.opens)), ' to ', ms(s.window.closes) ? clock(ms(s.window.closes)) : 'open end'], '.') : null))),
      (p.options || []).length ? [h('h2', null, 'What would change it'), p.options.map((x) => h('p', { class: 'why' }, `${x.say} ${Math.floor(100 * x.probability)} in 100.`))] : null,
      h('p', { class: 'small' }, `Made ${clock(kept.made, true)}. Times are likely ones: the finger leads.`));
  }
  return { draw };
})();

// The tent: what it holds, what the heater does and why it does not.
export const tent = (() => {
  let timer = 0, want = null, tent = null;

  async function draw(main) {
    want = null;
    fill(main, h('div', { class: 'page' }, h('h1', null, 'Tent'), h('div', { class: 'body' }), h('div', { class: 'set' })));
    await ask(main);
    if (tent) point($('.set', main), main);
    timer = setInterval(() => ask(main), 10e3);
  }
  function gone() { clearInterval(timer); }

  async function ask(main) {
    try {
      tent = await get('/tent');
      S.tent = tent;
    } catch (e) {
      if (!tent) morphKids($('.body', main), [h('p', { class: 'say' }, e instanceof Refused && e.status === 404 ? 'No tent is set up.' : 'The tent is not heard.'), h('p', { class: 'why' }, 'First its limits and its separate cut-out must stand in the configuration file.')]);
      return;
    }
    morphKids($('.body', main), [
      h('p', { class: 'say' }, tent.heater === 'unknown' ? h('span', { class: 'none' }, 'It is not known whether the heater is on.') : [`The heater is ${tent.heater}`, ms(tent.since) && ` since ${clock(ms(tent.since), true)}`, '.']),
      tent.why ? h('p', { class: tent.latched ? 'note harm' : 'why' }, tent.latched ? h('span', { class: 'mark' }, 'Off by safety, until you say otherwise: ') : '', cap(tent.why) + '.') : null,
      h('dl', { class: 'kv' }, h('dt', null, 'Panel'), h('dd', null, temp(tent.panel_c)), h('dt', null, 'Air'), h('dd', null, temp(tent.air_c)), h('dt', null, 'Held at'), h('dd', null, tent.set_point_c === null ? 'not held' : temp(tent.set_point_c)),
        h('dt', null, 'On in 24 h'), h('dd', null, tent.on_today_h === null ? 'not known' : span(tent.on_today_h * 3600e3)), h('dt', null, 'If the board dies'), h('dd', null, tent.lease_s === null ? 'not known' : `off within ${num(tent.lease_s)} s`)),
      tent.aim ? h('p', { class: 'why' }, tent.aim.say) : null,
      tent.learned ? h('p', { class: tent.learned.trouble ? 'note harm' : 'small' }, cap(tent.learned.trouble || `learned: ${tent.learned.say}`) + '.') : null,
      h('div', { class: 'do' }, h('button', { type: 'button', class: 'first', 'data-do': 'tentOff' }, 'Heat off'),
        h('button', { type: 'button', 'data-do': 'tentSolvent' }, 'Solvent in use: off for 30 min'),
        tent.latched ? h('button', { type: 'button', class: 'hold', 'data-do': 'tentRelease' }, h('span', null, 'Hold: I have looked at the tent, release')) : null,
        h('button', { type: 'button', class: 'hold', 'data-do': 'tentResume' }, h('span', null, 'Hold to change. After a power cut: ' + (tent.resume ? 'comes back by itself' : 'stays off'))))]);
  }

  function point(box, main) {
    want ??= tent.set_point_c ?? 18;
    fill(box, h('h2', null, 'Hold the panel at'), stepper('set point', { get: () => want, set: (v) => { want = v; }, step: 0.5, min: tent.min_c ?? 5, max: tent.max_c ?? 30, say: temp }),
      h('p', { class: 'small' }, `The file allows ${temp(tent.min_c)} to ${temp(tent.max_c)}.`), h('p', { class: 'err', role: 'alert' }),
      h('div', { class: 'do' }, h('button', {
        type: 'button', class: 'hold', onheld: async () => {
          $('.err', box).textContent = await call('PUT', '/tent/setpoint', { set_point_c: want }).then(() => { toast('Held at ' + temp(want) + '.'); ask(main); return ''; }, (e) => e.message);
        },
      }, h('span', null, 'Hold: heat to that'))), coats().length ? land(coats()) : null, h('div', { class: 'cautions' }, h('h2', null, 'Heat'), h('p', null, tent.cautions)));
  }

  // land asks for what brings a coat's window, or a hard coat, at an hour: the
  // next time that the shop's clock shows it.
  function land(open) {
    const w = { coat: open[0].id, wish: 'window' }, out = h('p', { role: 'status' });
    let at = 7;
    const go = async (apply) => {
      let t = Math.ceil(now() / 36e5) * 36e5;
      while (hourOf(t) !== at) t += 36e5;
      const by = new Date(t);
      out.textContent = await call('POST', '/tent/aim', { ...w, apply, ...(w.wish === 'window' ? { from: by, to: new Date(t + 72e5) } : { by }) }).then((p) => p.say, (e) => e.message);
    };
    return [h('h2', null, 'Land a coat'), choices('Which', open.map((c) => ({ value: c.id, text: panelName(c.panel), sub: c.kind })), w.coat, (v) => { w.coat = v; }),
      choices('So that', [{ value: 'window', text: 'its window is open for 2 h from' }, { value: 'hard', text: 'it is hard by' }], w.wish, (v) => { w.wish = v; }),
      stepper('hour', { get: () => at, set: (v) => { at = v; }, step: 1, max: 23, say: two }), out,
      h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => go() }, 'What would it take'), h('button', { type: 'button', class: 'hold', onheld: () => go(true) }, h('span', null, 'Hold: follow that')))];
  }
  return { draw, gone };
})();

// History: every panel and what was done to it, to find, compare and keep.
export const history = (() => {
  let all = null, charts = [];
  function gone() {
    for (const c of charts) c.gone();
    charts = [];
  }
  const enc = encodeURIComponent;

  async function draw(main, r) {
    gone();
    const asked = get('/whoami').catch(() => null);
    if (!S.panels.length) await lists().catch(() => {});
    try {
      all = rows(await get('/coats?all=true'), 'coats');
    } catch {
      all = null;
    }
    if (r.rest[0]) return panel(main, r.rest[0]);
    const list = h('div');
    let q = '';
    const show = () => {
      const hit = S.panels.filter((p) => match(p, q));
      morphKids(list, [hit.length ? h('ul', { class: 'rows' }, hit.map((p) => {
        const cs = coatsOf(p.id);
        const last = cs.length ? Math.max(...cs.map((c) => ms(c.applied_at))) : null;
        return h('li', { 'data-key': p.id }, h('a', { href: '#/history/' + enc(p.id) }, h('span', null, h('b', null, p.name || p.id), p.piece && p.piece !== p.id ? h('span', { class: 'small' }, ' of ' + p.piece) : ''), h('span', null, all === null ? '' : cs.length ? `${cs.length} ${cs.length === 1 ? 'coat' : 'coats'}, last ${clock(last, true)}` : 'nothing on yet')));
      })) : h('p', { class: 'why' }, q ? 'Nothing like that.' : 'No panel yet.')]);
    };
    const input = h('input', { type: 'search', id: 'q', autocomplete: 'off', oninput: (ev) => { q = ev.target.value; show(); } });
    const b = ms(settings().last_backup), me = await asked, said = h('p', { class: 'why', role: 'status' });
    fill(main, h('div', { class: 'page' }, h('h1', null, 'History'),
      all === null ? h('p', { class: 'why' }, 'The board is not heard: the coats are not shown.') : null,
      h('div', { class: 'field' }, h('label', { for: 'q' }, 'Find a panel, a kind of coat, an epoxy, a day'), input), list,
      h('h2', null, 'Compare two coats'), compare(),
      h('h2', null, 'Keep it'), h('p', { class: 'why' }, b ? `The last copy is of ${clock(b, true)}.` : 'No copy has been made yet.'),
      me && me.role !== 'control' ? h('p', { class: 'why' }, 'Only a phone that may do everything can copy it or put a copy back.') : [
        h('div', { class: 'do' }, h('a', { class: 'btn', href: 'api/v1/backup', download: '' }, 'Save everything to this phone')),
        h('div', { class: 'do' }, h('label', { class: 'opt' }, h('input', { type: 'file', onchange: async (ev) => {
          const [f] = ev.target.files;
          if (!f) return;
          fill(said, 'Sending the copy…');
          try {
            fill(said, (await call('POST', '/backup', f)).next);
          } catch (e) {
            fill(said, e instanceof Refused ? cap(e.message) + '. Nothing was changed.' : 'The line broke. Try again.');
          }
          ev.target.value = '';
        } }), h('span', null, 'Put a copy back'))), said]));
    show();
    return undefined;
  }

  const coatsOf = (id) => (all || []).filter((c) => c.panel === id).sort((a, b) => ms(a.applied_at) - ms(b.applied_at));
  function match(p, q) {
    q = q.trim().toLowerCase();
    if (!q) return true;
    const text = [p.id, p.name, p.piece, p.core, ...coatsOf(p.id).flatMap((c) => [c.kind, c.resin, shortDay(ms(c.applied_at)), c.record && c.record.note])].filter(Boolean).join(' ').toLowerCase();
    return q.split(/\s+/).every((w) => text.includes(w));
  }

  function panel(main, id) {
    const p = S.panels.find((x) => x.id === id) || { id };
    const cs = coatsOf(id);
    const rec = (f) => `api/v1/panels/${enc(id)}/record?format=${f}`;
    fill(main, h('div', { class: 'page' }, h('a', { class: 'back', href: '#/history' }, 'History'), h('h1', null, p.name || id),
      h('p', { class: 'small' }, [p.core, p.area_m2 ? num(p.area_m2, 1) + '\u202fm²' : '', p.piece && p.piece !== id ? 'one side of ' + p.piece : ''].filter(Boolean).join(' · ')),
      cs.length ? h('ul', { class: 'rows' }, cs.map((c) => h('li', null, h('a', { href: '#/coat/' + enc(c.id) }, h('span', null, h('b', null, cap(c.kind)), `, ${c.resin}, `, timeEl(ms(c.applied_at), true)), h('span', null, c.open === false ? 'no longer watched' : c.flag || ''))))) : h('p', { class: 'why' }, 'Nothing on it yet.'),
      h('h2', null, 'Its record'), h('p', { class: 'why' }, 'All that was done to the whole piece, to print or keep.'),
      h('div', { class: 'do' }, h('a', { class: 'btn first', href: rec('html'), target: '_blank', rel: 'noopener' }, 'To print'), h('a', { class: 'btn', href: rec('csv'), download: id + '.csv' }, 'As a table (CSV)'), h('a', { class: 'btn', href: rec('json'), download: id + '.json' }, 'As JSON')),
      h('h2', null, 'Next'), h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/on/' + enc(id) }, 'A coat is on it'))));
  }

  const name = (c) => `${panelName(c.panel)}, ${c.kind}, ${clock(ms(c.applied_at), true)}`;

  function compare() {
    const list = (all || []).slice().sort((a, b) => ms(b.applied_at) - ms(a.applied_at)).slice(0, 60);
    if (list.length < 2) return h('p', { class: 'small' }, 'There are not two yet.');
    const out = h('div');
    let a = list[0].id, b = list[1].id;
    const sel = (label, get0, set) => h('div', { class: 'field' }, h('label', { for: 'cmp' + label }, label), h('select', { id: 'cmp' + label, onchange: (ev) => set(ev.target.value) }, list.map((c) => h('option', { value: c.id, selected: c.id === get0 }, name(c)))));
    return h('div', null, h('div', { class: 'cols' }, sel('This one', a, (v) => { a = v; }), sel('Beside this one', b, (v) => { b = v; })),
      h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => both(out, list.find((c) => c.id === a), list.find((c) => c.id === b)) }, 'Compare')), out);
  }

  async function both(out, a, b) {
    gone();
    fill(out, h('p', { class: 'small' }, 'Asking…'));
    const one = async (c) => {
      const t0 = ms(c.applied_at);
      const pts = rows(await get(`/coats/${enc(c.id)}/trace?from=${enc(new Date(t0).toISOString())}&to=${enc(new Date(t0 + 48 * 3600e3).toISOString())}&points=193`), 'points');
      return new Map(pts.filter((p) => !p.forecast).map((p) => [Math.round((ms(p.at) - t0) / 900e3), p]));
    };
    try {
      const [pa, pb] = await Promise.all([one(a), one(b)]);
      const n = Math.max(...pa.keys(), ...pb.keys(), 1);
      const xs = Array.from({ length: n + 1 }, (_, i) => i * 0.25);
      const v = (m) => xs.map((_, i) => { const p = m.get(i); return p && p.alpha ? p.alpha.p50 * 100 : null; });
      const fig = h('div', { class: 'chart' });
      const ev = [['tacky', 'Tacky'], ['green', 'Green'], ['recoat_closes', 'Window closes'], ['hard', 'Hard']];
      const after = (c, k) => { const t = c.events && c.events[k] && ms(c.events[k].p50); return t ? span(t - ms(c.applied_at)) + ' after' : 'not known'; };
      fill(out, h('h2', null, 'Cure, %, by hours after it went on'), h('div', { class: 'legend' }, h('span', null, lineKey('graph'), name(a)), h('span', null, lineKey('ink', '6 4'), name(b))), fig,
        table(['', name(a), name(b)], ev.map(([k, w]) => [w, after(a, k), after(b, k)])));
      charts.push(await chart(fig, xs.map((x) => x * 3600e3), [{ label: 'first', ys: v(pa), say: (x) => `first ${num(x)} %` }, { label: 'second', ys: v(pb), color: 'ink', dash: [6, 4], say: (x) => `second ${num(x)} %` }], { plain: true, range: () => [0, 100], height: 230, aria: 'Cure of both coats by hours after application' }));
    } catch (e) {
      fill(out, h('p', { class: 'err' }, e.message));
    }
  }
  return { draw, gone };
})();

// Settings: when you sleep, how things are said, who may come in.
export const prefs = (() => {
  async function draw(main) {
    if (!S.snap) await refresh();
    const st = settings();
    const d = { sleep_from: st.sleep_from || '', sleep_to: st.sleep_to || '', units: st.units || 'si', clock: st.clock || '24h', shop_name: st.shop_name || '', fuel_heater: !!st.fuel_heater };
    const min = (x) => +x.slice(0, 2) * 60 + +x.slice(3, 5), hhmm = (m) => String(Math.floor(m / 60)).padStart(2, '0') + ':' + String(m % 60).padStart(2, '0');
    const face = (m) => (d.clock === '12h' ? `${Math.floor(m / 60) % 12 || 12}:${String(m % 60).padStart(2, '0')} ${m < 720 ? 'am' : 'pm'}` : hhmm(m));
    const turn = (k, label) => stepper(label, { get: () => min(d[k] || '22:30'), set: (v) => { d[k] = hhmm((v + 1440) % 1440); }, step: 15, min: -15, max: 1440, say: (v) => `${label} ${face((v + 1440) % 1440)}` });
    const sleep = h('div', { 'data-field': 'sleep_from sleep_to' }, turn('sleep_from', 'from'), turn('sleep_to', 'until'), h('p', { class: 'err', role: 'alert' }));
    sleep.hidden = !d.sleep_from;
    const name = h('input', { type: 'text', value: d.shop_name, oninput: (ev) => { d.shop_name = ev.target.value; } });
    const low = h('input', { type: 'text', inputmode: 'decimal', value: st.low_c == null ? '' : String(Math.round(toUnit(st.low_c))) });
    const fuel = h('input', { type: 'checkbox', onchange: (ev) => { d.fuel_heater = ev.target.checked; } });
    fuel.checked = d.fuel_heater;
    const form = h('form', { class: 'page', novalidate: true }, h('h1', null, 'Settings'),
      choices('When you sleep', [{ value: 'set', text: 'At set hours' }, { value: 'no', text: 'Not here' }], d.sleep_from ? 'set' : 'no', (v) => { sleep.hidden = v === 'no'; d.sleep_from = v === 'no' ? '' : st.sleep_from || '22:30'; d.sleep_to = v === 'no' ? '' : st.sleep_to || '06:30'; }, { cls: 'two' }), sleep,
      h('p', { class: 'small' }, 'In these hours only what you can act on wakes you.'),
      field(`Tonight’s low outdoors, ${unit()}`, 'low_c', low, st.low_for ? 'Said for the night of ' + st.low_for : ''),
      choices('Temperatures in', [{ value: 'si', text: '°C' }, { value: 'us', text: '°F' }], d.units, (v) => { d.units = v; }, { field: 'units', cls: 'two' }),
      choices('The clock', [{ value: '24h', text: '16:40' }, { value: '12h', text: '4:40 pm' }], d.clock, (v) => { d.clock = v; }, { field: 'clock', cls: 'two' }),
      field('The shop’s name', 'shop_name', name),
      h('label', { class: 'check' }, fuel, h('span', null, 'A heater that burns fuel without a flue is on. It adds water and carbon dioxide, and the air line counts it.')),
      h('p', { class: 'err foot', role: 'alert' }), h('div', { class: 'do' }, h('button', { type: 'submit', class: 'first ink' }, 'Save')),
      h('h2', null, 'Being called'), h('div', { class: 'voice' }), h('h2', null, 'Who may come in'), h('div', { class: 'who' }));
    form.addEventListener('submit', async (ev) => {
      ev.preventDefault();
      faults(form, []);
      const body = { ...d };
      const t = low.value.trim().replace(',', '.');
      if (t !== '' && !isFinite(Number(t))) {
        faults(form, [{ field: 'low_c', what: `“${low.value}” is not a number` }]);
        return;
      }
      const was = st.low_c == null ? '' : String(Math.round(toUnit(st.low_c)));
      if (t !== was) body.low_c = t === '' ? null : Math.round(fromUnit(Number(t)) * 10) / 10;
      try {
        await call('PUT', '/settings', body);
        await refresh();
        toast('Saved.');
        draw(main);
      } catch (e) {
        refused(form, e);
      }
    });
    fill(main, form);
    live(main);
    who($('.who', form));
  }

  function live(main) {
    const box = $('.voice', main);
    if (!box) return;
    const n = sound.notice();
    fill(box, n || h('div', { class: 'note side' }, h('p', null, 'The sound is on.'), h('div', { class: 'do' }, h('button', { type: 'button', 'data-do': 'soundTest' }, 'Test the sound'))), h('p', { class: 'small' }, sound.awakeWord()));
  }

  const ROLE = { look: 'may look', record: 'may enter work', push: 'may send readings', control: 'may do everything, the heater too' };

  async function who(box) {
    let me = null, list = null;
    try {
      me = await get('/whoami');
      list = rows(await get('/tokens'), 'tokens');
    } catch {
      // a role that may not see them
    }
    const out = h('p', { class: 'say', role: 'status' });
    let role = 'record';
    const pairing = list && h('div', null, choices('Let a phone in that', ['record', 'look', 'control', 'push'].map((v) => ({ value: v, text: ROLE[v] })), role, (v) => { role = v; }, { cls: 'two' }),
      h('div', { class: 'do' }, h('button', {
        type: 'button', onclick: async () => {
          try {
            const r = await call('POST', '/paircodes', { role, name: 'phone' });
            fill(out, 'Type ', h('b', null, r.code), ' on it, before ', clock(ms(r.expires), true), '.');
          } catch (e) {
            out.textContent = e.message;
          }
        },
      }, 'Make a code')), out);
    fill(box, me ? h('p', null, `Here you ${ROLE[me.role] || me.role}.`) : h('p', { class: 'small' }, 'The board is not heard.'),
      list && list.length ? h('ul', { class: 'rows' }, list.map((t) => h('li', null, h('div', { class: 'item' }, h('p', null, h('b', null, t.name), ` ${ROLE[t.role] || t.role}`), h('p', { class: 'small' }, `since ${clock(ms(t.made), true)}`, ms(t.used) ? `, last here ${clock(ms(t.used), true)}` : '', t.days ? `, until ${clock(ms(t.expires), true)}` : ''),
        h('div', { class: 'do' }, h('button', {
          type: 'button', class: 'hold quiet', 'aria-label': 'Hold: shut out ' + t.name, onheld: async () => {
            try {
              await call('DELETE', '/tokens/' + encodeURIComponent(t.id));
              toast(t.name + ' is shut out.');
            } catch (e) {
              toast(e.message);
            }
            who(box);
          },
        }, h('span', null, 'Hold: shut out'))))))) : null,
      pairing,
      me && me.name !== 'loopback' ? h('div', { class: 'do' }, h('button', { type: 'button', class: 'hold quiet', onheld: async () => { await call('POST', '/logout', {}).catch(() => {}); location.reload(); } }, h('span', null, 'Hold: leave on this phone'))) : null);
  }
  return { draw, live };
})();
