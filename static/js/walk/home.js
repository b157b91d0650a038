import { button, fill, h, moment } from './dom.js';
import { alone, forget, room } from './db.js';
import { takeArea, takeOver } from './area.js';
import { questions, standing } from './questions.js';
import { texts } from './words.js';

/** The start: a new survey, those in hand, and what is on the device. */
export async function homeView(app, root) {
  const drafts = app.items.filter((i) => i.kind === 'points' && app.mine(i) && i.state === 'draft').sort((a, b) => b.since.localeCompare(a.since));
  const status = h('p', { role: 'status', class: 'second' });
  fill(
    root,
    h('h1', {}, texts.walk),
    app.trouble?.length > 0 && h('ul', { class: 'loud' }, app.trouble.map((t) => h('li', {}, t))),
    app.newer && newer(app),
    button(texts.surveyNewPoint, () => app.begin(), { class: 'button first wide-button', id: 'begin' }),
    drafts.length > 0 && [
      h('h2', {}, texts.inHandTitle),
      h(
        'ul',
        { class: 'entries' },
        drafts.map((i) => {
          const p = i.feature.properties;
          const done = questions.filter((q) => standing(q, i) !== 'open').length;
          return h('li', {}, h('a', { class: 'button', href: `#list/${i.id}` }, `${p.label ?? texts.newPoint}, ${app.siteName(p.site)}`), h('span', { class: 'second' }, texts.askedBegun(done, questions.length, moment(i.since))));
        }),
      ),
    ],
    app.area && pointList(app),
    h('h2', {}, texts.onThisDevice),
    area(app, status),
    status,
    app.area && h('div', { class: 'actions' }, h('a', { class: 'button', href: '#map' }, texts.mapOfArea), h('a', { class: 'button', href: '#outbox' }, texts.outbox)),
    clearing(app),
  );
  storage(app, status);
}

/** The offer of a newer edition. */
function newer(app) {
  const status = h('p', { role: 'status' });
  const change = () => {
    status.textContent = texts.changingOver;
    takeOver(app, () => (status.textContent = texts.openElsewhere));
  };
  return h('div', { class: 'loud' }, h('p', {}, texts.newerEdition), button(texts.changeOverNow, change), status);
}

function area(app, status) {
  const pick = h('select', { id: 'district' }, h('option', { value: '' }, texts.theWholeAtlas));
  const error = h('p', { class: 'wrong', role: 'alert' });
  fetch('/walk/districts', { headers: { Accept: 'application/json' }, redirect: 'error' })
    .then((r) => r.json())
    .then((list) => {
      pick.append(...list.map((d) => h('option', { value: d.name }, `${d.name}, ${d.sites} ${d.sites === 1 ? 'site' : 'sites'}`)));
      if (app.area?.district) pick.value = app.area.district;
    })
    .catch(() => {}); // without a network there is nothing else to take along
  const take = async () => {
    error.textContent = '';
    status.textContent = texts.takingItAlong;
    try {
      await takeArea(app, pick.value);
      app.ready = app.trouble?.length === 0;
      app.drawState();
      app.draw();
    } catch (err) {
      status.textContent = '';
      error.textContent = err instanceof TypeError ? texts.serverNotReached : err.message;
    }
  };
  return [
    app.area
      ? h('p', {}, texts.areaHolds(app.area.district || texts.theWholeAtlas, app.area.sites.length, app.area.points.length, app.area.layers.reduce((n, l) => n + l.features.length, 0), app.area.layers.length, moment(app.area.taken_at)))
      : h('p', {}, texts.noAreaNoAnswer),
    (app.area?.left_out ?? []).map((t) => h('p', { class: 'second' }, t)),
    h('div', { class: 'row' }, h('div', { class: 'field' }, h('label', { for: 'district' }, texts.takeAlong), pick), button(app.area ? texts.takeAlongAnew : texts.takeItAlong, take)),
    error,
  ];
}

async function storage(app, status) {
  const r = await room();
  if (!r?.quota) return;
  const mb = (n) => (n < 1e9 ? `${(n / 1e6).toFixed(0)} MB` : `${(n / 1e9).toFixed(1)} GB`);
  status.textContent = texts.roomLeft(mb(r.usage), mb(r.quota - r.usage), app.stored);
}

function pointList(app) {
  const search = h('input', { id: 'find-point', type: 'search', autocomplete: 'off' });
  const list = h('ul', { class: 'entries' });
  const show = () => {
    const word = search.value.trim().toLowerCase();
    const hits = app.points().map((f) => ({ id: f.id, name: `${app.siteName(f.properties.site)}, ${f.properties.label ?? texts.newPoint}` })).filter((p) => !word || p.name.toLowerCase().includes(word));
    hits.sort((a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }));
    fill(list, hits.slice(0, 20).map((p) => h('li', {}, button(p.name, () => app.edit(p.id)))), hits.length > 20 && h('li', { class: 'second' }, texts.more(hits.length - 20)));
  };
  search.addEventListener('input', show);
  show();
  return h('details', {}, h('summary', {}, texts.surveyAgain), h('label', { for: 'find-point' }, texts.findAPoint), search, list);
}

const unsent = texts.unsentFirst;

/** Takes everything off the device, once nothing on it would be lost: as it is kept now, not as this page remembers it. */
function clearing(app) {
  const said = h('p', { class: 'wrong', role: 'alert' });
  const clear = async () => {
    try {
      if (!(await alone((lock) => lock && forget(), { ifAvailable: true }))) {
        said.textContent = unsent;
        return;
      }
    } catch (err) {
      said.textContent = err.message;
      return;
    }
    for (const name of await caches.keys()) if (name.startsWith('walk-')) await caches.delete(name);
    await (await navigator.serviceWorker?.getRegistration('/walk'))?.unregister();
    location.assign('/');
  };
  return h(
    'details',
    {},
    h('summary', {}, texts.takeEverythingOff),
    [...app.items, ...app.photos].some((x) => x.state !== 'sent') ? h('p', {}, unsent) : [h('p', {}, texts.takeOffMeans), button(texts.takeItOff, clear), said],
  );
}
