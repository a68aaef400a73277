// SPDX-License-Identifier: Apache-2.0
// Keeps the page's own files on the phone, so that it opens without a line to the
// board. FILES and VERSION are put before this by the server, from what is built
// in. The board is asked first, for a new version is to be seen at once; what it
// does not answer within three seconds comes from the phone. Data are never kept
// here.
addEventListener('install', (ev) => {
  ev.waitUntil(caches.open(VERSION).then((c) => c.addAll(FILES.map((f) => new Request(f, { cache: 'no-cache' })))).then(() => self.skipWaiting()));
});
addEventListener('activate', (ev) => {
  ev.waitUntil(caches.keys().then((ks) => Promise.all(ks.filter((k) => k !== VERSION).map((k) => caches.delete(k)))).then(() => self.clients.claim()));
});
addEventListener('fetch', (ev) => {
  const url = new URL(ev.request.url);
  const name = url.pathname.slice(1) || './';
  if (ev.request.method !== 'GET' || url.origin !== location.origin || !FILES.includes(name)) return;
  ev.respondWith((async () => {
    const kept = await caches.match(name === './' ? new URL('./', location).href : ev.request, { ignoreSearch: true });
    if (!kept) return fetch(ev.request);
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), 3000);
    try {
      const res = await fetch(ev.request, { signal: stop.signal });
      return res.status >= 500 ? kept : res;
    } catch {
      return kept;
    } finally {
      clearTimeout(timer);
    }
  })());
});
