/**
 * Measuring: a line through places pressed on the map or written beside it.
 * The server works out distance and bearing over the ellipsoid.
 */
import { Circle, Feature, Fill, LineString, Point, Stroke, Style, VectorLayer, VectorSource, fromLonLat } from '../lib/ol.js';
import { put } from './part.js';
import { ask, asked } from './state.js';

/**
 * @param {() => import('./ink.js').Ink} ink
 * @param {{failed: (err: Error) => void, centre: () => string, measured: (text: string) => void}} told
 */
export function measure(ink, told) {
  const place = document.getElementById('measure-part');
  const source = new VectorSource();
  const layer = new VectorLayer({
    source,
    style: () => [
      new Style({ stroke: new Stroke({ color: ink().land, width: 7 }) }),
      new Style({
        stroke: new Stroke({ color: ink().focus, width: 3, lineDash: [8, 5] }),
        image: new Circle({ radius: 5, fill: new Fill({ color: ink().paper }), stroke: new Stroke({ color: ink().focus, width: 3 }) }),
      }),
    ],
  });

  function draw(places) {
    source.clear(true);
    if (places.length > 1) source.addFeature(new Feature(new LineString(places)));
    source.addFeatures(places.map((p) => new Feature(new Point(p))));
  }

  function read() {
    document.getElementById('measure-centre').hidden = false;
    const line = document.getElementById('measure').dataset.line;
    if (line) draw(line.split(';').map((p) => fromLonLat(p.split(',').map(Number))));
    else draw(parts().map(lonLat).filter(Boolean));
  }

  const parts = () => (asked('measure').get('measure') ?? '').split(';').map((p) => p.trim()).filter(Boolean);
  const lonLat = (text) => {
    const m = /^(-?[\d.]+),\s*(-?[\d.]+)$/.exec(text);
    return m && fromLonLat([Number(m[2]), Number(m[1])]);
  };

  async function show() {
    try {
      if (await put(place, `/map/measure?${asked('measure')}`)) {
        const box = document.getElementById('measure');
        box.open = true;
        document.getElementById('ledger-part').before(place);
        read();
        told.measured(box.dataset.short ?? '');
      }
    } catch (err) {
      told.failed(err);
    }
  }

  /** Adds a place "lat, lon" to the line. */
  function add(text) {
    ask({ measure: [...parts(), text].join(';') });
    return show();
  }

  place.addEventListener('submit', (e) => {
    e.preventDefault();
    ask({ measure: new FormData(e.target).get('measure').trim() });
    show();
  });
  place.addEventListener('click', (e) => {
    if (e.target.id === 'measure-centre') add(told.centre());
    if (e.target.id === 'measure-clear') {
      e.preventDefault();
      ask({ measure: '' });
      show();
    }
  });

  read();
  return { layer, add, redraw: () => layer.changed(), begun: () => parts().length > 0 };
}
