import {
  Map as OLMap, View, Feature, Point, VectorLayer, VectorSource, GeoJSON, bboxStrategy, ScaleLine, Zoom, Stroke, Fill, Circle, Style, Text,
  fromLonLat, toLonLat, transformExtent, defaultInteractions,
} from '../lib/ol.js';
import { readInk } from './ink.js';
import { drawPoint } from './symbol.js';
import { roleStyle, order, gridStyle } from './roles.js';
import { ledger, verdict } from './ledger.js';

const box = document.getElementById('map');
const format = new GeoJSON({ featureProjection: 'EPSG:3857' });
let ink = readInk();
let chosen = null; // id of the point chosen on the map
let hinted = null; // id of the point under the pointer or the focus in the ledger

/** Fetches GeoJSON, following next links up to a few pages. */
async function fetchFeatures(href, pages = 4) {
  const features = [];
  let total;
  for (let url = href; url && pages-- > 0; ) {
    const answer = await fetch(url, { headers: { Accept: 'application/geo+json' } });
    if (!answer.ok) throw new Error(`${url}: ${answer.status}`);
    const doc = await answer.json();
    features.push(...format.readFeatures(doc));
    total ??= doc.numberMatched;
    url = doc.links?.find((l) => l.rel === 'next')?.href;
  }
  return { features, total: total ?? features.length };
}

/** A source that loads what the view needs from an address taking a bbox. */
function loading(href, failed) {
  const source = new VectorSource({
    strategy: bboxStrategy,
    loader(extent, _resolution, _projection, success, failure) {
      const bbox = clamp(transformExtent(extent, 'EPSG:3857', 'EPSG:4326'));
      const url = new URL(href, location.href);
      url.searchParams.set('bbox', bbox.map((v) => v.toFixed(6)).join(','));
      fetchFeatures(url.href).then(
        ({ features, total }) => {
          source.addFeatures(features);
          // What did not fit in the answer is asked for again when zoomed in.
          const all = features.length >= total;
          if (!all) source.removeLoadedExtent(extent);
          more(href, !all);
          success(features);
        },
        (err) => {
          source.removeLoadedExtent(extent);
          failure();
          failed(err);
        },
      );
    },
  });
  return source;
}

const clamp = ([w, s, e, n]) => [Math.max(w, -180), Math.max(s, -85), Math.min(e, 180), Math.min(n, 85)];

const message = document.getElementById('map-message');
function failed(err) {
  message.textContent = 'Part of the map could not be loaded. The list beside it is complete.';
  message.hidden = false;
  console.warn(err);
}

const partial = new Set();
function more(href, cut) {
  if (cut) partial.add(href);
  else partial.delete(href);
  const note = document.getElementById('map-more');
  note.hidden = partial.size === 0;
}

// Layers, each with its checkbox.
const toggles = [...document.querySelectorAll('input[data-layer]')].sort(
  (a, b) => order.indexOf(a.dataset.role) - order.indexOf(b.dataset.role),
);
const base = toggles.map((toggle) => {
  const layer = new VectorLayer({
    source: loading(toggle.dataset.href, failed),
    style: roleStyle(toggle.dataset.role, ink),
    visible: toggle.checked,
    maxResolution: 40,
  });
  toggle.addEventListener('change', () => layer.setVisible(toggle.checked));
  return { layer, role: toggle.dataset.role };
});

// Grid lines are asked for anew with every view, at the spacing that fits it.
const grid = new VectorLayer({ source: new VectorSource(), style: gridStyle(ink) });
const gridToggle = document.getElementById('grid-toggle');
gridToggle.addEventListener('change', () => grid.setVisible(gridToggle.checked));

// Points. From afar they are small and the sites are named instead.
const far = 3.5; // metres of the projection per pixel
const pointSource = loading(box.dataset.points, failed);
const rank = { no: 0, unknown: 1, short: 2, holds: 3 };
const points = new VectorLayer({
  source: pointSource,
  renderOrder: (a, b) => rank[a.get('verdict')] - rank[b.get('verdict')],
  style: new Style({
    renderer(at, state) {
      const p = state.feature.getProperties();
      drawPoint(state.context, at, p, ink, {
        ratio: state.pixelRatio,
        rotation: state.rotation,
        chosen: p.id === chosen || p.id === hinted,
        small: state.resolution > far,
        named: state.resolution < 1.5,
      });
    },
  }),
});

// The name of each site at the middle of its points.
const names = new VectorLayer({
  source: new VectorSource(),
  minResolution: far,
  declutter: true,
  style: (f) =>
    new Style({
      text: new Text({
        text: f.get('name'),
        font: '700 14px Next, sans-serif',
        offsetY: -16,
        fill: new Fill({ color: ink.ink }),
        stroke: new Stroke({ color: ink.land, width: 4 }),
      }),
    }),
});

function nameSites() {
  const sites = new Map();
  for (const f of pointSource.getFeatures()) {
    const p = f.getProperties();
    if (!sites.has(p.site)) sites.set(p.site, { name: p.site_name, at: [] });
    sites.get(p.site).at.push(p.geometry.getCoordinates());
  }
  names.getSource().clear(true);
  names.getSource().addFeatures(
    [...sites.values()].map(({ name, at }) => {
      const mean = (i) => at.reduce((sum, c) => sum + c[i], 0) / at.length;
      return new Feature({ name, geometry: new Point([mean(0), mean(1)]) });
    }),
  );
}

