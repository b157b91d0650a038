import { Stroke, Style, TileLayer, VectorLayer, VectorSource, VectorTileLayer, VectorTileSource, XYZ, MVT, transformExtent } from '../lib/ol.js';
import { gridStyle, order, roleStyle, swatch, zoneInk } from './roles.js';
import { degrees, format, viewSource } from './view.js';
import { features } from './part.js';

const near = 160; // metres of the projection per pixel beyond which layers are not drawn
const zonesNear = 6; // and their zones

/** Every layer of the atlas in one set of vector tiles, of shapes alone: one picture to move, not one for each. */
function tileLayer(style) {
  return new VectorTileLayer({
    source: new VectorTileSource({ format: new MVT(), maxZoom: 17, tileSize: 512 }),
    style,
    maxResolution: near,
    preload: 0,
  });
}

/**
 * Everything below the points, with the boxes that switch it on and off.
 * @param {HTMLElement} box  the map's element
 * @param {() => import('./ink.js').Ink} ink
 * @param {{failed: (err: Error) => void, switched: () => void}} told
 */
export function groundLayers(box, ink, told) {
  const toggles = [...document.querySelectorAll('input[data-layer]')].sort((a, b) => order.indexOf(a.dataset.role) - order.indexOf(b.dataset.role));
  const data = toggles.map((toggle) => ({ id: toggle.dataset.layer, role: toggle.dataset.role, toggle }));
  const loaded = new Set();
  let styles = new Map(); // of the layers that are switched on
  const tiles = tileLayer((f) => styles.get(f.get('layer')));

  const zones = viewSource((bbox) => `/map/zones?bbox=${bbox}`, told);
  const zoneLayer = new VectorLayer({
    source: zones.source,
    maxResolution: zonesNear,
    style(f, resolution) {
      const l = data.find((d) => d.id === f.get('layer'));
      if (!l?.toggle.checked) return undefined;
      // The width is true on the ground: a metre of the projection is smaller away from the equator.
      const width = (2 * f.get('width_m') * stretch) / resolution;
      return new Style({ stroke: new Stroke({ color: zoneInk(f.get('role'), ink()), width: Math.max(width, 1), lineCap: 'round', lineJoin: 'round' }) });
    },
  });
  let stretch = 1;

  const grid = new VectorLayer({ source: new VectorSource(), style: gridStyle(ink()) });
  let asked = null;

  const base = box.dataset.baseMax
    ? new TileLayer({
        className: 'ol-layer base-map',
        extent: transformExtent(box.dataset.baseBounds.split(',').map(Number), 'EPSG:4326', 'EPSG:3857'),
        source: new XYZ({ url: '/map/base/{z}/{x}/{y}', minZoom: Number(box.dataset.baseMin), maxZoom: Number(box.dataset.baseMax) }),
      })
    : null;

  const others = [
    { id: 'zones', toggle: document.getElementById('zones-toggle'), layer: zoneLayer },
    { id: 'grid', toggle: document.getElementById('grid-toggle'), layer: grid },
    ...(base ? [{ id: 'base', toggle: document.getElementById('base-toggle'), layer: base }] : []),
  ];
  const all = [...data, ...others];
  const apply = () => {
    for (const l of others) l.layer.setVisible(l.toggle.checked);
    const on = data.filter((l) => l.toggle.checked);
    styles = new Map(on.map((l) => [l.id, roleStyle(l.role, ink())]));
    if (on.some((l) => !loaded.has(l.id))) {
      for (const l of on) loaded.add(l.id);
      tiles.getSource().setUrl(`/map/tiles/{z}/{y}/{x}?layers=${[...loaded].join(',')}`);
    }
    tiles.changed();
    zoneLayer.changed();
  };
  for (const l of all)
    l.toggle.addEventListener('change', () => {
      apply();
      told.switched();
    });

  function paint() {
    const colours = ink();
    grid.setStyle(gridStyle(colours));
    apply();
    for (const canvas of document.querySelectorAll('canvas[data-swatch]')) swatch(canvas, canvas.dataset.swatch, colours);
  }
  paint();

  return {
    layers: [...(base ? [base] : []), zoneLayer, grid, tiles],
    paint,
    /** The ids of what is switched on; switching by such a list. */
    on: () => all.filter((l) => l.toggle.checked).map((l) => l.id),
    switchTo(ids) {
      for (const l of all) l.toggle.checked = ids.includes(l.id);
      apply();
    },
    async show(extent, zoom, resolution, lat) {
      stretch = 1 / Math.cos((lat * Math.PI) / 180);
      if (resolution <= zonesNear) zones.show(extent, zoom);
      asked?.abort();
      asked = new AbortController();
      try {
        const lines = await features(`/map/grid?bbox=${degrees(extent)}`, asked.signal);
        grid.getSource().clear(true);
        grid.getSource().addFeatures(format.readFeatures(lines));
      } catch (err) {
        if (err.name !== 'AbortError') told.failed(err);
      }
    },
  };
}
