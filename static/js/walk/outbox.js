// Sending what was recorded. An item leaves "waiting" only by the server's word:
// its acknowledgement, its refusal, or another version that somebody else made.
// A send whose answer was lost is sent again: an Idempotency-Key says so, and the
// server knows it again by what it has stored.
import { alone, get, put } from './db.js';
import { mine } from './account.js';
import { copy, same } from './feature.js';
import { texts } from './words.js';

const order = { sites: 0, points: 1 };

/** Items that wait to be sent, in the order they have to go. */
export const waiting = (app) => app.items.filter((i) => mine(app, i) && (i.state === 'waiting' || i.state === 'sending')).sort((a, b) => order[a.kind] - order[b.kind] || a.since.localeCompare(b.since));

/** Photos that wait to be sent: those of a survey in hand wait for it. */
export const waitingPhotos = (app) => app.photos.filter((f) => mine(app, f) && (f.state === 'waiting' || f.state === 'sending') && app.items.find((i) => i.id === f.point)?.state !== 'draft');

/**
 * Sends everything that waits, one after the other, from one page at a time.
 * @returns {Promise<'sent' | 'nothing' | 'busy' | 'offline' | 'barred'>}
 */
export function send(app) {
  return alone(async (lock) => (lock ? sendAll(app) : 'busy'), { ifAvailable: true });
}

async function sendAll(app) {
  app.why = '';
  const how = await app.identify();
  if (how !== 'known') return how;
  await app.reload(); // another page of this device may have sent some
  let sent = 0;
  for (const item of waiting(app)) {
    if (!(await sendItem(app, item))) return 'offline';
    sent++;
  }
  for (const photo of waitingPhotos(app)) {
    const owner = app.items.find((i) => i.id === photo.point);
    if (owner && owner.state !== 'sent') continue; // its point goes first
    if (!(await sendPhoto(app, photo))) return 'offline';
    sent++;
  }
  return sent ? 'sent' : 'nothing';
}

/** Reaches the server; undefined when it cannot be reached. */
async function reach(path, request) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), 60000);
  try {
    const answer = await fetch(path, { ...request, signal: stop.signal, redirect: 'error', headers: { Accept: 'application/geo+json, application/json, application/problem+json', ...request.headers } });
    const text = await answer.text();
    let body = null;
    try {
      body = JSON.parse(text);
    } catch {
      if (answer.ok) return undefined; // a sign-in page of some network in between, not our server
    }
    return { status: answer.status, etag: answer.headers.get('ETag'), body };
  } catch {
    return undefined;
  } finally {
    clearTimeout(timer);
  }
}

/** Who recorded it: the server takes it from nobody else, also when somebody else has signed in this moment. */
const owner = (x) => (x.account?.id ? { 'Holdfast-Account': x.account.id } : {});

/** Sends one item; false when the server could not be reached. */
async function sendItem(app, item) {
  item.state = 'sending';
  item.tries++;
  const attempt = copy(item.feature);
  const before = item.attempts ?? []; // sent, and never answered
  item.attempts = [...before.slice(-4), attempt];
  await app.keep(item);
  const answer = await reach(`/api/collections/${item.kind}/items/${encodeURIComponent(item.id)}`, {
    method: 'PUT',
    headers: { ...owner(item), 'Content-Type': 'application/geo+json', 'Idempotency-Key': JSON.stringify(item.id), ...(item.etag ? { 'If-Match': item.etag } : { 'If-None-Match': '*' }) },
    body: JSON.stringify(attempt),
  });
  app.why = answer ? said(answer) : '';
  if (!answer || later(answer.status)) {
    await settle(app, item, { state: 'waiting', reason: answer ? said(answer) : '' });
    return false;
  }
  if (answer.status === 200 || answer.status === 201) {
    const stored = { type: 'Feature', id: item.id, geometry: answer.body.geometry, properties: answer.body.properties };
    await settle(app, item, { state: 'sent', reason: '', problems: undefined, base: stored, feature: copy(stored), etag: answer.etag, attempts: undefined, current: undefined, at: new Date().toISOString() });
    return true;
  }
  if (answer.status === 412) {
    const { current, current_etag: currentEtag } = answer.body ?? {};
    if (current && same(current, attempt)) {
      await settle(app, item, { state: 'sent', reason: '', base: current, etag: currentEtag, attempts: undefined, at: new Date().toISOString() });
    } else if (current && before.some((f) => same(current, f))) {
      // Its answer was lost, and it was changed here since: what is stored is our own.
      Object.assign(item, { base: { geometry: current.geometry, properties: current.properties }, etag: currentEtag, attempts: undefined });
      return sendItem(app, item);
    } else {
      await settle(app, item, { state: 'conflict', reason: said(answer), current: current ?? null, currentEtag: currentEtag ?? null });
    }
    return true;
  }
  await settle(app, item, { state: 'refused', reason: said(answer), problems: answer.body?.errors });
  return true;
}

async function sendPhoto(app, photo) {
  Object.assign(photo, { state: 'sending', tries: photo.tries + 1 });
  await put('photos', photo);
  const answer = await reach(`/api/photos/${encodeURIComponent(photo.id)}?point=${encodeURIComponent(photo.point)}`, {
    method: 'PUT',
    headers: { ...owner(photo), 'Content-Type': photo.blob.type || 'application/octet-stream' },
    body: photo.blob,
  });
  const reached = answer && !later(answer.status);
  app.why = answer ? said(answer) : '';
  if (!reached) Object.assign(photo, { state: 'waiting', reason: answer ? said(answer) : '' });
  else if (answer.status === 200 || answer.status === 201) Object.assign(photo, { state: 'sent', reason: '', blob: null, at: new Date().toISOString() });
  else Object.assign(photo, { state: 'refused', reason: said(answer) });
  await put('photos', photo);
  app.drawState();
  return Boolean(reached);
}

/** Whether a status means "not now", whatever is sent: the server is busy, full or wants a sign-in. */
const later = (status) => status === 401 || status === 408 || status === 429 || status >= 500;

const said = (answer) => (answer.status === 401 ? texts.signInThenSend : (answer.body?.detail ?? texts.serverAnswered(answer.status)));

/** Notes what became of a send, unless somebody went on working on the item meanwhile. */
async function settle(app, item, how) {
  const kept = await get('items', item.id);
  if (!kept || kept.state === 'sending') Object.assign(item, how);
  else Object.assign(item, kept, how.state === 'sent' ? { base: how.base, etag: how.etag, attempts: undefined } : {});
  await app.keep(item);
}

/** Everything not yet sent as one GeoJSON file, photos included. */
export async function exported(app) {
  const items = app.items.filter((i) => i.state !== 'sent');
  const photos = [];
  for (const f of app.photos.filter((x) => x.state !== 'sent' && x.blob)) {
    const bytes = new Uint8Array(await f.blob.arrayBuffer());
    let text = '';
    for (let i = 0; i < bytes.length; i += 0x8000) text += String.fromCharCode(...bytes.subarray(i, i + 0x8000));
    photos.push({ id: f.id, point: f.point, name: f.name, type: f.blob.type, base64: btoa(text) });
  }
  const features = (kind) => items.filter((i) => i.kind === kind && i.feature.geometry).map((i) => i.feature);
  const unplaced = items.filter((i) => !i.feature.geometry).map((i) => i.feature);
  return new Blob([JSON.stringify({ type: 'FeatureCollection', features: features('points'), sites: features('sites'), unplaced, photos }, null, 1)], { type: 'application/geo+json' });
}
