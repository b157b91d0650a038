// Reading and changing the properties of a feature by their path. A value that
// is not known is left out, and with it whatever has become empty.

export const at = (properties, path) => path.reduce((o, key) => o?.[key], properties);

/** Sets a value; undefined takes it out. */
export function set(properties, path, value) {
  const [key, ...rest] = path;
  if (rest.length) {
    const inner = properties[key] ?? {};
    set(inner, rest, value);
    if (Object.keys(inner).length) properties[key] = inner;
    else delete properties[key];
  } else if (value === undefined || value === '' || (Array.isArray(value) && !value.length)) {
    delete properties[key];
  } else {
    properties[key] = value;
  }
}

/** JSON with sorted keys, so that equal values are equal text. */
export function canonical(v) {
  if (Array.isArray(v)) return `[${v.map(canonical).join(',')}]`;
  if (v && typeof v === 'object') {
    const keys = Object.keys(v).filter((k) => v[k] !== undefined);
    return `{${keys.sort().map((k) => `${JSON.stringify(k)}:${canonical(v[k])}`).join(',')}}`;
  }
  return JSON.stringify(v ?? null);
}

/** What counts of a feature: not its links. */
const essence = (f) => f && { geometry: f.geometry, properties: f.properties };

export const same = (f, g) => canonical(essence(f)) === canonical(essence(g));

export const copy = (v) => structuredClone(v);

/** Distance in metres on a sphere: good enough to put sites in order. */
export function away([lon1, lat1], [lon2, lat2]) {
  const rad = Math.PI / 180;
  const x = (lon2 - lon1) * rad * Math.cos(((lat1 + lat2) / 2) * rad);
  return Math.hypot(x, (lat2 - lat1) * rad) * 6371000;
}

/** Some position of a geometry. */
export function somewhere(geometry) {
  let c = geometry?.coordinates;
  while (Array.isArray(c?.[0])) c = c[Math.floor(c.length / 2)];
  return c;
}
