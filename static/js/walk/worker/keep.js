// Keeps the Walk on the device: its page and files, from this edition of the
// program. Data are kept by the page itself. The server puts self.known before
// this script; a new edition is fetched whole before it takes over.
const { edition, files, page } = self.known;
const name = `walk-${edition}`;

self.addEventListener('install', (event) => {
  event.waitUntil(
    (async () => {
      const cache = await own();
      await Promise.all([...files, page].map((path) => keep(cache, path)));
    })(),
  );
});

/** What this edition keeps, and no other. */
const own = () => caches.open(name);

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
  if (event.data === 'take over') event.waitUntil(takeOver(event.ports[0]));
});

/**
 * Takes over before the Walk is closed, unless it is open on another page too:
 * what is half typed there would be lost, or would go on with files of two
 * editions.
 */
async function takeOver(asked) {
  const open = await self.clients.matchAll({ type: 'window', includeUncontrolled: true });
  const pages = open.filter(({ url }) => new URL(url).pathname === page).length;
  if (pages > 1) asked?.postMessage(pages);
  else self.skipWaiting();
}

self.addEventListener('fetch', (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== 'GET' || url.origin !== self.location.origin) return;
  if (request.mode === 'navigate' && url.pathname === page) {
    const fresh = freshPage();
    event.waitUntil(fresh);
    event.respondWith(quickest(fresh, request));
  } else if (files.includes(url.pathname + url.search)) {
    event.respondWith(own().then((cache) => cache.match(request.url)).then((kept) => kept ?? fetch(request)));
  }
});

const patience = 250; // milliseconds that the server gets before the kept page is shown
const limit = 5000; // milliseconds that it gets at all: a worker that waits for an answer lets no newer one take over

/**
 * The page as the server has it now, lit as it was last set; nothing when it
 * cannot be had, or is of another edition. The kept page, which holds no data,
 * is also shown to who is signed out: it asks for a sign-in and still has what
 * was not sent.
 */
async function freshPage() {
  try {
    const answer = await fetch(page, { headers: { Accept: 'text/html' }, signal: AbortSignal.timeout(limit) });
    if (!answer.ok || answer.redirected || !(await answer.clone().text()).includes(`/${edition}/`)) return undefined;
    await (await own()).put(page, answer.clone());
    return answer;
  } catch {
    return undefined;
  }
}

async function quickest(fresh, request) {
  const kept = await (await own()).match(page);
  if (!kept) return (await fresh) ?? fetch(request);
  return (await Promise.race([fresh, new Promise((done) => setTimeout(done, patience))])) ?? kept;
}
