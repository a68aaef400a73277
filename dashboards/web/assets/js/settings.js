// Settings: when you sleep, how things are said, who may come in.
import { h, $, fill } from './dom.js';
import { S, settings, ms } from './state.js';
import { clock, unit, toUnit, fromUnit } from './say.js';
import { call, get, rows, refresh, Refused } from './net.js';
import { choices, field, faults } from './form.js';
import { toast } from './act.js';
import * as sound from './sound.js';

export async function draw(main) {
  if (!S.snap) await refresh();
  const st = settings();
  const d = { sleep_from: st.sleep_from || '', sleep_to: st.sleep_to || '', units: st.units || 'si', clock: st.clock || '24h', shop_name: st.shop_name || '', fuel_heater: !!st.fuel_heater };
  const from = h('input', { type: 'time', value: d.sleep_from, oninput: (ev) => { d.sleep_from = ev.target.value; } });
  const to = h('input', { type: 'time', value: d.sleep_to, oninput: (ev) => { d.sleep_to = ev.target.value; } });
  const name = h('input', { type: 'text', value: d.shop_name, oninput: (ev) => { d.shop_name = ev.target.value; } });
  const low = h('input', { type: 'text', inputmode: 'decimal', value: st.low_c === null || st.low_c === undefined ? '' : String(Math.round(toUnit(st.low_c))) });
  const fuel = h('input', { type: 'checkbox', onchange: (ev) => { d.fuel_heater = ev.target.checked; } });
  fuel.checked = d.fuel_heater;
  const form = h('form', { class: 'page', novalidate: true }, h('h1', null, 'Settings'),
    h('div', { class: 'cols' }, field('You sleep from', 'sleep_from', from), field('until', 'sleep_to', to)), h('p', { class: 'small' }, 'Both empty: never. In these hours only what you can act on wakes you.'),
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
    if (!!d.sleep_from !== !!d.sleep_to) {
      faults(form, [{ field: d.sleep_from ? 'sleep_to' : 'sleep_from', what: 'both times, or neither' }]);
      return;
    }
    const was = st.low_c === null || st.low_c === undefined ? '' : String(Math.round(toUnit(st.low_c)));
    if (t !== was) body.low_c = t === '' ? null : Math.round(fromUnit(Number(t)) * 10) / 10;
    try {
      await call('PUT', '/settings', body);
      await refresh();
      toast('Saved.');
      draw(main);
    } catch (e) {
      faults(form, e instanceof Refused ? e.faults : [{ what: e.message + '; what you typed is still here' }]);
    }
  });
  fill(main, form);
  live(main);
  who($('.who', form));
}

export function live(main) {
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
  } catch { /* a role that may not see them */ }
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
    list && list.length ? h('ul', { class: 'rows' }, list.map((t) => h('li', null, h('div', { class: 'item' }, h('p', null, h('b', null, t.name), ` ${ROLE[t.role] || t.role}`), h('p', { class: 'small' }, `since ${clock(ms(t.made), true)}`, ms(t.used) ? `, last here ${clock(ms(t.used), true)}` : ''),
      h('div', { class: 'do' }, h('button', {
        type: 'button', class: 'hold quiet', 'aria-label': 'Hold to shut out ' + t.name, onheld: async () => {
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

