import { Map as OLMap, View, Feature, Point, VectorLayer, VectorSource, ScaleLine, Zoom, Stroke, Fill, Circle, Style, fromLonLat, toLonLat, transformExtent, defaultInteractions } from '../lib/ol.js';
import { readInk } from './ink.js';
import { groundLayers } from './layers.js';
import { pointLayers } from './points.js';
import { ledger } from './ledger.js';
import { casualty } from './casualty.js';
import { measure } from './measure.js';
import { reach } from './reach.js';
import { readView, writeView } from './state.js';
import { degrees } from './view.js';
import { put } from './part.js';
import { texts } from './words.js';

const box = document.getElementById('map');
let colours = readInk();
const ink = () => colours;

const message = document.getElementById('map-message');
function failed(err) {
  message.textContent = texts.mapInPart;
  message.hidden = false;
  console.warn(err);
}
const told = { failed };

const say = document.getElementById('map-say');
let tool = null;
const sayings = {
  casualty: texts.pressCasualty,
  measure: texts.pressPlaces,
};

// Layers, from the ground up.
const ground = groundLayers(box, ink, { failed, switched: () => settle() });
const banks = reach(ink, { failed, changed: () => settle() });
const points = pointLayers(ink, { failed, loaded: () => (message.hidden = true) });
const centre = () => {
  const [lon, lat] = toLonLat(view.getCenter());
  return `${lat.toFixed(6)}, ${lon.toFixed(6)}`;
};
const question = casualty(ink, {
  failed,
  centre,
  placed(at, anchors) {
    const all = [at, ...anchors];
    const extent = [0, 1].map((i) => Math.min(...all.map((p) => p[i]))).concat([0, 1].map((i) => Math.max(...all.map((p) => p[i]))));
    view.fit(extent, { size: map.getSize(), padding: [90, 70, 90, 70], maxZoom: 19 });
  },
});
const ruler = measure(ink, {
  failed,
  centre,
  measured(text) {
    say.textContent = text || (tool ? sayings[tool] : '');
    say.hidden = !say.textContent;
  },
});

// The place that was searched for.
const found = new VectorLayer({
  source: new VectorSource(),
  style: () => new Style({ image: new Circle({ radius: 11, stroke: new Stroke({ color: colours.focus, width: 4 }), fill: new Fill({ color: 'transparent' }) }) }),
});

const view = new View({ maxZoom: 21, minZoom: 3, enableRotation: false });
const map = new OLMap({
  target: box,
  layers: [...ground.layers, banks.layer, question.layer, ...points.layers, ruler.layer, found],
  view,
  controls: [
    new Zoom({ zoomInTipLabel: texts.zoomIn, zoomOutTipLabel: texts.zoomOut }),
    new ScaleLine({ units: 'metric', minWidth: 80 }),
    ...(box.dataset.units === 'us' ? [new ScaleLine({ units: 'us', minWidth: 80, className: 'ol-scale-us' })] : []),
  ],
  interactions: defaultInteractions({ altShiftDragRotate: false, pinchRotate: false }),
});

const lonLat = (text) => text.split(',').map(Number);

/** Opens where the address says, else on what was found, else on the whole atlas. */
function open() {
  const seen = readView();
  if (seen) {
    view.setZoom(seen.zoom);
    view.setCenter(fromLonLat([seen.lon, seen.lat]));
    if (seen.layers) ground.switchTo(seen.layers);
  } else if (box.dataset.at) {
    view.setCenter(fromLonLat(lonLat(box.dataset.at)));
    view.setZoom(17.5);
  } else {
    view.fit(transformExtent(lonLat(box.dataset.bounds), 'EPSG:4326', 'EPSG:3857'), { size: map.getSize(), padding: [60, 60, 60, 60], maxZoom: 18 });
  }
}
if (box.dataset.at && !document.getElementById('casualty').dataset.at) found.getSource().addFeature(new Feature(new Point(fromLonLat(lonLat(box.dataset.at)))));
open();
window.addEventListener('hashchange', open);

// The ledger follows the view.
const list = ledger(
  document.getElementById('ledger-part'),
  (id) => points.mark({ hinted: id }),
  failed,
);

const place = document.getElementById('place');
const print = document.getElementById('print-view');
let asking = null;

/** Whether everything that there is lies in a view. */
function whole(bbox) {
  const [w, s, e, n] = lonLat(bbox);
  const [west, south, east, north] = lonLat(box.dataset.bounds);
  return 'whole' in box.dataset && w <= west && s <= south && e >= east && n >= north;
}

