// The map of the area, drawn from what was taken along.
import { Circle, Feature, Fill, GeoJSON, Map as OLMap, Point, ScaleLine, Stroke, Style, Text, VectorLayer, VectorSource, View, Zoom, defaultInteractions, fromLonLat, toLonLat, transformExtent } from '../../lib/ol.js';
import { drawPoint } from '../symbol.js';
import { readInk } from '../ink.js';
import { gridStyle, order, roleStyle } from '../roles.js';
import { ask, now } from './engine.js';
import { h, button, fill, verdict } from './dom.js';
import { texts } from './words.js';

const format = new GeoJSON({ featureProjection: 'EPSG:3857' });

async function chart(app, target, at) {
  const ink = readInk();
  const base = [...app.area.layers]
    .sort((a, b) => order.indexOf(a.role) - order.indexOf(b.role))
    .map((l) => new VectorLayer({ source: new VectorSource({ features: format.readFeatures({ type: 'FeatureCollection', features: l.features }) }), style: roleStyle(l.role, ink) }));
  const grid = new VectorLayer({ source: new VectorSource(), style: gridStyle(ink) });
  const points = new VectorLayer({
    source: new VectorSource(),
    style: new Style({
      renderer(c, state) {
        const p = state.feature.getProperties();
        drawPoint(state.context, c, p, ink, { ratio: state.pixelRatio, rotation: state.rotation, chosen: p.id === app.item?.id, small: state.resolution > 3.5, named: state.resolution < 1.5 });
      },
    }),
  });
  const [w, s, e, n] = app.area.bounds;
  const view = new View({ maxZoom: 21, minZoom: 5, enableRotation: false });
  const map = new OLMap({
    target, layers: [grid, ...base, points], view,
    controls: [new Zoom({ zoomInTipLabel: texts.zoomIn, zoomOutTipLabel: texts.zoomOut }), new ScaleLine({ units: app.units === 'us' ? 'us' : 'metric', minWidth: 80 })],
    interactions: defaultInteractions({ altShiftDragRotate: false, pinchRotate: false }),
  });
  if (at) {
    view.setCenter(fromLonLat(at));
    view.setZoom(18);
  } else {
    view.fit(transformExtent([w, s, e, n], 'EPSG:4326', 'EPSG:3857'), { padding: [20, 20, 20, 20], maxZoom: 18, size: map.getSize() });
  }
  map.on('moveend', async () => {
    const box = transformExtent(view.calculateExtent(map.getSize()), 'EPSG:3857', 'EPSG:4326');
    const { ok } = await ask('grid', { bbox: box });
    grid.getSource().clear(true);
    grid.getSource().addFeatures((ok ?? []).map((l) => format.readFeature({ type: 'Feature', geometry: { type: 'LineString', coordinates: l.shape }, properties: { label: l.label, major: l.major } })));
  });
  drawPoints(app, points.getSource());
  app.onleave(() => map.setTarget(null));
  return { map, view, points: points.getSource(), ink };
}

/** Draws the points on this device, judged by its own engine. */
async function drawPoints(app, source) {
  const { ok } = await ask('points', { as_of: now() });
  const short = new Map((ok ?? []).map((one) => [one.id, one]));
  for (const item of app.items.filter((i) => i.kind === 'points' && i.feature.geometry)) {
    const r = await ask('answer', { point: item.feature, as_of: now() });
    if (r.ok) short.set(item.id, { id: item.id, class: r.ok.answer.ground.class, verdict: r.ok.answer.verdict, sentence: r.ok.answer.sentence, bearing: r.ok.answer.pull.true_deg });
  }
  source.clear(true);
  source.addFeatures(
    app.points().filter((f) => f.geometry).map((f) => {
      const one = short.get(f.id) ?? { class: 'unknown', verdict: 'unknown', sentence: '' };
      return new Feature({ ...one, id: f.id, label: f.properties.label ?? '', site: f.properties.site, geometry: new Point(fromLonLat(f.geometry.coordinates)) });
    }),
  );
}

/** The map as a room: choose a point to see or to survey it again. */
export async function mapView(app, root) {
  const box = h('div', { class: 'map walk-map', role: 'group', 'aria-label': texts.mapOfArea, tabindex: '0' });
  const card = h('div', { class: 'found', role: 'status' }, h('p', {}, texts.choosePoint));
  const list = h('ul', { class: 'entries' });
  fill(root, h('h1', {}, texts.mapOfArea), box, card, h('h2', {}, texts.pointsHere), list);
  const { map, points } = await chart(app, box);
  const choose = (p) =>
    fill(
      card,
      h('h2', {}, `${app.siteName(p.site)}, ${p.label}`),
      verdict(p.verdict),
      h('p', {}, p.sentence),
      h('div', { class: 'actions' }, button(texts.surveyItAgain, () => app.edit(p.id), { class: 'button first' })),
    );
  points.on('change', () => {
    box.dataset.points = points.getFeatures().length;
    fill(
      list,
      points.getFeatures().map((f) => f.getProperties()).sort((a, b) => app.siteName(a.site).localeCompare(app.siteName(b.site)) || a.label.localeCompare(b.label, undefined, { numeric: true }))
        .map((p) => h('li', {}, button([verdict(p.verdict), ` ${app.siteName(p.site)}, ${p.label}`], () => choose(p)))),
    );
  });
  map.on('singleclick', (e) => {
    const f = points.getClosestFeatureToCoordinate(e.coordinate);
    if (!f) return;
    const [x, y] = map.getPixelFromCoordinate(f.getGeometry().getCoordinates());
    if (Math.hypot(x - e.pixel[0], y - e.pixel[1]) <= 28) choose(f.getProperties());
  });
  map.once('rendercomplete', () => (box.dataset.ready = 'true'));
}

/** Asks for a place on the map. */
export async function pick(app, root, at, took) {
  const box = h('div', { class: 'map walk-map', role: 'group', 'aria-label': texts.mapToPointOn, tabindex: '0' });
  const note = h('p', { class: 'second' }, texts.tapMap);
  fill(root, box, note, button(texts.takeMiddle, () => take(view.getCenter())));
  const { map, view, ink } = await chart(app, box, at);
  const own = new VectorSource();
  map.addLayer(new VectorLayer({ source: own, style: new Style({ image: new Circle({ radius: 10, stroke: new Stroke({ color: ink.focus, width: 4 }), fill: new Fill({ color: 'transparent' }) }), text: new Text({ text: '+', font: '700 18px Next, sans-serif', fill: new Fill({ color: ink.focus }) }) }) }));
  const take = (c) => {
    own.clear();
    own.addFeature(new Feature(new Point(c)));
    const [lon, lat] = toLonLat(c);
    took(lon, lat);
  };
  map.on('singleclick', (e) => take(e.coordinate));
  map.once('rendercomplete', () => (box.dataset.ready = 'true'));
}
