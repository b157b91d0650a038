import { h, button, fill, radios } from './dom.js';
import { at, set } from './feature.js';
import { now } from './engine.js';
import { read, show, unitsOf, unread } from './units.js';
import { position } from './position.js';
import { bearing } from './bearing.js';
import { anchors, pulls } from './lists.js';
import { photos } from './photos.js';
import { site, hazards } from './site.js';
import { texts } from './words.js';

/**
 * An editor shows one question in a box and calls changed after every answer.
 * @typedef {{app: any, item: any, question: any, box: HTMLElement, changed: (how?: 'unknown') => Promise<void>}} Asked
 * @type {Record<string, (asked: Asked) => void>}
 */
export const editors = {
  choice,
  test,
  readings,
  seen,
  number,
  label,
  who,
  class: groundClass,
  buried,
  overhead,
  position,
  site,
  hazards,
  anchors,
  pulls,
  photos,
  fall: (asked) =>
    bearing(asked, {
      get: () => ({ deg: at(asked.item.feature.properties, ['terrain', 'fall_line_deg']), north: 'true' }),
      set: ({ trueDeg }) => {
        set(asked.item.feature.properties, ['terrain', 'fall_line_deg'], trueDeg);
        set(asked.item.feature.properties, ['terrain', 'source'], trueDeg === undefined ? undefined : 'measured');
      },
    }),
  pull: (asked) =>
    bearing(asked, {
      get: () => ({ deg: at(asked.item.feature.properties, ['pull', 'bearing_deg']), north: at(asked.item.feature.properties, ['pull', 'north']) ?? 'magnetic' }),
      set: ({ deg, north }) => {
        set(asked.item.feature.properties, ['pull'], deg === undefined ? undefined : { bearing_deg: deg, north, source: 'measured' });
      },
    }),
};

const unknown = { value: '?', label: texts.dontKnow, hint: texts.dontKnowHint };

function choice({ item, question: q, box, changed }) {
  const p = item.feature.properties;
  const value = at(p, q.path);
  const chosen = value === undefined || value === 'unknown' ? (item.asked?.[q.id] || value ? '?' : undefined) : value;
  const choose = (v) => {
    set(p, q.path, v === '?' ? q.unknown : v);
    return changed(v === '?' ? 'unknown' : undefined);
  };
  const parts = q.groups ?? [{ options: q.options }];
  fill(
    box,
    parts.map((part) => radios(q.id, { text: part.title ?? q.title, unseen: !part.title }, part.options, chosen, choose)),
    radios(q.id, { text: texts.or, unseen: true }, [unknown], chosen, choose),
  );
}

const testsOf = (p) => p.ground?.tests ?? [];

/** Replaces the tests of a kind and leaves the others as they are. */
function setTests(p, kind, list) {
  set(p, ['ground', 'tests'], [...testsOf(p).filter((t) => t.kind !== kind), ...list]);
}

function test({ item, question: q, box, changed }) {
  const p = item.feature.properties;
  const mine = testsOf(p).filter((t) => t.kind === q.test);
  const chosen = mine.at(-1)?.reading ?? (item.asked?.[q.id] ? '?' : undefined);
  fill(
    box,
    mine.length > 1 && h('p', { class: 'second' }, texts.testsOnRecord(mine.length)),
    radios(q.id, { text: q.title, unseen: true }, [...q.options, { ...unknown, label: texts.notTested }], chosen, (v) => {
      setTests(p, q.test, v === '?' ? [] : [{ kind: q.test, reading: v, at: now() }]);
      return changed(v === '?' ? 'unknown' : undefined);
    }),
  );
}

