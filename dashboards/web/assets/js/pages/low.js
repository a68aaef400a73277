// SPDX-License-Identifier: Apache-2.0
// Tonight's low outdoors, as the weather report has it.
import { h } from '../lib.js';
import { call } from '../line.js';
import { deg, fromUnit, isUS, minus, temp, toUnit, unit } from '../say.js';
import { say, soon } from '../acts.js';
import { Choices, Slip, Stepper, useDraft } from '../form.js';
import { t } from '../text.js';

export const ownFoot = true;

export default function Low() {
  const [d, set, done] = useDraft('low', () => ({ low: 6 }));
  const save = async () => {
    await call('PUT', '/settings', { low_c: Math.round(d.low * 10) / 10 });
    done();
    say(t('low.thanks'));
    location.hash = '#/';
    soon();
  };
  return h(Slip, { title: t('low.ask'), sub: t('low.sub'), button: t('low.go'), save },
    h(Choices, { label: t('low.about'), field: 'low_c', cls: 'three', list: (isUS() ? [-1, 2, 4, 7, 10, 13] : [0, 3, 6, 9, 12, 15]).map((c) => ({ value: String(c), text: minus(deg(c)) + '\u202f' + unit() })), value: String(d.low), onPick: (v) => set({ low: +v }) }),
    h(Stepper, { label: t('low.ask'), value: Math.round(toUnit(d.low)), set: (v) => set({ low: fromUnit(v) }), step: 1, min: -40, max: isUS() ? 110 : 40, say: () => temp(d.low) }));
}
