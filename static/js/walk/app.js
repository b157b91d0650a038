// The Walk: records a survey on foot. Everything is kept on the device first;
// the network is only needed to take an area along and to send.
import { all, get, newID, persist, put, written } from './db.js';
import { fill, h } from './dom.js';
import { ask, askText, now } from './engine.js';
import { admit, identify, mine, signInView } from './account.js';
import { copy } from './feature.js';
import { send, waiting, waitingPhotos } from './outbox.js';
import { beginAgainAfter, ready, takeArea } from './area.js';
import { homeView } from './home.js';
import { listView, questionView } from './form.js';
import { endView } from './end.js';
import { outboxView } from './outboxview.js';
import { settleView } from './settle.js';
import { lightSwitch } from './light.js';
import { texts } from './words.js';

const root = document.getElementById('walk');
const state = { net: document.getElementById('state-net'), outbox: document.getElementById('state-outbox') };

const app = {
  /** @type {any} the area taken along; null until there is one */
  area: null,
  /** @type {{id: string, name: string} | null} who is signed in, as far as is known */
  account: null,
  barred: '', // why nothing is shown before somebody signs in
  units: root.dataset.units,
  items: [],
  photos: [],
  item: null, // the one on screen
  judged: null, // the answer for it
  kept: {}, // small things remembered
  net: 'unknown',
  why: '', // what the server said when it took nothing
  over: false, // another edition has taken over
  stored: false, // the browser promised not to clear the store

  points: () => overlaid('points'),
  sites: () => overlaid('sites'),
  siteName: (id) => app.sites().find((s) => s.id === id)?.properties.name ?? texts.noSiteYet,

  mine: (x) => mine(app, x),

  /** Unsent work of another account on a feature of that id, which nothing may be put in the place of. */
  held: (id) => app.items.find((i) => i.id === id && i.state !== 'sent' && !mine(app, i)),

  /** Keeps an item, first of all else. */
  async keep(item) {
    const held = app.held(item.id);
    if (held && held !== item) throw new Error(texts.unsentWorkOf(held.account.name));
    item.account ??= app.account ?? undefined;
    if (!app.items.includes(item)) app.items = [...app.items.filter((i) => i.id !== item.id), item];
    await put('items', item);
    app.drawState();
  },

  /** Reads again what is kept, as another page may have sent some of it. What is in hand on this page stays as it is. */
  async reload() {
    const [read, photos] = [await all('items'), await all('photos')];
    const known = new Map(app.items.map((i) => [i.id, i]));
    const ids = new Set(read.map((i) => i.id));
    const again = (i) => (known.get(i.id)?.state === 'draft' ? known.get(i.id) : Object.assign(known.get(i.id) ?? {}, i)); // screens hold on to an item
    app.items = [...read.map(again), ...app.items.filter((i) => i.state === 'draft' && !ids.has(i.id))];
    const listed = new Set(photos.map((f) => f.id));
    app.photos = [...photos, ...app.photos.filter((f) => f.state === 'waiting' && !f.tries && !listed.has(f.id))];
  },

  async remember(key, value) {
    app.kept[key] = value;
    await put('kept', app.kept, 'small');
  },

  /** An item for a feature of the atlas, not kept yet. */
  fromAtlas(kind, id) {
    const found = app.area?.[kind].find((one) => one.feature.id === id);
    return found && { id, kind, state: 'draft', feature: copy(found.feature), base: copy(found.feature), etag: `"${found.revision}"`, asked: {}, since: new Date().toISOString(), tries: 0 };
  },

  async begin() {
    const id = newID();
    const feature = { type: 'Feature', id, geometry: null, properties: { surveyed_at: now(), ...(app.kept.who ? { surveyed_by: app.kept.who } : {}) } };
    await app.keep({ id, kind: 'points', state: 'draft', feature, base: null, etag: null, asked: {}, since: new Date().toISOString(), tries: 0 });
    location.hash = `#q/${id}/position`;
  },

  /** Surveys a point of the atlas, or goes on with one on this device. */
  async edit(id) {
    if (app.held(id)) {
      location.hash = '#outbox';
      return;
    }
    let item = app.items.find((i) => i.id === id);
    const fresh = app.fromAtlas('points', id);
    if (!item || (item.state === 'sent' && fresh && Number(fresh.etag.slice(1, -1)) > Number((item.etag ?? '"0"').slice(1, -1)))) {
      item = fresh;
    }
    item.state = item.state === 'conflict' ? 'conflict' : 'draft';
    await app.keep(item);
    location.hash = item.state === 'conflict' ? `#settle/${id}` : `#list/${id}`;
  },

  /** Judges the item on screen; the latest question wins. */
  async judge() {
    const item = app.item;
    const turn = (app.turn = (app.turn ?? 0) + 1);
    let judged = null;
    if (app.area && item?.feature.geometry) {
      const r = await ask('answer', { point: item.feature, as_of: now() });
      judged = r.ok ? { ...r.ok } : { problem: r.problem };
    }
    if (turn === app.turn && item === app.item) app.judged = judged;
    return app.judged;
  },

  /** What to do when the screen on show is left. */
  onleave(act) {
    leaving.push(act);
  },

  drawState,
  async sendNow() {
    const was = app.net;
    app.sending = true;
    drawState();
    const how = await send(app).finally(() => (app.sending = false));
    app.net = how === 'offline' ? 'off' : how === 'busy' ? was : 'on';
    if (how === 'sent' && app.net === 'on') await takeArea(app, app.area?.district).catch(() => {});
    drawState();
    if (location.hash.startsWith('#outbox') || location.hash.startsWith('#home') || !location.hash) draw(false);
    clearTimeout(again);
    if (how === 'offline') again = setTimeout(() => app.sendNow(), (pause = Math.min(pause * 2, 300000)));
    else pause = 5000;
    return how;
  },
  /** Asks who is signed in, and shows what is theirs when that has changed. */
  async identify() {
    const was = shownTo();
    const how = await identify(app);
    if (shownTo() !== was && root.dataset.ready) await changeOver();
    return how;
  },
  admit: (account) => admit(app, account),

  sendSoon: () => setTimeout(() => app.sendNow(), 0),
  draw: () => draw(false),
};