function readings(asked) {
  const { app, item, question: q, box, changed } = asked;
  const p = item.feature.properties;
  const mine = testsOf(p).filter((t) => t.kind === q.test);
  const input = h('input', { id: 'reading', type: 'text', inputmode: 'decimal', autocomplete: 'off', 'aria-describedby': 'reading-error' });
  const unit = h('select', { id: 'reading-unit' }, ['tsf', 'kPa'].map((u) => h('option', { value: u }, u)));
  unit.value = mine.at(-1)?.unit ?? (app.units === 'us' ? 'tsf' : 'kPa');
  const error = h('p', { id: 'reading-error', class: 'wrong', role: 'alert' });
  const again = async (list, how) => {
    setTests(p, q.test, list);
    await changed(how);
    readings(asked);
    box.querySelector('#reading')?.focus();
  };
  const add = () => {
    const reading = read(input.value);
    if (reading === undefined || Number.isNaN(reading)) {
      error.textContent = reading === undefined ? texts.typeReading : unread(input.value);
      return;
    }
    again([...mine, { kind: q.test, reading, unit: unit.value, at: now() }]);
  };
  fill(
    box,
    mine.length > 0 &&
      h('ul', { class: 'entries' }, mine.map((t, i) => h('li', {}, h('span', {}, `${t.reading} ${t.unit ?? ''}`), button(texts.takeOut, () => again(mine.filter((_, k) => k !== i)), { 'aria-label': texts.takeOutReading(t.reading, t.unit) })))),
    h(
      'form',
      { class: 'row', onsubmit: (e) => (e.preventDefault(), add()) },
      h('div', { class: 'field' }, h('label', { for: 'reading' }, texts.reading), input),
      h('div', { class: 'field' }, h('label', { for: 'reading-unit' }, texts.unit), unit),
      h('button', { class: 'button' }, texts.addReading),
    ),
    error,
    mine.length === 0 && button(texts.notTested, () => again([], 'unknown'), { 'aria-pressed': String(Boolean(item.asked?.[q.id])) }),
  );
}

/** A finding in the surveyor's own words. */
function seen({ item, question: q, box, changed }) {
  const p = item.feature.properties;
  const text = h('textarea', { id: 'seen', rows: 4, maxlength: 200 });
  text.value = testsOf(p).find((t) => t.kind === q.test)?.reading ?? '';
  text.addEventListener('change', () => {
    const words = text.value.trim();
    setTests(p, q.test, words ? [{ kind: q.test, reading: words, at: now() }] : []);
    changed(words ? undefined : 'unknown');
  });
  fill(box, h('label', { for: 'seen' }, texts.ownWords), text);
}

function number(asked) {
  const { app, item, question: q, box, changed } = asked;
  const p = item.feature.properties;
  const units = unitsOf(q.quantity, app.units);
  const input = h('input', { id: 'number', type: 'text', inputmode: 'decimal', autocomplete: 'off', 'aria-describedby': 'number-error number-si' });
  const unit = h('select', { id: 'number-unit' }, units.map((u) => h('option', { value: u }, u)));
  const error = h('p', { id: 'number-error', class: 'wrong', role: 'alert' });
  const si = h('p', { id: 'number-si', class: 'second' });
  const tell = () => {
    const v = at(p, q.path);
    si.textContent = v === undefined ? (item.asked?.[q.id] ? texts.onRecordUnknown : '') : texts.onRecord(units.map((u) => `${show(v, u, q.quantity)}${u === '°' ? '' : ' '}${u}`).join(' = '));
  };
  input.value = show(at(p, q.path), unit.value, q.quantity);
  const take = () => {
    const v = read(input.value, unit.value, q.quantity);
    error.textContent = Number.isNaN(v) ? unread(input.value) : '';
    if (Number.isNaN(v)) return;
    set(p, q.path, v);
    if (q.path[0] === 'terrain' && !p.terrain?.source && v !== undefined) set(p, ['terrain', 'source'], 'measured');
    changed().then(tell);
  };
  input.addEventListener('change', take);
  unit.addEventListener('change', () => {
    if (input.value.trim() !== '') take();
  });
  tell();
  fill(
    box,
    h('div', { class: 'row' }, h('div', { class: 'field' }, h('label', { for: 'number' }, q.title), input), units.length > 1 ? h('div', { class: 'field' }, h('label', { for: 'number-unit' }, texts.unit), unit) : h('span', { class: 'unit' }, 'degrees')),
    error,
    si,
    button(texts.notMeasured, () => {
      set(p, q.path, undefined);
      input.value = '';
      error.textContent = '';
      changed('unknown').then(tell);
    }),
  );
}

