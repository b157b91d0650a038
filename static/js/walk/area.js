// The area taken along, and the service worker that keeps the program.
import { put } from './db.js';
import { askText } from './engine.js';
import { texts } from './words.js';

/** Fetches an area and keeps it; the one before stays until the new one is whole. */
export async function takeArea(app, district) {
  const answer = await fetch(`/walk/area?${new URLSearchParams(district ? { district } : {})}`, { headers: { Accept: 'application/json' }, redirect: 'error' });
  const text = await answer.text();
  if (!answer.ok) {
    let detail = texts.serverAnswered(answer.status);
    try {
      detail = JSON.parse(text).detail ?? detail;
    } catch {
      // not ours: the status must do
    }
    throw new Error(detail);
  }
  const area = JSON.parse(text);
  const taken = await askText('area', text);
  if (taken.problem) throw new Error(taken.problem.message);
  await app.admit(area.account);
  await put('kept', text, 'area');
  app.area = area;
  app.units = area.policy.units;
}

/** Sees to it that program and area are on the device. */
export async function ready(app) {
  app.trouble = [];
  if (!('serviceWorker' in navigator)) {
    app.trouble.push(texts.keepsNoPages);
  } else {
    try {
      const kept = await navigator.serviceWorker.register('/walk/worker.js', { scope: '/walk' });
      kept.addEventListener('updatefound', () => watch(app, kept));
      watch(app, kept);
      await navigator.serviceWorker.ready;
    } catch (err) {
      if (!navigator.serviceWorker.controller) app.trouble.push(texts.programNotKept(err.message));
    }
  }
  if (!app.area && !app.barred) {
    try {
      await takeArea(app, '');
    } catch (err) {
      app.trouble.push(texts.noAreaTaken(err.message));
    }
  }
  app.ready = Boolean(app.area) && app.trouble.length === 0;
  if (!location.hash || location.hash === '#home') await app.draw();
}

/** Offers a newer edition once it is whole. */
function watch(app, kept) {
  const offer = () => {
    app.newer = kept;
    atHome(app);
  };
  if (kept.waiting && navigator.serviceWorker.controller) offer();
  kept.installing?.addEventListener('statechange', ({ target }) => {
    if (target.state === 'installed' && navigator.serviceWorker.controller) offer();
  });
}

const atHome = (app) => (!location.hash || location.hash === '#home') && app.draw();

/**
 * Changes over to the newer edition, which else takes over when every page of
 * the Walk was closed.
 * @param {() => void} refused the Walk is open on another page too
 */
export function takeOver(app, refused) {
  const { waiting } = app.newer;
  if (!waiting) {
    location.reload(); // it has taken over meanwhile
    return;
  }
  const { port1, port2 } = new MessageChannel();
  port1.onmessage = refused;
  waiting.postMessage('take over', [port2]);
}

/**
 * Lets the page begin again before its next screen when another edition has
 * taken over: nothing is half typed then, and nothing more is loaded before.
 */
export function beginAgainAfter(app, edition) {
  let controlled = Boolean(navigator.serviceWorker?.controller);
  navigator.serviceWorker?.addEventListener('controllerchange', async () => {
    const first = !controlled;
    controlled = true;
    if (first && (await caches.has(`walk-${edition}`))) return; // of the page's own edition
    app.over = true;
    atHome(app);
  });
}