let leaving = [];
let again;
let pause = 5000;
const patience = 1000; // milliseconds that the server gets to say who is signed in before what is kept is shown

const shownTo = () => JSON.stringify([app.account?.id, app.barred]);

/** Somebody else is signed in, or nobody: the page becomes theirs. */
async function changeOver() {
  if (!app.barred) {
    await readArea();
    if (!app.area) await takeArea(app, '').catch((err) => (app.trouble = [texts.noAreaTaken(err.message)]));
    app.ready = Boolean(app.area) && !app.trouble?.length;
  }
  await draw(true);
  drawState();
}

/** Reads the area that is kept, when it is that of who is signed in. */
async function readArea() {
  const text = app.barred ? undefined : await get('kept', 'area');
  const area = text && JSON.parse(text);
  if (!area || app.barred || (area.account?.id ?? '') !== (app.account?.id ?? '')) return;
  app.area = area;
  app.units = area.policy.units;
  askText('area', text).then(() => app.item && app.redraw?.());
}

/** Features of the area with those on this device in their place. */
function overlaid(kind) {
  const own = new Map(app.items.filter((i) => i.kind === kind && mine(app, i)).map((i) => [i.id, i.feature]));
  const out = (app.area?.[kind] ?? []).map((one) => own.get(one.feature.id) ?? one.feature);
  const known = new Set(out.map((f) => f.id));
  return [...out, ...[...own.values()].filter((f) => !known.has(f.id))];
}

