// What the device keeps: the area taken along, the surveys and the photos. A
// survey is kept at every answer, so that a reload or a flat battery loses none.
import { texts } from './words.js';

const stores = ['kept', 'items', 'photos'];

/** @type {Promise<IDBDatabase>} */
let opened;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const ask = indexedDB.open('holdfast-walk', 1);
    ask.onupgradeneeded = () => {
      ask.result.createObjectStore('kept');
      ask.result.createObjectStore('items', { keyPath: 'id' });
      ask.result.createObjectStore('photos', { keyPath: 'id' });
    };
    ask.onsuccess = () => resolve(ask.result);
    ask.onerror = () => reject(said(ask.error));
  });
  return opened;
}

/** An error of the store in words that help. */
function said(error) {
  if (error?.name === 'QuotaExceededError') {
    return new Error(texts.noRoom);
  }
  return new Error(texts.cannotKeep(error?.message));
}

async function run(store, mode, act) {
  const db = await open();
  return new Promise((resolve, reject) => {
    const t = db.transaction(store, mode, mode === 'readwrite' ? { durability: 'strict' } : undefined);
    const ask = act(t.objectStore(store));
    t.oncomplete = () => resolve(ask.result);
    t.onabort = () => reject(said(t.error));
    t.onerror = () => reject(said(t.error));
  });
}

export const get = (store, key) => run(store, 'readonly', (o) => o.get(key));
export const all = (store) => run(store, 'readonly', (o) => o.getAll());
export const put = (store, value, key) => run(store, 'readwrite', (o) => (key === undefined ? o.put(value) : o.put(value, key)));
export const drop = (store, key) => run(store, 'readwrite', (o) => o.delete(key));

/** Waits until everything that was to be kept is: a read comes after the writes before it. */
export const written = () => Promise.all(stores.map((store) => run(store, 'readonly', (o) => o.count())));

/** Asks the browser not to clear the store when it needs room. */
export async function persist() {
  try {
    return (await navigator.storage?.persist?.()) ?? false;
  } catch {
    return false;
  }
}

/** How much is used and left, in bytes; undefined when the browser will not say. */
export async function room() {
  try {
    return await navigator.storage?.estimate?.();
  } catch {
    return undefined;
  }
}

/** A UUID of version 7 (RFC 9562, 5.7), so that ids made later sort later. */
export function newID() {
  const b = crypto.getRandomValues(new Uint8Array(16));
  let ms = Date.now();
  for (let i = 5; i >= 0; i--) {
    b[i] = ms % 256;
    ms = Math.floor(ms / 256);
  }
  b[6] = (b[6] & 0x0f) | 0x70;
  b[8] = (b[8] & 0x3f) | 0x80;
  const hex = [...b].map((v) => v.toString(16).padStart(2, '0')).join('');
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join('-');
}

/** Changes the store by what is recorded in it, in one transaction: nothing is recorded between the look and the change. */
async function whole(act) {
  const db = await open();
  return new Promise((resolve, reject) => {
    const t = db.transaction(stores, 'readwrite', { durability: 'strict' });
    const items = t.objectStore('items').getAll();
    const photos = t.objectStore('photos').getAll();
    let out;
    photos.onsuccess = () => (out = act(t, items.result, photos.result));
    t.oncomplete = () => resolve(out);
    t.onabort = () => reject(said(t.error));
    t.onerror = () => reject(said(t.error));
  });
}

const isSent = (x) => x.state === 'sent';

/** Empties the store unless something in it was not sent; tells whether it did. */
export const forget = () =>
  whole((t, items, photos) => {
    const done = [...items, ...photos].every(isSent);
    if (done) for (const store of stores) t.objectStore(store).clear();
    return done;
  });

/** Takes off what the next person must not see: everything, or all but what was not sent. */
export const leave = (why) =>
  whole((t, items, photos) => {
    if ([...items, ...photos].every(isSent)) {
      for (const store of stores) t.objectStore(store).clear();
      return;
    }
    for (const i of items.filter(isSent)) t.objectStore('items').delete(i.id);
    for (const f of photos.filter(isSent)) t.objectStore('photos').delete(f.id);
    const kept = t.objectStore('kept');
    kept.delete('area');
    const small = kept.get('small');
    small.onsuccess = () => kept.put({ account: small.result?.account, barred: why }, 'small');
  });

/** Holds the outbox while something is done: nothing is sent meanwhile. */
export const alone = (act, how = {}) => (navigator.locks ? navigator.locks.request('holdfast-outbox', how, act) : act(true));
