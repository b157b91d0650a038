/** @typedef {Record<string, string>} Ink  colours by token name, without the dashes */

const names = [
  'paper', 'ground', 'ink', 'ink-2', 'rule', 'link', 'mark', 'focus', 'holds', 'short', 'no', 'unknown', 'water', 'water-line',
  'road', 'road-line', 'crest', 'buried', 'overhead', 'parcel', 'building', 'grid', 'land',
];

/**
 * The colours of the style sheet in force, so that the map follows the day
 * and night displays without colours of its own.
 * @returns {Ink}
 */
export function readInk() {
  const style = getComputedStyle(document.documentElement);
  return Object.fromEntries(names.map((n) => [n, style.getPropertyValue(`--${n}`).trim()]));
}
