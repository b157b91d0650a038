import { h, button, fill, radios } from './dom.js';
import { newID } from './db.js';
import { away, copy, set, somewhere } from './feature.js';

const shown = 12;

/** Asks which site a point belongs to, the nearest first; a new one can be named. */
export function site({ app, item, question: q, box, changed }) {
  const p = item.feature.properties;
  const here = item.feature.geometry?.coordinates;
  const sites = app.sites().map((f) => ({ id: f.id, name: f.properties.name, code: f.properties.code, d: here && away(here, somewhere(f.geometry)) }));
  sites.sort((a, b) => (a.id === p.site ? -1 : b.id === p.site ? 1 : here ? a.d - b.d : a.name.localeCompare(b.name)));
  const list = h('div');
  const search = h('input', { id: 'site-search', type: 'search', autocomplete: 'off' });
  const show = () => {
    const word = search.value.trim().toLowerCase();
    const hits = sites.filter((s) => !word || `${s.name} ${s.code}`.toLowerCase().includes(word));
    fill(
      list,
      radios(
        q.id,
        { text: q.title, unseen: true },
        hits.slice(0, shown).map((s) => ({ value: s.id, label: s.name, hint: `${s.code}${here ? ` · ${s.d < 1000 ? `${s.d.toFixed(0)} m` : `${(s.d / 1000).toFixed(1)} km`} away` : ''}` })),
        p.site,
        (v) => {
          set(p, q.path, v);
          return changed();
        },
      ),
      hits.length > shown && h('p', { class: 'second' }, `${hits.length - shown} more: type part of the name.`),
      hits.length === 0 && h('p', {}, 'No site of that name is on this device.'),
    );
  };
  search.addEventListener('input', show);

  const name = h('input', { id: 'new-name', type: 'text', maxlength: 200, autocomplete: 'off' });
  const code = h('input', { id: 'new-code', type: 'text', maxlength: 20, autocomplete: 'off' });
  const error = h('p', { class: 'wrong', role: 'alert' });
  async function make() {
    if (!here) error.textContent = 'Give the position first: the new site starts there.';
    else if (!name.value.trim() || !code.value.trim()) error.textContent = 'A site needs a name and a short code.';
    else {
      const id = newID();
      const district = app.area.title === 'the whole atlas' ? {} : { district: app.area.title };
      await app.keep({
        id, kind: 'sites', state: 'draft', feature: { type: 'Feature', id, geometry: { type: 'Point', coordinates: here }, properties: { name: name.value.trim(), code: code.value.trim(), ...district } },
        base: null, etag: null, asked: {}, since: new Date().toISOString(), tries: 0,
      });
      set(p, q.path, id);
      await changed();
      site({ app, item, question: q, box, changed });
    }
  }
  fill(
    box,
    sites.length > shown && [h('label', { for: 'site-search' }, 'Find a site'), search],
    list,
    h('details', {}, h('summary', {}, 'It is a new site'), h('form', { onsubmit: (e) => (e.preventDefault(), make()) }, h('div', { class: 'field' }, h('label', { for: 'new-name' }, 'Name'), name), h('div', { class: 'field' }, h('label', { for: 'new-code' }, 'Code, short and unique'), code), error, h('button', { class: 'button' }, 'Add this site'))),
  );
  show();
}

/** Asks what is dangerous at the point's site; the answer belongs to the site. */
export function hazards({ app, item, box, changed }) {
  const id = item.feature.properties.site;
  const found = app.sites().find((f) => f.id === id);
  if (!found) {
    fill(box, h('p', {}, 'Say first which site the point belongs to.'));
    return;
  }
  const held = app.held(id);
  if (held) {
    fill(box, h('p', { class: 'loud' }, `What ${held.account.name} recorded of this site is on this device and not sent yet. It is sent when ${held.account.name} signs in; then more can be added.`));
    return;
  }
  const dangers = h('textarea', { id: 'dangers', rows: 5 });
  dangers.value = (found.properties.hazards ?? []).join('\n');
  const notes = h('textarea', { id: 'notes', rows: 4, maxlength: 10000 });
  notes.value = found.properties.notes ?? '';
  const take = async () => {
    const own = app.items.find((i) => i.id === id) ?? app.fromAtlas('sites', id);
    own.feature = copy(own.feature);
    own.state = 'draft';
    set(own.feature.properties, ['hazards'], dangers.value.split('\n').map((t) => t.trim()).filter(Boolean));
    set(own.feature.properties, ['notes'], notes.value.trim() || undefined);
    await app.keep(own);
    item.asked.hazards = 'answered';
    await changed();
  };
  dangers.addEventListener('change', take);
  notes.addEventListener('change', take);
  fill(
    box,
    h('p', {}, 'Site: ', h('b', {}, found.properties.name)),
    h('label', { for: 'dangers' }, 'One danger a line'),
    dangers,
    h('label', { for: 'notes' }, 'Notes on the site'),
    notes,
    button('Nothing to add', () => {
      item.asked.hazards = 'answered';
      changed();
    }),
  );
}
