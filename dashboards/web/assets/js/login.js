// The way in on any address but the board's own: the one-time code that
// "curewright pair" prints.
import { h, $ } from './dom.js';
import { S, changed } from './state.js';
import { call, refresh, live, lists, flush } from './net.js';
import { field, slip } from './form.js';

export function draw(main) {
  const code = h('input', { type: 'text', name: 'code', autocomplete: 'one-time-code', autocapitalize: 'characters', spellcheck: 'false', inputmode: 'text' });
  const fromLink = new URLSearchParams(location.hash.split('?')[1] || '').get('code');
  if (fromLink) code.value = fromLink;
  slip(main, {
    title: 'Who is it?', button: 'Come in', backTo: '#/login', sub: 'This page needs a code once. On the board, run “curewright pair” and type what it prints; it is good for ten minutes.',
    parts: [field('The code', 'code', code), h('p', { class: 'small' }, S.queue.length ? 'What you entered is kept on this phone and will be sent once you are in.' : '')],
    async save() {
      await call('POST', '/pair', { code: code.value.trim(), device: device() });
      S.login = false;
      await refresh();
      lists().catch(() => {});
      live();
      flush();
      location.hash = sessionStorage.getItem('after-login') || '#/';
      changed();
    },
  });
  const bar = $('#bar');
  bar.firstChild.remove();
  code.focus();
}

// device names this phone in the list of those let in.
function device() {
  const u = navigator.userAgent;
  const kind = /iPhone|iPad|Android|Windows|Macintosh|Linux/.exec(u);
  return 'page on ' + (kind ? kind[0] : 'a browser');
}