/** Brings everything in step with where the map has come to rest. */
async function settle() {
  const extent = view.calculateExtent(map.getSize());
  const [lon, lat] = toLonLat(view.getCenter());
  const zoom = view.getZoom();
  writeView({ zoom, lat, lon, layers: ground.on() });
  const bbox = degrees(extent);
  const query = new URLSearchParams(location.search);
  print.href = `/map/print?bbox=${bbox}${query.get('casualty') ? `&casualty=${encodeURIComponent(query.get('casualty'))}` : ''}`;
  points.view.show(extent, zoom);
  banks.show(extent, zoom);
  ground.show(extent, zoom, view.getResolution(), lat);
  list.show(bbox, whole(bbox));
  asking?.abort();
  asking = new AbortController();
  try {
    const answer = await fetch(`/api/convert?position=${lat.toFixed(6)},${lon.toFixed(6)}`, { signal: asking.signal });
    if (answer.ok) place.textContent = texts.centre((await answer.json()).usng);
  } catch (err) {
    if (err.name !== 'AbortError') failed(err);
  }
}
map.on('moveend', settle);
// Coming to rest is told from the second frame on, and nothing else may ask for one.
map.once('postrender', () => {
  performance.mark('map-live');
  map.render();
});

// What is under a finger shows its card; a tool takes the press for itself.
const card = document.getElementById('card');
async function show(href, id = null) {
  points.mark({ chosen: id });
  list.choose(id);
  try {
    if (await put(card, href)) card.hidden = false;
  } catch (err) {
    failed(err);
  }
}
function close() {
  card.hidden = true;
  points.mark({ chosen: null });
  list.choose(null);
}
function take(name) {
  tool = tool === name ? null : name;
  for (const t of Object.keys(sayings)) document.getElementById(`tool-${t}`).setAttribute('aria-pressed', String(tool === t));
  say.hidden = !tool;
  say.textContent = tool ? sayings[tool] : '';
  box.classList.toggle('aiming', tool !== null);
}
for (const t of Object.keys(sayings)) document.getElementById(`tool-${t}`).addEventListener('click', () => take(t));
document.getElementById('tools').hidden = false;

const latLon = (coordinate) => {
  const [lon, lat] = toLonLat(coordinate);
  return `${lat.toFixed(6)}, ${lon.toFixed(6)}`;
};

/** Answers a press at a place. */
function press(coordinate, p) {
  if (tool === 'casualty') {
    take(null);
    close();
    question.here(latLon(coordinate)).then(settle);
  } else if (tool === 'measure') ruler.add(latLon(coordinate));
  else if (p?.count) zoomInto(p.bounds, coordinate);
  else if (p) show(`/map/here?point=${encodeURIComponent(p.id)}`, p.id);
  else {
    const [lon, lat] = toLonLat(coordinate);
    const within = view.getResolution() * Math.cos((lat * Math.PI) / 180) * 12;
    show(`/map/here?at=${lon.toFixed(7)},${lat.toFixed(7)}&within_m=${within.toFixed(1)}&layers=${ground.on().join(',')}`);
  }
}

function zoomInto(bounds, coordinate) {
  const extent = transformExtent(bounds, 'EPSG:4326', 'EPSG:3857');
  const motion = matchMedia('(prefers-reduced-motion: reduce)').matches ? 0 : 250;
  if (extent[0] === extent[2] && extent[1] === extent[3]) view.animate({ center: coordinate, zoom: view.getZoom() + 2, duration: motion });
  else view.fit(extent, { size: map.getSize(), padding: [80, 80, 80, 80], maxZoom: Math.max(20, view.getZoom() + 1), duration: motion });
}

map.on('singleclick', (e) => press(e.coordinate, tool ? undefined : points.under(map, e)));
map.on('pointermove', (e) => {
  if (!e.dragging && !tool) box.style.cursor = points.under(map, e) ? 'pointer' : '';
});
// A long press, or the other button, sets the casualty without a tool.
map.getViewport().addEventListener('contextmenu', (e) => {
  e.preventDefault();
  close();
  question.here(latLon(map.getEventCoordinate(e))).then(settle);
});
card.addEventListener('click', (e) => {
  const { casualty: at, measure: from } = e.target.dataset;
  if ('close' in e.target.dataset) close();
  if (at) question.here(at).then(settle);
  if (from) {
    ruler.add(from);
    if (tool !== 'measure') take('measure');
  }
  if (at || from) close();
});
document.addEventListener('keydown', (e) => {
  if (e.key === 'Escape') {
    close();
    if (tool) take(null);
  }
});
box.addEventListener('keydown', (e) => {
  if (e.key !== 'Enter' || e.target !== box) return;
  const pixel = map.getSize().map((v) => v / 2);
  press(view.getCenter(), tool ? undefined : points.under(map, { coordinate: view.getCenter(), pixel }));
});

const copy = document.getElementById('copy-address');
copy.hidden = !navigator.clipboard;
copy.addEventListener('click', async () => {
  await navigator.clipboard.writeText(location.href);
  document.getElementById('copied').textContent = texts.copied;
});

// Day and night may change while the page is open.
matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => {
  colours = readInk();
  ground.paint();
  for (const part of [banks, question, ruler, points]) part.redraw();
  found.changed();
});
document.fonts?.ready.then(() => points.redraw());
map.on('rendercomplete', () => {
  if (!box.dataset.ready) performance.mark('map-ready');
  box.dataset.ready = 'true';
});
