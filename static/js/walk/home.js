import { button, fill, h, moment } from './dom.js';
import { alone, forget, room } from './db.js';
import { takeArea, takeOver } from './area.js';
import { questions, standing } from './questions.js';

/** The start: a new survey, those in hand, and what is on the device. */
export async function homeView(app, root) {
  const drafts = app.items.filter((i) => i.kind === 'points' && app.mine(i) && i.state === 'draft').sort((a, b) => b.since.localeCompare(a.since));
  const status = h('p', { role: 'status', class: 'second' });
  fill(
    root,
    h('h1', {}, 'Walk'),
    app.trouble?.length > 0 && h('ul', { class: 'loud' }, app.trouble.map((t) => h('li', {}, t))),
    app.newer && h('div', { class: 'loud' }, h('p', {}, 'A newer edition of this program is on the device.'), button('Change over now', () => takeOver(app))),
    button('Survey a new point', () => app.begin(), { class: 'button first wide-button', id: 'begin' }),
    drafts.length > 0 && [
      h('h2', {}, 'In hand'),
      h(
        'ul',
        { class: 'entries' },
        drafts.map((i) => {
          const p = i.feature.properties;
          const done = questions.filter((q) => standing(q, i) !== 'open').length;
          return h('li', {}, h('a', { class: 'button', href: `#list/${i.id}` }, `${p.label ?? 'New point'}, ${app.siteName(p.site)}`), h('span', { class: 'second' }, `${done} of ${questions.length} asked, begun ${moment(i.since)}`));
        }),
      ),
    ],
    app.area && pointList(app),
    h('h2', {}, 'What is on this device'),
    area(app, status),
    status,
    app.area && h('div', { class: 'actions' }, h('a', { class: 'button', href: '#map' }, 'Map of the area'), h('a', { class: 'button', href: '#outbox' }, 'Outbox')),
    clearing(app),
  );
  storage(app, status);
}

function area(app, status) {
  const pick = h('select', { id: 'district' }, h('option', { value: '' }, 'the whole atlas'));
  const error = h('p', { class: 'wrong', role: 'alert' });
  fetch('/walk/districts', { headers: { Accept: 'application/json' }, redirect: 'error' })
    .then((r) => r.json())
    .then((list) => {
      pick.append(...list.map((d) => h('option', { value: d.name }, `${d.name}, ${d.sites} ${d.sites === 1 ? 'site' : 'sites'}`)));
      if (app.area && app.area.title !== 'the whole atlas') pick.value = app.area.title;
    })
    .catch(() => {}); // without a network there is nothing else to take along
  const take = async () => {
    error.textContent = '';
    status.textContent = 'Taking it along…';
    try {
      await takeArea(app, pick.value);
      app.ready = app.trouble?.length === 0;
      app.drawState();
      app.draw();
    } catch (err) {
      status.textContent = '';
      error.textContent = err instanceof TypeError ? 'The server cannot be reached; what was taken along before stays.' : err.message;
    }
  };
  return [
    app.area
      ? h('p', {}, `Area: ${app.area.title}. ${app.area.sites.length} sites, ${app.area.points.length} points and ${app.area.layers.reduce((n, l) => n + l.features.length, 0)} features of ${app.area.layers.length} layers, as of ${moment(app.area.taken_at)}.`)
      : h('p', {}, 'No area is on this device yet. Without one, nothing can be judged.'),
    (app.area?.left_out ?? []).map((t) => h('p', { class: 'second' }, t)),
    h('div', { class: 'row' }, h('div', { class: 'field' }, h('label', { for: 'district' }, 'Take along'), pick), button(app.area ? 'Take it along anew' : 'Take it along', take)),
    error,
  ];
}

async function storage(app, status) {
  const r = await room();
  if (!r?.quota) return;
  const mb = (n) => (n < 1e9 ? `${(n / 1e6).toFixed(0)} MB` : `${(n / 1e9).toFixed(1)} GB`);
  status.textContent = `${mb(r.usage)} used, ${mb(r.quota - r.usage)} left on this device.${app.stored ? '' : ' The browser may clear it when room runs short: send soon, or install the Walk on the home screen.'}`;
}

function pointList(app) {
  const search = h('input', { id: 'find-point', type: 'search', autocomplete: 'off' });
  const list = h('ul', { class: 'entries' });
  const show = () => {
    const word = search.value.trim().toLowerCase();
    const hits = app.points().map((f) => ({ id: f.id, name: `${app.siteName(f.properties.site)}, ${f.properties.label ?? 'New point'}` })).filter((p) => !word || p.name.toLowerCase().includes(word));
    hits.sort((a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }));
    fill(list, hits.slice(0, 20).map((p) => h('li', {}, button(p.name, () => app.edit(p.id)))), hits.length > 20 && h('li', { class: 'second' }, `${hits.length - 20} more: type part of the name.`));
  };
  search.addEventListener('input', show);
  show();
  return h('details', {}, h('summary', {}, 'Survey a point again'), h('label', { for: 'find-point' }, 'Find a point'), search, list);
}

const unsent = 'There is work on it that was not sent. Send it, or throw it away survey by survey, first.';

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
    h('summary', {}, 'Take everything off this device'),
    [...app.items, ...app.photos].some((x) => x.state !== 'sent') ? h('p', {}, unsent) : [h('p', {}, 'The area, with its contacts, and the program leave this device. The atlas keeps everything.'), button('Take it off', clear), said],
  );
}