/** The line that is always on screen: network, and what has not been sent. */
function drawState() {
  const unsent = waiting(app).length + waitingPhotos(app).length;
  const stuck = app.items.filter((i) => mine(app, i) && (i.state === 'refused' || i.state === 'conflict')).length + app.photos.filter((f) => mine(app, f) && f.state === 'refused').length;
  const drafts = app.items.filter((i) => mine(app, i) && i.state === 'draft').length;
  const others = [...app.items, ...app.photos].filter((x) => x.state !== 'sent' && !mine(app, x)).length;
  const who = document.querySelector('.top .who');
  if (who) who.hidden = Boolean(app.barred) || Boolean(app.account?.name && !who.textContent.includes(app.account.name)); // the kept page names who was signed in when it was kept
  state.net.textContent = app.barred ? texts.signInToGoOn : app.sending ? texts.sending : app.net === 'off' ? app.why || texts.noNetwork : app.ready ? texts.readyWithout : texts.gettingReady;
  const parts = [unsent && texts.toSend(unsent), stuck && texts.needYou(stuck), drafts && texts.inHand(drafts), others && texts.ofAnotherAccount(others)].filter(Boolean);
  state.outbox.textContent = texts.outboxHolds(parts); // on one line with the network, also on a phone
  state.outbox.hidden = Boolean(app.barred);
  state.outbox.dataset.unsent = unsent;
  state.outbox.parentElement.dataset.loud = stuck > 0;
}

const views = {
  home: () => homeView(app, root),
  q: (id, question) => open(id, () => questionView(app, root, question)),
  list: (id) => open(id, () => listView(app, root)),
  end: (id) => open(id, () => endView(app, root)),
  outbox: () => outboxView(app, root),
  settle: (id) => (app.held(id) ? outboxView(app, root) : settleView(app, root, id)),
  map: async () => {
    if (!app.area) {
      fill(root, h('h1', {}, texts.mapOfArea), h('p', {}, texts.noAreaYet));
      return;
    }
    const { mapView } = await import('./map.js');
    await mapView(app, root);
  },
};

async function open(id, show) {
  if (app.item?.id !== id) app.judged = null;
  app.item = app.items.find((i) => i.id === id && mine(app, i)) ?? null;
  if (!app.item) {
    fill(root, h('h1', {}, texts.surveyNotHere), h('p', {}, h('a', { href: '#home' }, texts.toStart)));
    return;
  }
  await show();
}

async function draw(focus) {
  for (const act of leaving) act();
  leaving = [];
  if (app.over) {
    await written().catch(() => {}); // what cannot be kept was said where it was typed
    location.reload();
    return;
  }
  const [name, ...rest] = location.hash.slice(1).split('/').map(decodeURIComponent);
  if (name === 'main') return; // the skip link
  if (!['q', 'list', 'end'].includes(name)) app.item = null;
  await (app.barred ? signInView(app, root) : (views[name] ?? views.home)(...rest));
  root.dataset.view = name || 'home';
  const head = root.querySelector('h1');
  if (focus && head) {
    head.tabIndex = -1;
    head.focus({ preventScroll: true });
    root.scrollIntoView(); // under the line of the state, past the head of the page
  }
}

async function start() {
  beginAgainAfter(app, root.dataset.edition);
  lightSwitch();
  let drawn;
  try {
    app.kept = (await get('kept', 'small')) ?? {};
    await app.reload();
    for (const i of app.items.filter((x) => x.state === 'sending')) i.state = 'waiting'; // cut off: it is sent again, and known again
    for (const f of app.photos.filter((x) => x.state === 'sending')) f.state = 'waiting';
    app.account = app.kept.account ?? null;
    app.barred = app.kept.barred ?? '';
    await Promise.race([app.identify(), new Promise((done) => setTimeout(done, patience))]);
    drawn = shownTo();
    await readArea();
  } catch (err) {
    fill(root, h('h1', {}, texts.walk), h('p', { class: 'loud' }, err.message));
    return;
  }
  window.addEventListener('hashchange', () => draw(true));
  await draw(false);
  drawState();
  root.dataset.ready = 'true';
  if (shownTo() !== drawn) await changeOver();
  app.stored = await persist();
  await ready(app);
  drawState();
  window.addEventListener('online', () => app.sendNow());
  document.addEventListener('visibilitychange', () => document.visibilityState === 'visible' && app.sendNow());
  app.sendNow();
}

start();
