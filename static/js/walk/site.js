import { h, button, fill, radios } from './dom.js';
import { newID } from './db.js';
import { away, copy, set, somewhere } from './feature.js';
import { length } from './units.js';
import { texts } from './words.js';

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
        hits.slice(0, shown).map((s) => ({ value: s.id, label: s.name, hint: here ? `${s.code} · ${texts.away(length(s.d, app.units))}` : s.code })),
        p.site,
        (v) => {
          set(p, q.path, v);
          return changed();
        },
      ),
      hits.length > shown && h('p', { class: 'second' }, texts.more(hits.length - shown)),
      hits.length === 0 && h('p', {}, texts.noSuchSite),
    );
  };
  search.addEventListener('input', show);

  const name = h('input', { id: 'new-name', type: 'text', maxlength: 200, autocomplete: 'off' });
  const code = h('input', { id: 'new-code', type: 'text', maxlength: 20, autocomplete: 'off' });
  const error = h('p', { class: 'wrong', role: 'alert' });
  async function make() {
    if (!here) error.textContent = texts.positionBeforeSite;
    else if (!name.value.trim() || !code.value.trim()) error.textContent = texts.siteNeeds;
    else {
      const id = newID();
      const district = app.area.district ? { district: app.area.district } : {};
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
    sites.length > shown && [h('label', { for: 'site-search' }, texts.findASite), search],
    list,
    h('details', {}, h('summary', {}, texts.newSite), h('form', { onsubmit: (e) => (e.preventDefault(), make()) }, h('div', { class: 'field' }, h('label', { for: 'new-name' }, texts.name), name), h('div', { class: 'field' }, h('label', { for: 'new-code' }, texts.code), code), error, h('button', { class: 'button' }, texts.addThisSite))),
  );
  show();
}

/** Asks what is dangerous at the point's site; the answer belongs to the site. */
export function hazards({ app, item, box, changed }) {
  const id = item.feature.properties.site;
  const found = app.sites().find((f) => f.id === id);
  if (!found) {
    fill(box, h('p', {}, texts.siteFirst));
    return;
  }
  const held = app.held(id);
  if (held) {
    fill(box, h('p', { class: 'loud' }, texts.siteHeld(held.account.name)));
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
    h('p', {}, texts.siteIs, h('b', {}, found.properties.name)),
    h('label', { for: 'dangers' }, texts.dangers),
    dangers,
    h('label', { for: 'notes' }, texts.siteNotes),
    notes,
    button(texts.nothingToAdd, () => {
      item.asked.hazards = 'answered';
      changed();
    }),
  );
}
