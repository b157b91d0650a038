/**
 * The casualty is here: a mark on the map, straight lines to the anchors that
 * serve, and the ranked list beside it, which the server writes.
 */
import { Feature, Fill, LineString, Point, RegularShape, Stroke, Style, Text, VectorLayer, VectorSource, fromLonLat } from '../lib/ol.js';
import { put } from './part.js';
import { ask, asked } from './state.js';
import { texts } from './words.js';

const names = ['casualty', 'load', 'rope_m', 'tonight', 'required'];
const lonLat = (text) => text.split(',').map(Number);

/**
 * @param {() => import('./ink.js').Ink} ink
 * @param {{failed: (err: Error) => void, centre: () => string, placed: (at: number[], fit: number[][]) => void}} told
 */
export function casualty(ink, told) {
  const place = document.getElementById('casualty-part');
  const source = new VectorSource();
  let hinted = null;
  const dashes = { holds: undefined, short: [10, 5], unknown: [3, 5], no: [2, 8] };
  const layer = new VectorLayer({
    source,
    style(f) {
      const colours = ink();
      const verdict = f.get('verdict');
      if (!verdict) {
        const cross = (color, width) => new RegularShape({ points: 4, radius: 15, radius2: 0, angle: Math.PI / 4, stroke: new Stroke({ color, width }) });
        return [new Style({ image: cross(colours.paper, 9) }), new Style({ image: cross(colours.ink, 4.5) })];
      }
      const bold = f.get('id') === hinted;
      return [
        new Style({ stroke: new Stroke({ color: colours.land, width: bold ? 9 : 6 }) }),
        new Style({
          stroke: new Stroke({ color: colours[verdict], width: bold ? 5 : 2.5, lineDash: dashes[verdict] }),
          text: new Text({
            text: String(f.get('rank')),
            font: '800 14px Next, sans-serif',
            placement: 'point',
            overflow: true,
            fill: new Fill({ color: colours.ink }),
            stroke: new Stroke({ color: colours.land, width: 5 }),
          }),
        }),
      ];
    },
  });

  /** Reads the answer the page holds and draws it. */
  function read(move) {
    source.clear(true);
    const box = document.getElementById('casualty');
    document.getElementById('casualty-centre').hidden = false;
    document.getElementById('casualty-device').hidden = !navigator.geolocation;
    if (!box.dataset.at) return;
    const at = fromLonLat(lonLat(box.dataset.at));
    const from = [...place.querySelectorAll('li[data-at]')].map((li, i) => ({ id: li.dataset.id, verdict: li.dataset.verdict, rank: i + 1, at: fromLonLat(lonLat(li.dataset.at)) }));
    source.addFeatures(from.reverse().map(({ id, verdict, rank, at: a }) => new Feature({ id, verdict, rank, geometry: new LineString([a, at]) })));
    source.addFeature(new Feature({ geometry: new Point(at) }));
    if (move) told.placed(at, from.map((f) => f.at));
  }

  async function show(move) {
    try {
      if (!(await put(place, `/map/casualty?${asked(...names)}`))) return;
      read(move);
      document.getElementById('casualty').scrollIntoView({ block: 'nearest' });
    } catch (err) {
      told.failed(err);
    }
  }

  place.addEventListener('submit', (e) => {
    e.preventDefault();
    const form = new FormData(e.target);
    ask(Object.fromEntries(names.filter((n) => form.has(n)).map((n) => [n, form.get(n).trim()])));
    show(true);
  });
  place.addEventListener('change', (e) => {
    if (e.target.tagName !== 'SELECT' || !document.getElementById('casualty').dataset.at) return;
    ask({ [e.target.name]: e.target.value });
    show(false);
  });
  place.addEventListener('click', (e) => {
    switch (e.target.id) {
      case 'casualty-centre':
        here(told.centre(), true);
        break;
      case 'casualty-device':
        navigator.geolocation.getCurrentPosition(
          ({ coords }) => here(`${coords.latitude.toFixed(6)}, ${coords.longitude.toFixed(6)}`, true),
          (err) => say(texts.noPosition(err.message)),
          { enableHighAccuracy: true, timeout: 20000, maximumAge: 5000 },
        );
        say(texts.findingItself);
        break;
      case 'casualty-clear':
        e.preventDefault();
        ask({ casualty: '' });
        show(false);
        break;
      default:
    }
  });
  const attend = (e) => {
    hinted = e.target.closest?.('li[data-id]')?.dataset.id ?? null;
    layer.changed();
  };
  place.addEventListener('pointerover', attend);
  place.addEventListener('focusin', attend);

  const say = (text) => {
    document.getElementById('casualty-answer').textContent = text;
  };

  /** Sets the casualty at "lat, lon". */
  function here(text, move = false) {
    ask({ casualty: text });
    return show(move);
  }

  read(false);
  return { layer, here, redraw: () => layer.changed(), again: () => asked('casualty').has('casualty') && show(false) };
}