// The place that was searched for.
const found = new VectorLayer({
  source: new VectorSource(),
  style: () =>
    new Style({
      image: new Circle({ radius: 9, stroke: new Stroke({ color: ink.focus, width: 4 }), fill: new Fill({ color: 'transparent' }) }),
    }),
});

const view = new View({ maxZoom: 21, minZoom: 3, enableRotation: false });
const map = new OLMap({
  target: box,
  layers: [grid, ...base.map((b) => b.layer), points, names, found],
  view,
  controls: [
    new Zoom({ zoomInTipLabel: 'Zoom in', zoomOutTipLabel: 'Zoom out' }),
    new ScaleLine({ units: 'metric', minWidth: 80 }),
    ...(box.dataset.units === 'us' ? [new ScaleLine({ units: 'us', minWidth: 80, className: 'ol-scale-us' })] : []),
  ],
  interactions: defaultInteractions({ altShiftDragRotate: false, pinchRotate: false }),
});

const lonLat = (text) => text.split(',').map(Number);

/** Opens where the address says, else on what was found, else on the whole atlas. */
function open() {
  const m = /^#([\d.]+)\/(-?[\d.]+)\/(-?[\d.]+)$/.exec(location.hash);
  if (m) {
    view.setZoom(Number(m[1]));
    view.setCenter(fromLonLat([Number(m[3]), Number(m[2])]));
  } else if (box.dataset.at) {
    view.setCenter(fromLonLat(lonLat(box.dataset.at)));
    view.setZoom(17);
  } else {
    view.fit(transformExtent(lonLat(box.dataset.bounds), 'EPSG:4326', 'EPSG:3857'), {
      size: map.getSize(),
      padding: [60, 60, 60, 60],
      maxZoom: 18,
    });
  }
}
if (box.dataset.at) found.getSource().addFeature(new Feature(new Point(fromLonLat(lonLat(box.dataset.at)))));
open();
window.addEventListener('hashchange', open);

// The ledger follows the view.
const list = ledger(document.getElementById('ledger'), document.getElementById('counted'), (id) => {
  if (hinted !== id) {
    hinted = id;
    points.changed();
  }
});

const byName = new Intl.Collator(document.documentElement.lang, { numeric: true }).compare;

function inView() {
  const extent = view.calculateExtent(map.getSize());
  const all = pointSource.getFeaturesInExtent(extent).map((f) => f.getProperties());
  all.sort((a, b) => byName(a.site_name, b.site_name) || rank[b.verdict] - rank[a.verdict] || byName(a.label, b.label));
  list.show(all, all.length);
}

// The centre of the map as a grid reference, and the grid lines for the view.
const place = document.getElementById('place');
let asked;
async function settle() {
  asked?.abort();
  asked = new AbortController();
  const [lon, lat] = toLonLat(view.getCenter());
  history.replaceState(null, '', `${location.pathname}${location.search}#${view.getZoom().toFixed(2)}/${lat.toFixed(5)}/${lon.toFixed(5)}`);
  const bbox = clamp(transformExtent(view.calculateExtent(map.getSize()), 'EPSG:3857', 'EPSG:4326'));
  try {
    const [where, lines] = await Promise.all([
      fetch(`/api/convert?position=${lat.toFixed(6)},${lon.toFixed(6)}`, { signal: asked.signal }).then((r) => (r.ok ? r.json() : null)),
      fetch(`/map/grid?bbox=${bbox.map((v) => v.toFixed(6)).join(',')}`, { signal: asked.signal }).then((r) => (r.ok ? r.json() : null)),
    ]);
    if (where) place.textContent = `centre ${where.usng}`;
    if (lines) {
      const source = grid.getSource();
      source.clear(true);
      source.addFeatures(format.readFeatures(lines));
    }
  } catch (err) {
    if (err.name !== 'AbortError') failed(err);
  }
}

map.on('moveend', () => {
  inView();
  settle();
});
pointSource.on('featuresloadend', () => {
  inView();
  nameSites();
});

// A point chosen on the map shows its card.
const card = document.getElementById('card');
function choose(p) {
  chosen = p?.id ?? null;
  card.hidden = !p;
  list.choose(chosen);
  if (p) {
    card.querySelector('h2').textContent = `${p.site_name}, ${p.label}`;
    card.querySelector('.verdict').replaceWith(verdict(p.verdict));
    card.querySelector('.sentence').textContent = p.sentence;
    card.querySelector('.to-point').href = p.href;
    card.querySelector('.to-site').href = p.site_href;
  }
  points.changed();
}

/** The point under a finger: the nearest one within 24 px. */
function under(e) {
  const f = pointSource.getClosestFeatureToCoordinate(e.coordinate);
  if (!f) return undefined;
  const [x, y] = map.getPixelFromCoordinate(f.getGeometry().getCoordinates());
  return Math.hypot(x - e.pixel[0], y - e.pixel[1]) <= 24 ? f.getProperties() : undefined;
}
map.on('singleclick', (e) => choose(under(e)));
map.on('pointermove', (e) => {
  if (!e.dragging) box.style.cursor = under(e) ? 'pointer' : '';
});
document.getElementById('card-close').addEventListener('click', () => choose(null));
document.addEventListener('keydown', (e) => {
  if (e.key === 'Escape') choose(null);
});

// Day and night may change while the page is open.
matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => {
  ink = readInk();
  for (const b of base) b.layer.setStyle(roleStyle(b.role, ink));
  grid.setStyle(gridStyle(ink));
  points.changed();
  names.changed();
  found.changed();
});
document.fonts?.ready.then(() => points.changed());
map.on('rendercomplete', () => {
  box.dataset.ready = 'true';
});
