import { GeoJSON, VectorSource, transformExtent } from '../lib/ol.js';
import { features } from './part.js';

export const format = new GeoJSON({ featureProjection: 'EPSG:3857' });

const clamp = ([w, s, e, n]) => [Math.max(w, -180), Math.max(s, -85), Math.min(e, 180), Math.min(n, 85)];

/** An extent of the map as west,south,east,north in degrees. */
export const degrees = (extent) => clamp(transformExtent(extent, 'EPSG:3857', 'EPSG:4326')).map((v) => v.toFixed(6)).join(',');

/**
 * A source that holds what one view shows. It asks for a little more than the
 * view and again when the view leaves that or the zoom changes, so that it
 * never holds more than a view's worth.
 * @param {(bbox: string, zoom: number) => string | null} href  null asks for nothing
 * @param {{failed: (err: Error) => void, loaded?: (doc: object) => void}} told
 */
export function viewSource(href, told) {
  const source = new VectorSource();
  let held = null;
  let running = null;
  let last = null;
  const clear = () => {
    running?.abort();
    held = null;
    source.clear(true);
  };
  return {
    source,
    /** Forgets what is held, so that the next view asks anew. */
    forget() {
      held = null;
    },
    clear,
    /** Asks again for the view that was last shown. */
    again() {
      held = null;
      if (last) this.show(...last);
    },
    async show(extent, zoom) {
      last = [extent, zoom];
      const [w, s, e, n] = extent;
      const level = Math.round(zoom * 2);
      if (held && held.level === level && w >= held.box[0] && s >= held.box[1] && e <= held.box[2] && n <= held.box[3]) return;
      const dx = (e - w) / 2;
      const dy = (n - s) / 2;
      const box = [w - dx, s - dy, e + dx, n + dy];
      const at = href(degrees(box), zoom);
      if (!at) {
        clear();
        return;
      }
      running?.abort();
      running = new AbortController();
      try {
        const doc = await features(at, running.signal);
        held = { level, box };
        source.clear(true);
        source.addFeatures(format.readFeatures(doc));
        told.loaded?.(doc);
      } catch (err) {
        if (err.name !== 'AbortError') told.failed(err);
      }
    },
  };
}
