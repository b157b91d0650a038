// Quantities are kept in SI and typed in either system. Factors are exact by
// definition: the international foot and inch, the pound-force.

const systems = {
  length: { us: ['ft', 'm'], si: ['m', 'ft'], factor: { m: 1, ft: 0.3048 }, digits: 3, most: 1000 },
  thickness: { us: ['in', 'mm'], si: ['mm', 'in'], factor: { mm: 1, in: 25.4 }, digits: 1, most: 10000 },
  force: { us: ['lbf', 'kN'], si: ['kN', 'lbf'], factor: { kN: 1, lbf: 0.0044482216152605 }, digits: 4, most: 1000 },
  angle: { us: ['°'], si: ['°'], factor: { '°': 1 }, digits: 1, most: 90 },
  voltage: { us: ['kV'], si: ['kV'], factor: { kV: 1 }, digits: 3, most: 2000 },
};

export const unitsOf = (quantity, system) => systems[quantity][system];

const round = (v, digits) => Math.round(v * 10 ** digits) / 10 ** digits;

/** A number typed in a unit, in SI; undefined for an empty text, NaN for no number. */
export function read(text, unit, quantity) {
  const t = text.trim().replace(',', '.');
  if (t === '') return undefined;
  if (!/^\d+(\.\d*)?$|^\.\d+$/.test(t)) return NaN;
  return round(Number(t) * systems[quantity].factor[unit], systems[quantity].digits);
}

/** An SI number as it is shown in a unit. */
export const show = (v, unit, quantity) => (v === undefined ? '' : String(round(v / systems[quantity].factor[unit], 2)));
