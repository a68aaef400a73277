// The tent: what it holds, what the heater does and why it does not.
import { h, $, morphKids, fill } from './dom.js';
import { S, ms } from './state.js';
import { temp, clock, span, num, cap } from './say.js';
import { get, call, Refused } from './net.js';
import { stepper } from './form.js';
import { toast } from './act.js';

let timer = 0, want = null, tent = null;

export async function draw(main) {
  want = null;
  fill(main, h('div', { class: 'page' }, h('h1', null, 'Tent'), h('div', { class: 'body' }), h('div', { class: 'set' }), cautions()));
  await ask(main);
  if (tent) point($('.set', main), main);
  timer = setInterval(() => ask(main), 10e3);
}
export function gone() { clearInterval(timer); }

async function ask(main) {
  try {
    tent = await get('/tent');
    S.tent = tent;
  } catch (e) {
    if (!tent) morphKids($('.body', main), [h('p', { class: 'say' }, e instanceof Refused && e.status === 404 ? 'No tent is set up.' : 'The tent is not heard.'), h('p', { class: 'why' }, 'A heater is never driven before its limits and its separate cut-out stand in the configuration file.')]);
    return;
  }
  const on = tent.heater === 'on';
  morphKids($('.body', main), [
    h('p', { class: 'say' }, tent.heater === 'unknown' ? h('span', { class: 'none' }, 'It is not known whether the heater is on.') : on ? 'The heater is on' : 'The heater is off', tent.heater === 'unknown' ? '' : ms(tent.since) ? ` since ${clock(ms(tent.since), true)}.` : '.'),
    tent.why ? h('p', { class: tent.latched ? 'note harm' : 'why' }, tent.latched ? h('span', { class: 'mark' }, 'Off by safety, until you say otherwise: ') : '', cap(tent.why) + (/[.!?]$/.test(tent.why) ? '' : '.')) : null,
    h('dl', { class: 'kv' }, h('dt', null, 'Panel'), h('dd', null, temp(tent.panel_c)), h('dt', null, 'Air'), h('dd', null, temp(tent.air_c)), h('dt', null, 'Held at'), h('dd', null, tent.set_point_c === null ? 'not held' : temp(tent.set_point_c)),
      h('dt', null, 'On today'), h('dd', null, tent.on_today_h === null ? 'not known' : span(tent.on_today_h * 3600e3)), h('dt', null, 'If the board dies'), h('dd', null, tent.lease_s === null ? 'not known' : `off within ${num(tent.lease_s)} s`)),
    h('div', { class: 'do' }, h('button', { type: 'button', class: 'first', 'data-do': 'tentOff' }, 'Heat off'))]);
}

function point(box, main) {
  want ??= tent.set_point_c ?? 18;
  fill(box, h('h2', null, 'Hold the panel at'), stepper('set point', { get: () => want, set: (v) => { want = v; }, step: 0.5, min: tent.min_c ?? 5, max: tent.max_c ?? 30, say: temp }),
    h('p', { class: 'small' }, tent.min_c !== null && tent.max_c !== null ? `The file allows ${temp(tent.min_c)} to ${temp(tent.max_c)}.` : ''), h('p', { class: 'err', role: 'alert' }),
    h('div', { class: 'do' }, h('button', {
      type: 'button', class: 'hold', onheld: async () => {
        $('.err', box).textContent = '';
        try {
          await call('PUT', '/tent/setpoint', { set_point_c: want });
          toast('Held at ' + temp(want) + '.');
          ask(main);
        } catch (e) {
          $('.err', box).textContent = e.message;
        }
      },
    }, h('span', null, 'Hold: heat to that'))));
}

function cautions() {
  return h('div', { class: 'cautions' }, h('h2', null, 'Heat'), h('p', null, 'Heaters listed for the place, clear of film and solvent, with their own manual-reset thermal cut-out in series and over-current protection; never fuel-burning and unvented; a carbon-monoxide alarm; solid-state relays fail on. Never sleep in a tent or shed under heat, and keep people and animals out of it. Software is never the only thing between a heater and a fire.'));
}

