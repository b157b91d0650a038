import { h, s, button, fill } from './dom.js';
import { ask, now } from './engine.js';
import { set } from './feature.js';
import { length } from './units.js';
import { texts } from './words.js';

const wanted = 10; // fixes before a position is taken for settled
const most = 120;

/** Asks where the point is: by the device, typed, or on the map. */
export function position(asked) {
  const { app, item, box, changed } = asked;
  const p = item.feature.properties;
  const here = h('div', { class: 'found', role: 'status' });
  const notes = h('p', { class: 'wrong', role: 'alert' });
  const live = h('div', { class: 'live' });
  let watch;
  let fixes = [];

  async function show() {
    const c = item.feature.geometry?.coordinates;
    if (!c) {
      fill(here, h('p', {}, texts.noPositionYet));
      return;
    }
    const r = await ask('position', { position: `${c[1]},${c[0]}`, at: now() });
    fill(
      here,
      h('p', {}, h('b', { class: 'grid-ref' }, r.ok?.usng ?? '')),
      h('p', { class: 'second' }, `${c[1].toFixed(6)}, ${c[0].toFixed(6)}`, p.position?.source && ` · ${{ gnss: texts.bySatellite, map: texts.offTheMap, tape: texts.byTape }[p.position.source]}`, p.position?.accuracy_m !== undefined && ` · ${texts.within(length(p.position.accuracy_m, app.units))}`),
    );
  }

  async function take(lon, lat, source, accuracy) {
    item.feature.geometry = { type: 'Point', coordinates: [Number(lon.toFixed(8)), Number(lat.toFixed(8))] };
    set(p, ['position'], source && { source, ...(accuracy === undefined ? {} : { accuracy_m: Number(accuracy.toFixed(1)) }) });
    await changed();
    await show();
  }

  const stop = () => {
    if (watch !== undefined) navigator.geolocation.clearWatch(watch);
    watch = undefined;
  };
  app.onleave(stop);

  async function received(fix) {
    fixes.push({ lon: fix.coords.longitude, lat: fix.coords.latitude, accuracy_m: fix.coords.accuracy });
    const { ok: mean, problem } = await ask('fixes', { fixes });
    if (watch === undefined) return;
    if (!mean) {
      notes.textContent = problem.message;
      return;
    }
    fill(
      live,
      scatter(fixes, mean, app.units),
      h('p', { class: 'count' }, texts.fixes(fixes.length), fixes.length < wanted && texts.standStill(wanted)),
      h('p', {}, texts.accuracySpread(length(mean.accuracy_m, app.units), length(mean.spread_m, app.units))),
      button(texts.takeThisPosition, () => {
        stop();
        fill(live);
        take(mean.lon, mean.lat, 'gnss', mean.accuracy_m);
      }, { class: 'button first' }),
    );
    if (fixes.length >= most) stop();
  }

  function listen() {
    if (!('geolocation' in navigator)) {
      notes.textContent = texts.noPositionHere;
      return;
    }
    stop();
    fixes = [];
    notes.textContent = '';
    fill(live, h('p', {}, texts.listening));
    watch = navigator.geolocation.watchPosition(received, (err) => {
      notes.textContent = err.code === 1 ? texts.positionNotAllowed : texts.noSatellites;
    }, { enableHighAccuracy: true, maximumAge: 0, timeout: 30000 });
  }

  const typed = h('input', { id: 'typed', type: 'text', autocomplete: 'off', maxlength: 200, placeholder: '15T XK 42364 45775' });
  const could = h('ul', { class: 'entries' });
  async function readTyped(text) {
    fill(could);
    notes.textContent = '';
    const { ok, problem } = await ask('position', { position: text, at: now() });
    if (ok) {
      await take(ok.lon, ok.lat); // how it was found, and how well, is not known
      return;
    }
    notes.textContent = problem.message;
    fill(could, (problem.could_be ?? []).map((one) => h('li', {}, button(one, () => readTyped(one)))));
  }

  const chart = h('div', { class: 'pick' });
  async function onMap() {
    const { pick } = await import('./map.js');
    await pick(app, chart, item.feature.geometry?.coordinates, (lon, lat) => take(lon, lat, 'map'));
  }

  fill(
    box,
    here,
    notes,
    button(texts.useThisDevice, listen, { class: 'button first wide-button' }),
    live,
    h('form', { class: 'row', onsubmit: (e) => (e.preventDefault(), readTyped(typed.value)) }, h('div', { class: 'field grow' }, h('label', { for: 'typed' }, texts.orTypePosition), typed), h('button', { class: 'button' }, texts.readIt)),
    could,
    button(texts.orPointOnMap, onMap, { class: 'button wide-button' }),
    chart,
  );
  show();
}

/** The fixes about their mean, with the stated accuracy as a circle. */
function scatter(fixes, mean, units) {
  const size = 160;
  const metre = 111320;
  const xy = fixes.map((f) => [(f.lon - mean.lon) * metre * Math.cos((mean.lat * Math.PI) / 180), (mean.lat - f.lat) * metre]);
  const reach = Math.max(mean.accuracy_m, 1, ...xy.map(([x, y]) => Math.hypot(x, y))) * 1.15;
  const k = size / 2 / reach;
  return s(
    'svg',
    { class: 'scatter', viewBox: `${-size / 2} ${-size / 2} ${size} ${size}`, role: 'img', 'aria-label': texts.fixesWithin(length(reach, units)) },
    s('circle', { r: mean.accuracy_m * k, class: 'accuracy' }),
    xy.map(([x, y]) => s('circle', { cx: x * k, cy: y * k, r: 3, class: 'fix' })),
    s('path', { d: 'M-8 0H8M0-8V8', class: 'mean' }),
  );
}
