/** How much of the banks the points reach, drawn over the bank crests. */
import { Stroke, Style, VectorLayer } from '../lib/ol.js';
import { put } from './part.js';
import { ask, asked } from './state.js';
import { viewSource } from './view.js';
import { texts } from './words.js';

/**
 * @param {() => import('./ink.js').Ink} ink
 * @param {{failed: (err: Error) => void, changed: () => void}} told
 */
export function reach(ink, told) {
  const place = document.getElementById('reach-part');
  const shown = () => asked('coverage').has('coverage');
  const view = viewSource((bbox) => (shown() ? `/map/reaches?bbox=${bbox}&${asked('rope_m', 'load', 'tonight', 'required')}` : null), told);
  const layer = new VectorLayer({
    source: view.source,
    style(f) {
      const colours = ink();
      const [color, dash] = { holds: [colours.holds, undefined], short: [colours.short, [10, 6]] }[f.get('state')] ?? [colours.no, [2, 7]];
      return [
        new Style({ stroke: new Stroke({ color: colours.paper, width: 12, lineCap: 'butt' }) }),
        new Style({ stroke: new Stroke({ color, width: 7, lineDash: dash, lineCap: 'butt' }) }),
      ];
    },
  });

  async function show() {
    try {
      if (await put(place, `/map/coverage?${asked('rope_m', 'load', 'tonight', 'required')}`)) {
        document.getElementById('ledger-part').before(place);
        view.forget();
        told.changed();
      }
    } catch (err) {
      told.failed(err);
    }
  }
  place.addEventListener('submit', (e) => {
    e.preventDefault();
    ask({ coverage: '1', rope_m: new FormData(e.target).get('rope_m') });
    place.querySelector('#reach-answer').textContent = texts.measuring;
    show();
  });
  place.addEventListener('click', (e) => {
    if (e.target.id !== 'reach-clear') return;
    e.preventDefault();
    ask({ coverage: '' });
    view.clear();
    place.querySelector('#reach-answer').replaceChildren();
    e.target.remove();
  });
  return { layer, show: view.show, redraw: () => layer.changed() };
}
