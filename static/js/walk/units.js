// Quantities are kept in SI and typed in either system. Factors are exact by
// definition: the international foot and inch, the pound-force.
import { texts } from './words.js';

const systems = {
  length: { us: ['ft', 'm'], si: ['m', 'ft'], factor: { m: 1, ft: 0.3048 }, digits: 3, most: 1000 },
  thickness: { us: ['in', 'mm'], si: ['mm', 'in'], factor: { mm: 1, in: 25.4 }, digits: 1, most: 10000 },
  force: { us: ['lbf', 'kN'], si: ['kN', 'lbf'], factor: { kN: 1, lbf: 0.0044482216152605 }, digits: 4, most: 1000 },
  angle: { us: ['°'], si: ['°'], factor: { '°': 1 }, digits: 1, most: 90 },
  voltage: { us: ['kV'], si: ['kV'], factor: { kV: 1 }, digits: 3, most: 2000 },
};

export const unitsOf = (quantity, system) => systems[quantity][system];

const round = (v, digits) => Math.round(v * 10 ** digits) / 10 ** digits;

const plain = /^(\d+([.,]\d*)?|[.,]\d+)$/;
const byThousands = /^[1-9]\d{0,2}(,\d{3})+(\.\d*)?$/;
const twoWays = /^[1-9]\d{0,2},\d{3}$/; // 1,800: thousands, or a point

/**
 * A number typed in a unit, in SI; without a unit the number itself. It is
 * undefined for an empty text and NaN for no number or one that can be read two
 * ways. The pages read by the same rule: survey.ParseTyped.
 */
export function read(text, unit, quantity) {
  const t = text.trim();
  if (t === '') return undefined;
  if (twoWays.test(t) || !(plain.test(t) || byThousands.test(t))) return NaN;
  const v = Number(byThousands.test(t) ? t.replaceAll(',', '') : t.replace(',', '.'));
  return unit === undefined ? v : round(v * systems[quantity].factor[unit], systems[quantity].digits);
}

/** A length in metres as the server writes it: wording.Length. */
export function length(m, system) {
  const si = metric(m);
  return system === 'si' ? si : `${customary(m / 0.0254)} (${si})`;
}

const thousands = (n) => String(n).replace(/\B(?=(\d{3})+$)/g, ',');
const three = (v) => String(Number(v.toPrecision(3)));

function metric(m) {
  if (Math.round(m * 1000) < 100) return `${Math.round(m * 1000)} mm`;
  if (Math.round(m * 100) < 1000) return `${(Math.round(m * 100) / 100).toFixed(2)} m`;
  if (Math.round(m * 10) < 1000) return `${(Math.round(m * 10) / 10).toFixed(1)} m`;
  return Math.round(m) < 1000 ? `${Math.round(m)} m` : `${three(m / 1000)} km`;
}

function customary(inches) {
  if (Math.round(inches * 10) < 10) return `${Math.round(inches * 10) / 10} in`;
  if (Math.round(inches * 2) < 24) return `${Math.round(inches * 2) / 2} in`;
  const [whole, feet] = [Math.round(inches), Math.round(inches / 12)];
  if (whole < 360) return `${Math.floor(whole / 12)} ft${whole % 12 ? ` ${whole % 12} in` : ''}`;
  return feet < 5280 ? `${thousands(feet)} ft` : `${three(inches / 12 / 5280)} mi`;
}

/** What to say of a text that is read as NaN. */
export function unread(text) {
  const t = text.trim();
  return twoWays.test(t) ? texts.twoWays(t, t.replace(',', ''), Number(t.replace(',', '.'))) : texts.typeNumber;
}

/** An SI number as it is shown in a unit. */
export const show = (v, unit, quantity) => (v === undefined ? '' : String(round(v / systems[quantity].factor[unit], 2)));