function label({ app, item, box, changed }) {
  const p = item.feature.properties;
  const input = h('input', { id: 'label', type: 'text', maxlength: 40, autocomplete: 'off' });
  const taken = app.points().filter((f) => f.properties.site === p.site && f.id !== item.id).map((f) => f.properties.label);
  const note = h('p', { class: 'second', role: 'status' });
  input.value = p.label ?? '';
  const take = () => {
    set(p, ['label'], input.value.trim() || undefined);
    note.textContent = taken.includes(input.value.trim()) ? texts.labelTaken(input.value.trim()) : '';
    changed();
  };
  input.addEventListener('change', take);
  let n = 1;
  while (taken.includes(`P${n}`)) n++;
  fill(
    box,
    h('label', { for: 'label' }, texts.nameOfPoint),
    input,
    !p.label &&
      button(texts.callIt(n), () => {
        input.value = `P${n}`;
        take();
      }),
    note,
  );
}

function who({ app, item, box, changed }) {
  const p = item.feature.properties;
  const name = h('input', { id: 'who', type: 'text', maxlength: 100, autocomplete: 'name' });
  name.value = p.surveyed_by ?? '';
  const when = h('input', { id: 'when', type: 'datetime-local' });
  const local = (iso) => {
    const d = new Date(iso);
    return new Date(d - d.getTimezoneOffset() * 60000).toISOString().slice(0, 16);
  };
  when.value = p.surveyed_at ? local(p.surveyed_at) : '';
  name.addEventListener('change', () => {
    set(p, ['surveyed_by'], name.value.trim() || undefined);
    app.remember('who', name.value.trim());
    changed();
  });
  when.addEventListener('change', () => {
    set(p, ['surveyed_at'], when.value ? new Date(when.value).toISOString().replace(/\.\d+Z$/, 'Z') : undefined);
    changed();
  });
  fill(
    box,
    h('div', { class: 'field' }, h('label', { for: 'who' }, texts.surveyedBy), name),
    h('div', { class: 'field' }, h('label', { for: 'when' }, texts.at), when),
    button(texts.now, () => {
      set(p, ['surveyed_at'], now());
      when.value = local(p.surveyed_at);
      changed();
    }),
    item.base && h('p', { class: 'second' }, texts.surveyingAnew),
  );
}

function groundClass({ app, item, box, changed }) {
  const p = item.feature.properties;
  const found = app.judged?.answer?.ground;
  const reason = h('textarea', { id: 'reason', rows: 3, maxlength: 1000 });
  reason.value = p.ground?.class_reason ?? '';
  reason.addEventListener('change', () => {
    set(p, ['ground', 'class_reason'], reason.value.trim() || undefined);
    changed();
  });
  const computed = found ? (found.written && found.class === found.written ? 'another' : found.class) : undefined;
  fill(
    box,
    h(
      'div',
      { class: 'found' },
      h('p', {}, found ? [texts.fromRecorded, h('b', {}, computed === 'another' ? texts.asWritten(found.class) : found.class), found.provisional && texts.provisional] : texts.positionBeforeClass),
      found?.because && h('ul', { class: 'lines' }, found.because.map((t) => h('li', {}, t))),
      found?.doubts && h('ul', { class: 'lines' }, found.doubts.map((t) => h('li', {}, h('b', {}, t)))),
      found?.settles && [h('p', {}, texts.wouldSettle), h('ul', { class: 'lines' }, found.settles.map((t) => h('li', {}, t)))],
    ),
    radios(
      'class',
      { text: texts.onTheSheet },
      [
        { value: '', label: texts.asWorkedOut, hint: texts.asWorkedOutHint },
        ...['rock', 'A', 'B', 'C'].map((c) => ({ value: c, label: c === 'rock' ? texts.rock : c })),
        { value: 'unknown', label: texts.unknown, hint: texts.unknownHint },
      ],
      p.ground?.class ?? '',
      (v) => {
        set(p, ['ground', 'class'], v || undefined);
        return changed();
      },
    ),
    h('label', { for: 'reason' }, texts.whyItDiffers),
    reason,
  );
}

