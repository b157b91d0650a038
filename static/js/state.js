/**
 * The address says what is seen: what the server answers stands in the query
 * (casualty, load, rope, measured line, reach), what only the map shows stands
 * behind the # - zoom/latitude/longitude/layers - so that the address opens
 * the same on another machine.
 */

/** @returns {{zoom: number, lat: number, lon: number, layers: string[] | null} | null} */
export function readView() {
  const m = /^#([\d.]+)\/(-?[\d.]+)\/(-?[\d.]+)(?:\/([a-z0-9,-]*))?$/.exec(location.hash);
  if (!m) return null;
  return { zoom: Number(m[1]), lat: Number(m[2]), lon: Number(m[3]), layers: m[4] === undefined ? null : m[4].split(',').filter(Boolean) };
}

/** Writes the view behind the # without a new entry in the history. */
export function writeView({ zoom, lat, lon, layers }) {
  const hash = `#${zoom.toFixed(2)}/${lat.toFixed(5)}/${lon.toFixed(5)}/${layers.join(',')}`;
  if (hash !== location.hash) history.replaceState(null, '', location.pathname + location.search + hash);
}

export const question = () => new URLSearchParams(location.search);

/** Sets or, with an empty value, drops parameters of the query. */
export function ask(values) {
  const q = question();
  for (const [name, value] of Object.entries(values)) {
    if (value) q.set(name, value);
    else q.delete(name);
  }
  const text = q.toString().replaceAll('%2C', ',');
  history.replaceState(null, '', location.pathname + (text ? `?${text}` : '') + location.hash);
}

/** The parameters of the query with these names, for a request. */
export function asked(...names) {
  const q = question();
  return new URLSearchParams(names.filter((n) => q.get(n)).map((n) => [n, q.get(n)]));
}
