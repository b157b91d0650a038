import { Circle, Fill, Stroke, Style, Text } from '../lib/ol.js';

const stroke = (color, width, dash, cap = 'butt') => ({ color, width, lineDash: dash, lineCap: cap });

/** The strokes of a role, lowest first: by line pattern first, colour second. */
function strokes(role, ink) {
  switch (role) {
    case 'water':
      return [stroke(ink['water-line'], 1.75)];
    case 'bank crest':
      return [stroke(ink.crest, 3)];
    case 'bank toe':
      return [stroke(ink.crest, 1.5, [7, 4])];
    case 'road':
      return [stroke(ink['road-line'], 7), stroke(ink.road, 4.5)];
    case 'buried utility':
      return [stroke(ink.buried, 2.25, [14, 4, 2, 4])];
    case 'overhead line':
      return [stroke(ink.overhead, 1.5), stroke(ink.overhead, 9, [1.5, 14])];
    case 'parcel':
      return [stroke(ink.parcel, 1, [2, 3])];
    case 'building':
      return [stroke(ink['ink-2'], 1)];
    case 'access':
      return [stroke(ink.ink, 2, [2, 5], 'round')];
    case 'elevation':
      return [stroke(ink['ink-2'], 1.5, [10, 4, 1, 4])];
    default:
      return [stroke(ink['ink-2'], 1.25)];
  }
}

const fills = { water: 'water', building: 'building' };

/**
 * How a layer is drawn, by its role.
 * @param {string} role
 * @param {import('./ink.js').Ink} ink
 * @returns {Style[]}
 */
export function roleStyle(role, ink) {
  const lines = strokes(role, ink);
  const dot = lines[0].color;
  const zIndex = order.indexOf(role);
  return [
    ...lines.map((l, i) => new Style({ zIndex, stroke: new Stroke(l), fill: i === 0 && fills[role] ? new Fill({ color: ink[fills[role]] }) : undefined })),
    new Style({ zIndex, image: new Circle({ radius: 4, fill: new Fill({ color: ink.paper }), stroke: new Stroke({ color: dot, width: 2 }) }) }),
  ];
}

/** Drawing order, lowest first. */
export const order = [
  'elevation', 'other', 'water', 'building', 'parcel', 'road', 'access', 'bank toe', 'bank crest', 'buried utility', 'overhead line',
];

/** The wash of a zone that work keeps off. */
export function zoneInk(role, ink) {
  const colour = { 'buried utility': ink.buried, 'overhead line': ink.overhead }[role] ?? ink['road-line'];
  return `color-mix(in srgb, ${colour} 26%, transparent)`;
}

/** Draws the sample of a role into a small canvas of the legend. */
export function swatch(canvas, role, ink) {
  const ratio = Math.min(window.devicePixelRatio, 3);
  const [w, h] = [36, 24];
  canvas.width = w * ratio;
  canvas.height = h * ratio;
  const c = canvas.getContext('2d');
  c.scale(ratio, ratio);
  c.fillStyle = ink.land;
  c.fillRect(0, 0, w, h);
  if (fills[role]) {
    c.fillStyle = ink[fills[role]];
    c.fillRect(2, 4, w - 4, h - 8);
  }
  const draw = ({ color, width, lineDash, lineCap }) => {
    c.beginPath();
    c.moveTo(0, h / 2);
    c.lineTo(w, h / 2);
    c.strokeStyle = color;
    c.lineWidth = width;
    c.setLineDash(lineDash ?? []);
    c.lineCap = lineCap ?? 'butt';
    c.stroke();
  };
  if (role === 'zone') {
    draw(stroke(zoneInk('buried utility', ink), 16));
    draw(strokes('buried utility', ink)[0]);
  } else if (role === 'grid') draw(stroke(ink.grid, 1.25));
  else strokes(role, ink).forEach(draw);
}

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
