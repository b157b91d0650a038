// Keeps the Walk on the device: its page and files, from this edition of the
// program. Data are kept by the page itself. The server puts self.known before
// this script; a new edition is fetched whole before it takes over.
const { edition, files, page } = self.known;
const name = `walk-${edition}`;

self.addEventListener('install', (event) => {
  event.waitUntil(
    (async () => {
      const cache = await caches.open(name);
      await Promise.all([...files, page].map((path) => keep(cache, path)));
    })(),
  );
});

async function keep(cache, path) {
  const answer = await fetch(path, { cache: path.startsWith('/static/') ? 'default' : 'no-cache' });
  if (!answer.ok || answer.redirected) throw new Error(`${path} cannot be kept: ${answer.status}`);
  await cache.put(path, answer);
}

self.addEventListener('activate', (event) => {
  event.waitUntil(
    (async () => {
      for (const old of await caches.keys()) if (old.startsWith('walk-') && old !== name) await caches.delete(old);
      await self.clients.claim();
    })(),
  );
});

self.addEventListener('message', (event) => {
  if (event.data === 'take over') self.skipWaiting();
  if (event.data === 'keep page') event.waitUntil(caches.open(name).then((cache) => keep(cache, page)).catch(() => {}));
});

self.addEventListener('fetch', (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== 'GET' || url.origin !== self.location.origin) return;
  const path = request.mode === 'navigate' && url.pathname === page ? page : url.pathname;
  if (path !== page && !files.includes(path)) return;
  event.respondWith(caches.open(name).then(async (cache) => (await cache.match(path)) ?? fetch(request)));
});
