// The parts of OpenLayers that the map page uses. Adding a line here and
// running `npm ci && npm run build` in this folder rebuilds static/lib/ol.js.
export { default as Map } from 'ol/Map.js';
export { default as View } from 'ol/View.js';
export { default as Feature } from 'ol/Feature.js';
export { default as LineString } from 'ol/geom/LineString.js';
export { default as Point } from 'ol/geom/Point.js';
export { default as TileLayer } from 'ol/layer/Tile.js';
export { default as VectorLayer } from 'ol/layer/Vector.js';
export { default as VectorTileLayer } from 'ol/layer/VectorTile.js';
export { default as VectorSource } from 'ol/source/Vector.js';
export { default as VectorTileSource } from 'ol/source/VectorTile.js';
export { default as XYZ } from 'ol/source/XYZ.js';
export { default as GeoJSON } from 'ol/format/GeoJSON.js';
export { default as MVT } from 'ol/format/MVT.js';
export { default as ScaleLine } from 'ol/control/ScaleLine.js';
export { default as Zoom } from 'ol/control/Zoom.js';
export { defaults as defaultInteractions } from 'ol/interaction/defaults.js';
export { Circle, Fill, RegularShape, Stroke, Style, Text } from 'ol/style.js';
export { fromLonLat, toLonLat, transformExtent } from 'ol/proj.js';
