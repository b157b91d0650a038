import { h, button, fill } from './dom.js';
import { ask, now } from './engine.js';
import { set } from './feature.js';
import { read, show, unitsOf, unread } from './units.js';
import { texts } from './words.js';

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
      input = h('select', { id }, !f.need && h('option', { value: '' }, texts.notRecorded), f.options.map((o) => h('option', { value: o.value ?? o }, o.label ?? o)));
      input.value = entry[f.key] ?? (f.need ? (f.options[0].value ?? f.options[0]) : '');
    } else if (f.kind === 'text' || f.kind === 'bearing') {
      input = h('input', { id, type: 'text', autocomplete: 'off', maxlength: f.most ?? 200, inputmode: f.kind === 'bearing' ? 'decimal' : null });
      input.value = entry[f.key] ?? '';
      if (f.kind === 'bearing') unit = h('select', { id: `${id}-unit`, 'aria-label': texts.readOffFor(f.title) }, Object.entries(texts.north).map(([value, label]) => h('option', { value }, label)));
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
        error.textContent = f.kind === 'bearing' ? texts.bearingNotRead(f.title) : `${f.title}: ${unread(text)}`;
        input.focus();
        return;
      }
      if (v === undefined && f.need) {
        error.textContent = texts.isMissing(f.title);
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
    h('div', { class: 'actions' }, h('button', { class: 'button first' }, texts.keepIt), button(texts.cancel, cancel)),
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
                button(texts.change, () => edit(i), { 'aria-label': texts.changeEntry(words(e)) }),
                button(texts.takeOut, () => keep(entries().filter((_, k) => k !== i)), { 'aria-label': texts.takeOutEntry(words(e)) }),
              ),
            ),
          )
        : h('p', {}, item.asked?.[q.id] ? none : texts.nothingRecorded),
      button(texts.addEntry(name), () => edit(entries().length), { class: 'button first wide-button', id: 'add-entry' }),
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
      entryForm(app, entries()[i] ? texts.changeEntry(name) : texts.addEntry(name), fields(item), entry, (e) => {
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
  { value: 'tree', label: 'tree' }, { value: 'structure', label: texts.structure }, { value: 'rock', label: 'rock' },
  { value: 'vehicle', label: 'vehicle' }, { value: 'deadman', label: texts.buriedDeadman },
];
const grades = ['tested here', 'tested in this ground', 'handbook', 'mechanics', 'assumed'];

export function anchors(asked) {
  const p = asked.item.feature.properties;
  list(asked, {
    name: texts.anAnchor,
    none: texts.noAnchors,
    fresh: () => {
      const taken = (p.anchors ?? []).map((a) => a.id);
      let n = 1;
      while (taken.includes(`N${n}`)) n++;
      return { id: `N${n}`, kind: 'tree' };
    },
    words: (a) => [a.id, a.kind, a.material, a.diameter_mm !== undefined && show(a.diameter_mm, unitsOf('thickness', asked.app.units)[0], 'thickness') + ' ' + unitsOf('thickness', asked.app.units)[0], a.condition].filter(Boolean).join(', '),
    fields: () => [
      { key: 'id', title: texts.mark, kind: 'text', most: 20, need: true },
      { key: 'kind', title: texts.whatItIs, kind: 'words', options: kinds, need: true },
      { key: 'bearing_deg', title: texts.bearingFromPoint, kind: 'bearing' },
      { key: 'distance_m', title: texts.distanceFromPoint, kind: 'length' },
      { key: 'diameter_mm', title: texts.diameter, kind: 'thickness' },
      { key: 'depth_m', title: texts.deadmanDepth, kind: 'length' },
      { key: 'length_m', title: texts.deadmanLength, kind: 'length' },
      { key: 'material', title: texts.material, kind: 'text', most: 100 },
      { key: 'condition', title: texts.condition, kind: 'text', most: 200 },
      { key: 'rated_kn', title: texts.ratedStrength, kind: 'force' },
      { key: 'evidence', title: texts.ratingFrom, kind: 'words', options: grades },
      { key: 'note', title: texts.note, kind: 'text', most: 2000 },
    ],
  });
}

export function pulls(asked) {
  const { app } = asked;
  list(asked, {
    name: texts.aPullTest,
    none: texts.noPulls,
    fresh: () => ({ at: now(), outcome: 'held' }),
    words: (t) => [t.rig, `${show(t.force_kn, unitsOf('force', app.units)[0], 'force')} ${unitsOf('force', app.units)[0]}`, t.outcome].join(', '),
    fields: (item) => [
      {
        key: 'rig', title: texts.whatWasPulled, kind: 'words', need: true,
        options: [...app.area.policy.ratings.map((r) => ({ value: r.rig, label: texts.stakes(r.rig) })), ...(item.feature.properties.anchors ?? []).map((a) => ({ value: a.id, label: `${a.id}, ${a.kind}` }))],
      },
      { key: 'force_kn', title: texts.greatestForce, kind: 'force', need: true },
      { key: 'outcome', title: texts.howItEnded, kind: 'words', options: ['held', 'moved', 'failed'], need: true },
      { key: 'movement_mm', title: texts.movement, kind: 'thickness' },
      { key: 'bearing_deg', title: texts.pulledTowards, kind: 'bearing' },
      { key: 'moisture', title: texts.groundThatDay, kind: 'words', options: ['dry', 'moist', 'wet', 'submerged', 'frozen'] },
      { key: 'instrument', title: texts.instrument, kind: 'text', most: 100 },
      { key: 'note', title: texts.note, kind: 'text', most: 2000 },
    ],
  });
}
