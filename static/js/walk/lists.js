import { h, button, fill } from './dom.js';
import { ask, now } from './engine.js';
import { set } from './feature.js';
import { read, show, unitsOf, unread } from './units.js';

/**
 * A form for one entry of a list. Fields: {key, title, kind: 'text'|'words'|
 * quantity|'bearing', options?, need?}; numbers are typed in the first unit or
 * another one.
 */
function entryForm(app, title, fields, entry, done, cancel) {
  const error = h('p', { class: 'wrong', role: 'alert' });
  const inputs = {};
  const rows = fields.map((f) => {
    const id = `entry-${f.key}`;
    let input;
    let unit;
    if (f.kind === 'words') {
      input = h('select', { id }, !f.need && h('option', { value: '' }, 'not recorded'), f.options.map((o) => h('option', { value: o.value ?? o }, o.label ?? o)));
      input.value = entry[f.key] ?? (f.need ? (f.options[0].value ?? f.options[0]) : '');
    } else if (f.kind === 'text' || f.kind === 'bearing') {
      input = h('input', { id, type: 'text', autocomplete: 'off', maxlength: f.most ?? 200, inputmode: f.kind === 'bearing' ? 'decimal' : null });
      input.value = entry[f.key] ?? '';
      if (f.kind === 'bearing') unit = h('select', { id: `${id}-unit`, 'aria-label': `${f.title}: read off` }, h('option', { value: 'magnetic' }, 'compass'), h('option', { value: 'true' }, 'true'));
      if (unit && entry[f.key] !== undefined) unit.value = 'true';
    } else {
      const units = unitsOf(f.kind, app.units);
      input = h('input', { id, type: 'text', autocomplete: 'off', inputmode: 'decimal' });
      unit = h('select', { id: `${id}-unit`, 'aria-label': `${f.title}: unit` }, units.map((u) => h('option', { value: u }, u)));
      input.value = show(entry[f.key], units[0], f.kind);
    }
    inputs[f.key] = { input, unit };
    return h('div', { class: 'field' }, h('label', { for: id }, f.title), h('div', { class: 'pair' }, input, unit));
  });

  async function take() {
    const out = { ...entry };
    for (const f of fields) {
      const { input, unit } = inputs[f.key];
      const text = input.value.trim();
      let v = text || undefined;
      if (v !== undefined && f.kind === 'bearing') v = await toTrue(app, read(text), unit.value);
      else if (f.kind !== 'text' && f.kind !== 'words') v = read(text, unit.value, f.kind);
      if (typeof v === 'number' && Number.isNaN(v)) {
        error.textContent = f.kind === 'bearing' ? `${f.title}: type 0 to 360, after the position was given.` : `${f.title}: ${unread(text)}`;
        input.focus();
        return;
      }
      if (v === undefined && f.need) {
        error.textContent = `${f.title} is missing.`;
        input.focus();
        return;
      }
      if (v === undefined) delete out[f.key];
      else out[f.key] = v;
    }
    done(out);
  }
  return h(
    'form',
    { class: 'entry-form', onsubmit: (e) => (e.preventDefault(), take()) },
    h('h2', {}, title),
    rows,
    error,
    h('div', { class: 'actions' }, h('button', { class: 'button first' }, 'Keep it'), button('Cancel', cancel)),
  );
}

/** A typed bearing as a true one; NaN when it cannot be had. */
async function toTrue(app, deg, from) {
  if (!(deg >= 0 && deg <= 360)) return NaN;
  if (from === 'true') return deg;
  const c = app.item.feature.geometry?.coordinates;
  if (!c) return NaN;
  const { ok } = await ask('bearing', { lon: c[0], lat: c[1], at: now(), magnetic: deg });
  return ok ? Number(ok.true.toFixed(1)) : NaN;
}

