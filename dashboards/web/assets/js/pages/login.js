// SPDX-License-Identifier: Apache-2.0
// The way in on any address but the board's own: the one-time code that
// "curewright pair" prints.
import { h, useEffect, useState } from '../lib.js';
import { S, changed } from '../state.js';
import { call, flush, get, lists, live, refresh } from '../line.js';
import { Field, Slip } from '../form.js';
import { t } from '../text.js';

export const ownFoot = true;

export default function Login({ args }) {
  const [code, setCode] = useState(args.code || ''), more = !S.login && S.me && S.me.role !== 'control';
  useEffect(() => document.querySelector('#main input')?.focus(), []);
  const save = async () => {
    await call('POST', '/pair', { code: code.trim(), device: device() });
    S.login = false;
    await refresh();
    lists().catch(() => {});
    get('/whoami').then((me) => { S.me = me; changed(); }, () => {});
    live();
    flush();
    location.hash = more ? '#/settings' : sessionStorage.getItem('after-login') || '#/';
  };
  // One that is in already takes another code to be let do more.
  return h(Slip, { title: t(more ? 'login.more' : 'login.who'), sub: t(more ? 'login.more.sub' : 'login.sub'), button: t(more ? 'login.more.go' : 'login.go'), backTo: more ? '#/settings' : '#/login', extra: more ? null : ' ', save },
    h(Field, { label: t('login.code'), field: 'code', value: code, onInput: setCode, autocomplete: 'one-time-code', autocapitalize: 'characters', spellcheck: 'false' }),
    h('p', { class: 'small' }, S.queue.length ? t('login.queue') : ''));
}

// device names this phone in the list of those let in.
function device() {
  const kind = /iPhone|iPad|Android|Windows|Macintosh|Linux/.exec(navigator.userAgent);
  return 'page on ' + (kind ? kind[0] : 'a browser');
}
