import { Circle, Fill, Stroke, Style, Text } from '../lib/ol.js';

const line = (color, width, dash, cap = 'butt') => new Style({ stroke: new Stroke({ color, width, lineDash: dash, lineCap: cap }) });

/**
 * How a layer is drawn, by its role: by line pattern first, colour second.
 * @param {string} role
 * @param {import('./ink.js').Ink} ink
 * @returns {Style[]}
 */
export function roleStyle(role, ink) {
  const dot = (color) =>
    new Style({ image: new Circle({ radius: 4, fill: new Fill({ color: ink.paper }), stroke: new Stroke({ color, width: 2 }) }) });
  switch (role) {
    case 'water':
      return [
        new Style({ fill: new Fill({ color: ink.water }), stroke: new Stroke({ color: ink['water-line'], width: 1.75 }) }),
        dot(ink['water-line']),
      ];
    case 'bank crest':
      return [line(ink.crest, 3), dot(ink.crest)];
    case 'bank toe':
      return [line(ink.crest, 1.5, [7, 4]), dot(ink.crest)];
    case 'road':
      return [line(ink['road-line'], 7), line(ink.road, 4.5), dot(ink['road-line'])];
    case 'buried utility':
      return [line(ink.buried, 2.25, [14, 4, 2, 4]), dot(ink.buried)];
    case 'overhead line':
      return [line(ink.overhead, 1.5), line(ink.overhead, 9, [1.5, 14]), dot(ink.overhead)];
    case 'parcel':
      return [line(ink.parcel, 1, [2, 3]), dot(ink.parcel)];
    case 'building':
      return [new Style({ fill: new Fill({ color: ink.building }), stroke: new Stroke({ color: ink['ink-2'], width: 1 }) }), dot(ink['ink-2'])];
    case 'access':
      return [line(ink.ink, 2, [2, 5], 'round'), dot(ink.ink)];
    default:
      return [line(ink['ink-2'], 1.25), dot(ink['ink-2'])];
  }
}

/** Drawing order, lowest first. */
export const order = [
  'other', 'water', 'building', 'parcel', 'road', 'access', 'bank toe', 'bank crest', 'buried utility', 'overhead line',
];

/** The style of a grid line with its reference at the end. */
export function gridStyle(ink) {
  return (feature) => [
    new Style({
      stroke: new Stroke({ color: ink.grid, width: feature.get('major') ? 1.25 : 0.75 }),
      text: new Text({
        text: feature.get('label'),
        font: '500 12px Mono, monospace',
        placement: 'line',
        textAlign: 'left',
        textBaseline: 'bottom',
        overflow: true,
        fill: new Fill({ color: ink['ink-2'] }),
        stroke: new Stroke({ color: ink.land, width: 3 }),
      }),
    }),
  ];
}
