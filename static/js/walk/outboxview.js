import { button, fill, h, moment } from './dom.js';
import { drop, put } from './db.js';
import { exported } from './outbox.js';
import { texts } from './words.js';

const words = { draft: texts.stateDraft, waiting: texts.stateWaiting, sending: texts.stateSending, sent: texts.stateSent, refused: texts.stateRefused, conflict: texts.stateConflict };

/** Everything recorded here and what has become of it. */
export function outboxView(app, root) {
  const items = [...app.items].sort((a, b) => b.since.localeCompare(a.since));
  const sent = [...items, ...app.photos].filter((x) => x.state === 'sent').length;
  const status = h('p', { role: 'status' }, app.net === 'off' ? (app.why ? [app.why, ' ', h('a', { href: '/sign-in' }, texts.toSignIn)] : texts.triedAgain) : '');
  fill(
    root,
    h('h1', {}, texts.outbox),
    h('p', { class: 'lede' }, texts.keptUntilSent),
    h('div', { class: 'actions' }, button(texts.sendNow, () => app.sendNow(), { class: 'button first', id: 'send' }), button(texts.saveAsFile, () => save(app, status))),
    status,
    items.length === 0 && h('p', {}, texts.nothingHere),
    h('ul', { class: 'entries outbox' }, items.map((i) => entry(app, i)), app.photos.map((f) => photo(app, f))),
    sent > 0 && button(texts.takeSentOff, () => clear(app)),
  );
}

const foreign = (x) => texts.recordedBy(x.account.name);

function entry(app, i) {
  const p = i.feature.properties;
  const own = app.mine(i);
  const name = i.kind === 'sites' ? texts.siteNamed(p.name) : `${p.label ?? texts.newPoint}, ${app.siteName(p.site)}`;
  return h(
    'li',
    { class: i.state, 'data-id': i.id, 'data-state': i.state },
    h('div', {}, h('b', {}, name), h('br'), h('span', { class: 'standing' }, own ? words[i.state] : foreign(i)), own && i.reason && h('span', {}, `: ${i.reason}`), h('br'), h('span', { class: 'second' }, moment(i.at ?? i.since), i.tries > 0 && `, ${texts.tries(i.tries)}`)),
    own && i.state === 'conflict' && h('a', { class: 'button first', href: `#settle/${i.id}` }, texts.choose),
    own && i.state === 'refused' && button(texts.tryAgain, () => retry(app, i)),
    own && i.kind === 'points' && i.state !== 'conflict' && i.state !== 'sending' && button(texts.open, () => app.edit(i.id), { 'aria-label': texts.openNamed(name) }),
    own && i.kind === 'sites' && i.state === 'draft' && button(texts.send, () => retry(app, i), { 'aria-label': texts.sendNamed(name) }),
    own && i.kind === 'sites' && (i.state === 'waiting' || i.state === 'refused') && button(texts.holdBack, () => holdBack(app, i), { 'aria-label': texts.holdBackNamed(name) }),
    own && i.kind === 'sites' && i.state === 'draft' && spare(app, i) && h('details', {}, h('summary', {}, texts.throwItAway), h('p', {}, texts.throwAwayMeans(name)), button(texts.throwItAway, () => discard(app, i))),
  );
}

function photo(app, f) {
  const owner = app.points().find((x) => x.id === f.point)?.properties.label ?? 'a point';
  return h(
    'li',
    { class: f.state, 'data-id': f.id, 'data-state': f.state },
    h('div', {}, h('b', {}, texts.photoOf(owner)), ` ${f.name}`, h('br'), h('span', { class: 'standing' }, app.mine(f) ? words[f.state] : foreign(f)), f.reason && h('span', {}, `: ${f.reason}`)),
    app.mine(f) && f.state === 'refused' &&
      button(texts.tryAgain, async () => {
        f.state = 'waiting';
        await put('photos', f);
        app.sendNow();
      }),
  );
}

/** Whether nothing recorded here stands on a site that only this device knows. */
const spare = (app, i) => i.base || !app.items.some((p) => p.kind === 'points' && p.feature.properties.site === i.id);

async function holdBack(app, i) {
  i.state = 'draft';
  await app.keep(i);
  app.draw();
}

async function discard(app, i) {
  app.items = app.items.filter((x) => x !== i);
  await drop('items', i.id);
  app.drawState();
  app.draw();
}

async function retry(app, i) {
  i.state = 'waiting';
  await app.keep(i);
  app.sendNow();
}

export async function save(app, status) {
  const url = URL.createObjectURL(await exported(app));
  const a = h('a', { href: url, download: `walk-${new Date().toISOString().slice(0, 16).replace(':', '')}.geojson` });
  document.body.append(a);
  a.click();
  a.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
  status.textContent = texts.savedAsFile;
}

async function clear(app) {
  for (const i of app.items.filter((x) => x.state === 'sent')) await drop('items', i.id);
  for (const f of app.photos.filter((x) => x.state === 'sent')) await drop('photos', f.id);
  await app.reload();
  app.drawState();
  app.draw();
}
