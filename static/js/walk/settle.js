import { h, button, fill, moment } from './dom.js';
import { canonical, copy, set } from './feature.js';
import { texts } from './words.js';

// What is one statement and must not be half of yours and half of theirs: a
// bearing with its north, a locate with its date, a line with its distance.
const whole = ['/properties/pull', '/properties/buried_utilities', '/properties/overhead', '/properties/review', '/properties/water'];
const place = '/geometry'; // with how well it is known

/** The values of a feature by their path; lists and whole statements are one value. */
export function leaves(feature) {
  const out = {};
  const walk = (v, path) => {
    if (v && typeof v === 'object' && !Array.isArray(v) && !whole.includes(path)) for (const k of Object.keys(v)) walk(v[k], `${path}/${k}`);
    else out[path] = v;
  };
  const { position, ...properties } = feature?.properties ?? {};
  walk(properties, '/properties');
  if (feature?.geometry) out[place] = { geometry: feature.geometry, position };
  return out;
}

/** What lists of entries hold between them, each once, yours after theirs. */
export function union(theirs = [], yours = []) {
  const seen = new Set();
  const ids = new Set();
  return [...theirs, ...yours].filter((v) => {
    const text = canonical(v);
    if (seen.has(text) || (v?.id && ids.has(v.id))) return false;
    seen.add(text);
    if (v?.id) ids.add(v.id);
    return true;
  });
}

/**
 * What two versions differ in, and what is chosen to begin with: whoever changed
 * the common base alone; nothing where both did. Lists may also be joined.
 * @returns {{path: string, yours: any, theirs: any, choice: 'yours' | 'theirs' | 'both' | ''}[]}
 */
export function differences(base, yours, theirs) {
  const [b, y, t] = [base, yours, theirs].map(leaves);
  const paths = [...new Set([...Object.keys(y), ...Object.keys(t)])].sort();
  return paths
    .filter((path) => canonical(y[path]) !== canonical(t[path]))
    .map((path) => {
      const mine = !base || canonical(y[path]) !== canonical(b[path]);
      const other = !base || canonical(t[path]) !== canonical(b[path]);
      let choice = '';
      if (base && mine && !other) choice = 'yours';
      else if (base && other && !mine) choice = 'theirs';
      return { path, yours: y[path], theirs: t[path], choice };
    });
}

/** The feature that the choices make of theirs. */
export function merged(theirs, chosen) {
  const out = copy(theirs);
  for (const { path, yours, theirs: other, choice } of chosen) {
    if (choice === 'theirs') continue;
    const value = choice === 'both' ? union(other, yours) : yours;
    if (path === place) {
      out.geometry = value?.geometry ?? null;
      set(out.properties, ['position'], value?.position);
      continue;
    }
    set(out.properties, path.split('/').slice(2), value);
  }
  return out;
}

const units = { _m: 'm', _mm: 'mm', _deg: '°', _kn: 'kN', _kv: 'kV' };
const unit = (path) => Object.keys(units).find((end) => path.endsWith(end)) ?? '';

const title = (path) => {
  if (path === place) return 'position';
  const end = unit(path);
  return path.replace('/properties/', '').slice(0, end ? -end.length : undefined).replaceAll('/', ', ').replaceAll('_', ' ');
};

const words = (v, path) => {
  if (v === undefined) return texts.notRecorded;
  if (path === place) {
    const { source, accuracy_m: accuracy } = v.position ?? {};
    return [v.geometry.coordinates.slice(0, 2).map((n) => n.toFixed(6)).reverse().join(', '), source, accuracy !== undefined && texts.within(`${accuracy} m`)].filter(Boolean).join(', ');
  }
  if (Array.isArray(v)) return v.map((e) => (typeof e === 'object' ? Object.values(e).filter((x) => typeof x !== 'object').join(' ') : e)).join('; ') || 'none';
  if (typeof v === 'object') return Object.entries(v).map(([k, x]) => `${title(`/properties/${k}`)} ${words(x, k)}`).join(', ');
  if (/^\d{4}-\d\d-\d\dT/.test(v)) return moment(v);
  return [v, units[unit(path)]].filter((x) => x !== undefined).join(' ').replace(' °', '°');
};

/** The screen where two versions of one item become one. */
export function settleView(app, root, id) {
  const item = app.items.find((i) => i.id === id);
  if (!item || item.state !== 'conflict') {
    fill(root, h('h1', {}, texts.nothingToSettle), h('p', {}, h('a', { href: '#outbox' }, texts.toTheOutbox)));
    return;
  }
  const name = item.feature.properties.label ?? item.feature.properties.name ?? 'this';
  if (!item.current) {
    fill(
      root,
      h('h1', {}, texts.wasTakenOut(name)),
      h('p', {}, texts.tookItOut),
      h('div', { class: 'actions' }, button(texts.putItBack, () => resend({ etag: null, base: null }), { class: 'button first' }), button(texts.leaveItOut, () => resend({ state: 'draft' }))),
    );
    return;
  }
  const rows = differences(item.base, item.feature, item.current);
  const error = h('p', { class: 'wrong', role: 'alert' });
  async function resend(how) {
    Object.assign(item, { state: 'waiting', current: undefined, currentEtag: undefined, reason: '', ...how });
    await app.keep(item);
    location.hash = '#outbox';
    if (item.state === 'waiting') app.sendSoon();
  }
  const option = (row, i, value, label, shown) =>
    h('label', { class: 'choice' }, h('input', { type: 'radio', name: `row-${i}`, value, checked: row.choice === value, onchange: () => (row.choice = value) }), h('span', {}, h('b', {}, label), h('span', {}, shown)));
  fill(
    root,
    h('h1', {}, texts.twoVersionsOf(name)),
    h('p', { class: 'lede' }, texts.chooseByValue),
    h(
      'form',
      {
        onsubmit: (e) => {
          e.preventDefault();
          const open = rows.findIndex((r) => !r.choice);
          if (open >= 0) {
            error.textContent = texts.chooseFor(title(rows[open].path));
            root.querySelector(`input[name="row-${open}"]`).focus();
            return;
          }
          resend({ feature: merged(item.current, rows), base: item.current, etag: item.currentEtag });
        },
      },
      rows.map((row, i) =>
        h(
          'fieldset',
          { class: 'choices versions' },
          h('legend', {}, title(row.path)),
          option(row, i, 'yours', texts.yours, words(row.yours, row.path)),
          option(row, i, 'theirs', texts.theirs, words(row.theirs, row.path)),
          (Array.isArray(row.yours) || Array.isArray(row.theirs)) && option(row, i, 'both', texts.both, words(union(row.theirs, row.yours), row.path)),
        ),
      ),
      rows.length === 0 && h('p', {}, texts.theyDoNotDiffer),
      error,
      h('div', { class: 'actions' }, h('button', { class: 'button first' }, texts.sendWhatIChose)),
    ),
  );
}
