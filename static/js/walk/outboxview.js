import { button, fill, h, moment } from './dom.js';
import { drop, put } from './db.js';
import { exported } from './outbox.js';

const words = { draft: 'in hand, not to be sent yet', waiting: 'waits to be sent', sending: 'being sent', sent: 'sent', refused: 'refused', conflict: 'changed by somebody else' };

/** Everything recorded here and what has become of it. */
export function outboxView(app, root) {
  const items = [...app.items].sort((a, b) => b.since.localeCompare(a.since));
  const sent = [...items, ...app.photos].filter((x) => x.state === 'sent').length;
  const status = h('p', { role: 'status' }, app.net === 'off' ? (app.why ? [app.why, ' ', h('a', { href: '/sign-in' }, 'To sign in')] : 'The server could not be reached. It is tried again by itself.') : '');
  fill(
    root,
    h('h1', {}, 'Outbox'),
    h('p', { class: 'lede' }, 'Nothing leaves this device’s keeping before the server has acknowledged it.'),
    h('div', { class: 'actions' }, button('Send now', () => app.sendNow(), { class: 'button first', id: 'send' }), button('Save unsent work as a file', () => save(app, status))),
    status,
    items.length === 0 && h('p', {}, 'Nothing was recorded on this device yet.'),
    h('ul', { class: 'entries outbox' }, items.map((i) => entry(app, i)), app.photos.map((f) => photo(app, f))),
    sent > 0 && button('Take what was sent off this list', () => clear(app)),
  );
}

const foreign = (x) => `recorded by ${x.account.name}: sign in as ${x.account.name} to send it`;

function entry(app, i) {
  const p = i.feature.properties;
  const own = app.mine(i);
  const name = i.kind === 'sites' ? `Site ${p.name}` : `${p.label ?? 'New point'}, ${app.siteName(p.site)}`;
  return h(
    'li',
    { class: i.state, 'data-id': i.id, 'data-state': i.state },
    h('div', {}, h('b', {}, name), h('br'), h('span', { class: 'standing' }, own ? words[i.state] : foreign(i)), own && i.reason && h('span', {}, `: ${i.reason}`), h('br'), h('span', { class: 'second' }, moment(i.at ?? i.since), i.tries > 0 && `, ${i.tries} ${i.tries === 1 ? 'try' : 'tries'}`)),
    own && i.state === 'conflict' && h('a', { class: 'button first', href: `#settle/${i.id}` }, 'Choose'),
    own && i.state === 'refused' && button('Try again', () => retry(app, i)),
    own && i.kind === 'points' && i.state !== 'conflict' && i.state !== 'sending' && button('Open', () => app.edit(i.id), { 'aria-label': `Open ${name}` }),
    own && i.kind === 'sites' && i.state === 'draft' && button('Send it', () => retry(app, i), { 'aria-label': `Send ${name}` }),
    own && i.kind === 'sites' && (i.state === 'waiting' || i.state === 'refused') && button('Hold it back', () => holdBack(app, i), { 'aria-label': `Hold ${name} back` }),
    own && i.kind === 'sites' && i.state === 'draft' && spare(app, i) && h('details', {}, h('summary', {}, 'Throw it away'), h('p', {}, `What was changed here of ${name} leaves this device and is not sent.`), button('Throw it away', () => discard(app, i))),
  );
}

function photo(app, f) {
  const owner = app.points().find((x) => x.id === f.point)?.properties.label ?? 'a point';
  return h(
    'li',
    { class: f.state, 'data-id': f.id, 'data-state': f.state },
    h('div', {}, h('b', {}, `Photo of ${owner}`), ` ${f.name}`, h('br'), h('span', { class: 'standing' }, app.mine(f) ? words[f.state] : foreign(f)), f.reason && h('span', {}, `: ${f.reason}`)),
    app.mine(f) && f.state === 'refused' &&
      button('Try again', async () => {
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
  status.textContent = 'Saved as a file. It can be imported where the network is.';
}

async function clear(app) {
  for (const i of app.items.filter((x) => x.state === 'sent')) await drop('items', i.id);
  for (const f of app.photos.filter((x) => x.state === 'sent')) await drop('photos', f.id);
  await app.reload();
  app.drawState();
  app.draw();
}
