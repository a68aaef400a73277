// SPDX-License-Identifier: Apache-2.0
// Settings: when you sleep, how things are said, who may come in.
import { h, useEffect, useState } from '../lib.js';
import { S, ms, settings } from '../state.js';
import { clock, face, fromUnit, name, toUnit, unit } from '../say.js';
import { call, get, refresh, rows } from '../line.js';
import { enc, say, tell } from '../acts.js';
import { Choices, Field, Foot, Hold, Stepper, Wrong, Err, number, useForm } from '../form.js';
import { Notice, awakeWord } from '../sound.js';
import { t } from '../text.js';

export const ownFoot = true;
const min = (x) => +x.slice(0, 2) * 60 + +x.slice(3, 5), hhmm = (m) => String(Math.floor(m / 60)).padStart(2, '0') + ':' + String(m % 60).padStart(2, '0');

export default function Settings() {
  if (!S.snap) return [h('div', { class: 'page' }, h('h1', null, t('page.settings')), h('p', null, t('line.asking'))), h(Foot, null, h('a', { class: 'btn', href: '#/' }, t('page.')))];
  return h(Prefs);
}

function Prefs() {
  const st = settings();
  const [d, setD] = useState(() => ({ sleep_from: st.sleep_from || '', sleep_to: st.sleep_to || '', units: st.units || 'si', clock: st.clock || '24h', shop_name: st.shop_name || '', fuel_heater: !!st.fuel_heater, low: st.low_c == null ? '' : String(Math.round(toUnit(st.low_c))) }));
  const set = (p) => setD((old) => ({ ...old, ...p }));
  const was = st.low_c == null ? '' : String(Math.round(toUnit(st.low_c)));
  const f = useForm(async () => {
    const { low, ...body } = d;
    const n = number(low);
    if (Number.isNaN(n)) throw new Wrong('low_c', t('form.nan', { x: low }));
    if (low.trim() !== was) body.low_c = n === null ? null : Math.round(fromUnit(n) * 10) / 10;
    await call('PUT', '/settings', body);
    await refresh();
    say(t('saved'));
  });
  const turn = (k, label) => h(Stepper, { label, value: min(d[k] || '22:30'), set: (v) => set({ [k]: hhmm((v + 1440) % 1440) }), step: 15, min: -15, max: 1440, say: (v) => label + ' ' + face(Math.floor(((v + 1440) % 1440) / 60), (v + 1440) % 60) });
  return [h('form', { class: 'page wide', novalidate: true, onsubmit: f.submit, key: 'f' }, h('h1', null, t('page.settings')), h('div', { class: 'cols' },
    h('div', null,
      h(Choices, { label: t('set.sleep'), cls: 'two', list: [{ value: 'set', text: t('set.sleep.set') }, { value: 'no', text: t('set.sleep.no') }], value: d.sleep_from ? 'set' : 'no', onPick: (v) => set(v === 'no' ? { sleep_from: '', sleep_to: '' } : { sleep_from: st.sleep_from || '22:30', sleep_to: st.sleep_to || '06:30' }) }),
      d.sleep_from && h('div', { 'data-field': 'sleep_from sleep_to' }, turn('sleep_from', t('set.from')), turn('sleep_to', t('set.until')), h(Err, { field: 'sleep_from sleep_to' })),
      h('p', { class: 'small' }, t('set.sleep.why')),
      h(Field, { label: t('set.low', { unit: unit() }), field: 'low_c', value: d.low, onInput: (low) => set({ low }), inputmode: 'decimal', hint: st.low_for ? t('set.low.for', { day: st.low_for }) : '' }),
      h(Choices, { label: t('set.units'), field: 'units', cls: 'two', list: [{ value: 'si', text: '°C' }, { value: 'us', text: '°F' }], value: d.units, onPick: (units) => set({ units }) }),
      h(Choices, { label: t('set.clock'), field: 'clock', cls: 'two', list: [{ value: '24h', text: '16:40' }, { value: '12h', text: t('clock.pm', { x: '4:40' }) }], value: d.clock, onPick: (clk) => set({ clock: clk }) }),
      h(Field, { label: t('set.name'), field: 'shop_name', value: d.shop_name, onInput: (shop_name) => set({ shop_name }) }),
      h('label', { class: 'check' }, h('input', { type: 'checkbox', checked: d.fuel_heater, onchange: (ev) => set({ fuel_heater: ev.target.checked }) }), h('span', null, t('set.fuel'))), h(Err, { foot: true })),
    h('div', null, h('h2', null, t('set.called')), h(Notice, { always: true }), h('p', { class: 'small' }, awakeWord()), h('h2', null, t('set.who')), h(Who)))),
  h(Foot, null, h('a', { class: 'btn', href: '#/' }, t('page.')), h('button', { type: 'button', class: 'first', disabled: f.busy, onclick: f.submit }, t('save')))];
}

function Who() {
  const [list, setList] = useState(null), [role, setRole] = useState('record'), [code, setCode] = useState(null), [err, setErr] = useState('');
  const me = S.me, ask = () => (me && me.role === 'control' ? get('/tokens').then((x) => setList(rows(x, 'tokens')), () => setList(null)) : null);
  useEffect(() => { ask(); }, [me && me.role]);
  if (!me) return h('p', { class: 'small' }, t('line.unheard'));
  return h('div', { class: 'who' }, h('p', null, t('who.here.' + me.role)),
    me.role !== 'control' && h('div', { class: 'do' }, h('a', { class: 'btn', href: '#/login' }, t('login.more.go'))),
    list && list.length ? h('ul', { class: 'rows' }, list.map((k) => h('li', { key: k.id }, h('div', { class: 'item side' }, h('div', null, h('p', null, h('b', null, name(k.name)), ' ', t('who.' + k.role)), h('p', { class: 'small' }, t('who.since', { at: clock(ms(k.made), true) }), ms(k.used) ? ', ' + t('who.last', { at: clock(ms(k.used), true) }) : '', k.days ? ', ' + t('who.until', { at: clock(ms(k.expires), true) }) : '')),
      h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('who.shut'), aria: t('who.shut') + ': ' + k.name, onHeld: () => tell('out' + k.id, () => call('DELETE', '/tokens/' + enc(k.id)).then(ask), t('who.out', { name: k.name })) })))))) : null,
    list && h('div', null, h(Choices, { label: t('who.let'), cls: 'two', list: ['record', 'look', 'control', 'push'].map((v) => ({ value: v, text: t('who.' + v) })), value: role, onPick: setRole }),
      h('div', { class: 'do' }, h('button', { type: 'button', onclick: () => call('POST', '/paircodes', { role, name: 'phone' }).then(setCode, (e) => setErr(e.message)) }, t('who.code'))),
      code && h('p', { class: 'say', role: 'status' }, t('who.type', { code: h('b', null, name(code.code)), at: clock(ms(code.expires), true) })), err && h('p', { class: 'err', role: 'alert' }, err)),
    me.name !== 'loopback' ? h('div', { class: 'do' }, h(Hold, { cls: 'quiet', label: t('who.leave'), onHeld: () => call('POST', '/logout', {}).catch(() => {}).then(() => location.reload()) })) : null);
}
