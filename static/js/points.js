import { Feature, Fill, Point, Stroke, Style, Text, VectorLayer, VectorSource } from '../lib/ol.js';
import { drawCluster, drawPoint } from './symbol.js';
import { viewSource } from './view.js';

const far = 3.5; // metres of the projection per pixel, beyond which points are small and sites are named
export const badness = { holds: 0, short: 1, unknown: 2, no: 3 }; // the order of the ranking; the worst is drawn on top

/**
 * The points, each for itself or several as one with the worst verdict.
 * @param {() => import('./ink.js').Ink} ink
 */
export function pointLayers(ink, told) {
  let waiting; // for verdicts that are still being worked out
  const marked = { chosen: null, hinted: null };
  const view = viewSource((bbox, zoom) => `/map/points?bbox=${bbox}&zoom=${zoom.toFixed(2)}`, {
    failed: told.failed,
    loaded(doc) {
      nameSites();
      told.loaded(doc);
      clearTimeout(waiting);
      if (doc.unjudged > 0) waiting = setTimeout(() => view.again(), 3000);
    },
  });
  const points = new VectorLayer({
    source: view.source,
    renderOrder: (a, b) => badness[a.get('verdict')] - badness[b.get('verdict')],
    style: new Style({
      renderer(at, state) {
        const p = state.feature.getProperties();
        const how = { ratio: state.pixelRatio, rotation: state.rotation };
        if (p.count) drawCluster(state.context, at, p, ink(), how);
        else
          drawPoint(state.context, at, p, ink(), {
            ...how,
            chosen: p.id === marked.chosen || p.id === marked.hinted,
            small: state.resolution > far,
            named: state.resolution < 1.5,
          });
      },
    }),
  });
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
          fill: new Fill({ color: ink().ink }),
          stroke: new Stroke({ color: ink().land, width: 4 }),
        }),
      }),
  });

  /** Puts the name of each site at the middle of its points. */
  function nameSites() {
    const sites = new Map();
    for (const f of view.source.getFeatures()) {
      const p = f.getProperties();
      if (p.count) continue;
      if (!sites.has(p.site)) sites.set(p.site, { name: p.site_name, at: [] });
      sites.get(p.site).at.push(p.geometry.getCoordinates());
    }
    const mean = (at, i) => at.reduce((sum, c) => sum + c[i], 0) / at.length;
    names.getSource().clear(true);
    names.getSource().addFeatures([...sites.values()].map(({ name, at }) => new Feature({ name, geometry: new Point([mean(at, 0), mean(at, 1)]) })));
  }

  return {
    layers: [points, names],
    view,
    mark(values) {
      Object.assign(marked, values);
      points.changed();
    },
    /** The point or cluster under a finger: the nearest within 24 px. */
    under(map, e) {
      const f = view.source.getClosestFeatureToCoordinate(e.coordinate);
      if (!f) return undefined;
      const [x, y] = map.getPixelFromCoordinate(f.getGeometry().getCoordinates());
      return Math.hypot(x - e.pixel[0], y - e.pixel[1]) <= 24 ? f.getProperties() : undefined;
    },
    redraw() {
      points.changed();
      names.changed();
    },
  };
}