function list({ app, item, question: q, box, changed }, { fields, name, fresh, words, none }) {
  const p = item.feature.properties;
  const entries = () => p[q.path[0]] ?? [];
  const show = () => {
    fill(
      box,
      entries().length > 0
        ? h(
            'ul',
            { class: 'entries' },
            entries().map((e, i) =>
              h(
                'li',
                {},
                h('span', {}, words(e)),
                button('Change', () => edit(i), { 'aria-label': `Change ${words(e)}` }),
                button('Take out', () => keep(entries().filter((_, k) => k !== i)), { 'aria-label': `Take out ${words(e)}` }),
              ),
            ),
          )
        : h('p', {}, item.asked?.[q.id] ? none : 'Nothing recorded yet.'),
      button(`Add ${name}`, () => edit(entries().length), { class: 'button first wide-button', id: 'add-entry' }),
      entries().length === 0 && button(none, () => keep([], 'unknown')),
    );
  };
  const keep = async (all, how) => {
    set(p, q.path, all);
    await changed(how);
    show();
    box.querySelector('#add-entry').focus();
  };
  const edit = (i) => {
    const entry = entries()[i] ?? fresh();
    fill(
      box,
      entryForm(app, entries()[i] ? `Change ${name}` : `Add ${name}`, fields(item), entry, (e) => {
        const all = [...entries()];
        all[i] = e;
        keep(all);
      }, show),
    );
    box.querySelector('input, select').focus();
  };
  show();
}

const kinds = [
  { value: 'tree', label: 'tree' }, { value: 'structure', label: 'post, pier or other structure' }, { value: 'rock', label: 'rock' },
  { value: 'vehicle', label: 'vehicle' }, { value: 'deadman', label: 'buried deadman' },
];
const grades = ['tested here', 'tested in this ground', 'handbook', 'mechanics', 'assumed'];

export function anchors(asked) {
  const p = asked.item.feature.properties;
  list(asked, {
    name: 'an anchor',
    none: 'Nothing else here',
    fresh: () => {
      const taken = (p.anchors ?? []).map((a) => a.id);
      let n = 1;
      while (taken.includes(`N${n}`)) n++;
      return { id: `N${n}`, kind: 'tree' };
    },
    words: (a) => [a.id, a.kind, a.material, a.diameter_mm !== undefined && show(a.diameter_mm, unitsOf('thickness', asked.app.units)[0], 'thickness') + ' ' + unitsOf('thickness', asked.app.units)[0], a.condition].filter(Boolean).join(', '),
    fields: () => [
      { key: 'id', title: 'Mark', kind: 'text', most: 20, need: true },
      { key: 'kind', title: 'What it is', kind: 'words', options: kinds, need: true },
      { key: 'bearing_deg', title: 'Bearing from the point', kind: 'bearing' },
      { key: 'distance_m', title: 'Distance from the point', kind: 'length' },
      { key: 'diameter_mm', title: 'Diameter (of a deadman, height of its face)', kind: 'thickness' },
      { key: 'depth_m', title: 'Deadman: depth to the middle of its face', kind: 'length' },
      { key: 'length_m', title: 'Deadman: length across the pull', kind: 'length' },
      { key: 'material', title: 'Material or species', kind: 'text', most: 100 },
      { key: 'condition', title: 'Condition: living, rooted, sound, embedded…', kind: 'text', most: 200 },
      { key: 'rated_kn', title: 'Rated strength, if it is known', kind: 'force' },
      { key: 'evidence', title: 'Where the rating comes from', kind: 'words', options: grades },
      { key: 'note', title: 'Note', kind: 'text', most: 2000 },
    ],
  });
}

export function pulls(asked) {
  const { app } = asked;
  list(asked, {
    name: 'a pull test',
    none: 'Nothing was pulled',
    fresh: () => ({ at: now(), outcome: 'held' }),
    words: (t) => [t.rig, `${show(t.force_kn, unitsOf('force', app.units)[0], 'force')} ${unitsOf('force', app.units)[0]}`, t.outcome].join(', '),
    fields: (item) => [
      {
        key: 'rig', title: 'What was pulled', kind: 'words', need: true,
        options: [...app.area.policy.ratings.map((r) => ({ value: r.rig, label: `stakes ${r.rig}` })), ...(item.feature.properties.anchors ?? []).map((a) => ({ value: a.id, label: `${a.id}, ${a.kind}` }))],
      },
      { key: 'force_kn', title: 'Greatest force reached', kind: 'force', need: true },
      { key: 'outcome', title: 'How it ended', kind: 'words', options: ['held', 'moved', 'failed'], need: true },
      { key: 'movement_mm', title: 'Movement', kind: 'thickness' },
      { key: 'bearing_deg', title: 'Pulled towards', kind: 'bearing' },
      { key: 'moisture', title: 'Ground on that day', kind: 'words', options: ['dry', 'moist', 'wet', 'submerged', 'frozen'] },
      { key: 'instrument', title: 'Instrument', kind: 'text', most: 100 },
      { key: 'note', title: 'Note', kind: 'text', most: 2000 },
    ],
  });
}