function buried({ item, question: q, box, changed }) {
  const p = item.feature.properties;
  const state = () => p.buried_utilities?.state;
  const ticket = h('input', { id: 'ticket', type: 'text', maxlength: 100, autocomplete: 'off' });
  ticket.value = p.buried_utilities?.ticket ?? '';
  ticket.addEventListener('change', () => {
    set(p, ['buried_utilities', 'ticket'], ticket.value.trim() || undefined);
    changed();
  });
  const until = h('input', { id: 'until', type: 'date' });
  until.value = p.buried_utilities?.until?.slice(0, 10) ?? '';
  until.addEventListener('change', () => {
    set(p, ['buried_utilities', 'until'], until.value ? `${until.value}T23:59:59Z` : undefined);
    changed();
  });
  fill(
    box,
    radios(
      q.id,
      { text: q.title, unseen: true },
      [
        { value: 'marked clear', label: texts.locatedClear, hint: texts.locatedClearHint },
        { value: 'marked present', label: texts.locatedPresent, hint: texts.locatedPresentHint },
        { value: 'not located', label: texts.notLocated, hint: texts.notLocatedHint },
        { value: 'unknown', label: texts.dontKnow, hint: unknown.hint },
      ],
      state(),
      (v) => {
        set(p, ['buried_utilities', 'state'], v);
        return changed(v === 'unknown' ? 'unknown' : undefined);
      },
    ),
    h('div', { class: 'row' }, h('div', { class: 'field' }, h('label', { for: 'ticket' }, texts.ticket), ticket), h('div', { class: 'field' }, h('label', { for: 'until' }, texts.goodUntil), until)),
  );
}

function overhead(asked) {
  const { app, item, question: q, box, changed } = asked;
  const p = item.feature.properties;
  const measure = (id, title, key, quantity) => {
    const units = unitsOf(quantity, app.units);
    const input = h('input', { id, type: 'text', inputmode: 'decimal', autocomplete: 'off', 'aria-describedby': 'overhead-error' });
    input.value = show(p.overhead?.[key], units[0], quantity);
    input.addEventListener('change', () => {
      const v = read(input.value, units[0], quantity);
      error.textContent = Number.isNaN(v) ? unread(input.value) : '';
      if (Number.isNaN(v)) return;
      set(p, ['overhead', key], v);
      changed();
    });
    return h('div', { class: 'field' }, h('label', { for: id }, `${title} (${units[0]})`), input);
  };
  const error = h('p', { id: 'overhead-error', class: 'wrong', role: 'alert' });
  fill(
    box,
    radios(
      q.id,
      { text: q.title, unseen: true },
      [
        { value: 'none', label: texts.none, hint: texts.lookedUp },
        { value: 'present', label: texts.thereIsOne },
        { value: 'unknown', label: texts.dontKnow, hint: unknown.hint },
      ],
      p.overhead?.state,
      (v) => {
        set(p, ['overhead'], v === 'present' ? { ...p.overhead, state: v } : { state: v });
        return changed(v === 'unknown' ? 'unknown' : undefined).then(() => overhead(asked));
      },
    ),
    p.overhead?.state === 'present' && h('div', { class: 'row' }, measure('kv', texts.voltage, 'kv', 'voltage'), measure('clearance', texts.distanceToWire, 'clearance_m', 'length')),
    error,
  );
}
