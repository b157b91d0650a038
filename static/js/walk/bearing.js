import { h, button, fill } from './dom.js';
import { ask, now } from './engine.js';
import { read } from './units.js';

const readings = 20; // compass readings that are averaged
const usable = 25; // degrees: a compass that says it may be further off is not read

/**
 * Asks a bearing: read off the device's compass, or typed with its north. What
 * is set gets the bearing as it was read, and the true one.
 * @param {{get: () => {deg?: number, north: string}, set: (b: {deg?: number, north?: string, trueDeg?: number}) => void}} value
 */
export function bearing({ app, item, question: q, box, changed }, value) {
  const was = value.get();
  const input = h('input', { id: 'deg', type: 'text', inputmode: 'decimal', autocomplete: 'off', 'aria-describedby': 'deg-error' });
  input.value = was.deg ?? '';
  const north = h('select', { id: 'north' }, h('option', { value: 'magnetic' }, 'compass (magnetic)'), h('option', { value: 'true' }, 'map (true)'));
  north.value = was.north;
  const both = h('p', { class: 'found', role: 'status' });
  const error = h('p', { id: 'deg-error', class: 'wrong', role: 'alert' });
  const live = h('p', { class: 'heading', role: 'status' });

  async function turned(deg, from) {
    const c = item.feature.geometry?.coordinates;
    if (!c) return { problem: { message: 'Give the position first: between compass and map lies the declination of the place.' } };
    return ask('bearing', { lon: c[0], lat: c[1], at: item.feature.properties.surveyed_at ?? now(), [from]: deg });
  }

  async function tell() {
    const { deg, north: from } = value.get();
    if (deg === undefined) {
      both.textContent = item.asked?.[q.id] ? 'On record as not known.' : 'No bearing yet.';
      return;
    }
    const { ok, problem } = await turned(deg, from);
    both.textContent = ok ? `On record: ${ok.true.toFixed(1)}° true = ${ok.magnetic.toFixed(1)}° by compass (declination ${eastWest(ok.declination_deg)}, give or take ${ok.declination_error_deg.toFixed(1)}°).${ok.doubt ? ` ${ok.doubt}` : ''}` : problem.message;
  }

  async function take(deg, from) {
    error.textContent = '';
    if (!(deg >= 0 && deg <= 360)) {
      error.textContent = 'A bearing is 0 to 360 degrees.';
      return;
    }
    if (from === 'magnetic' && !item.feature.properties.surveyed_at) item.feature.properties.surveyed_at = now();
    const { ok, problem } = await turned(deg, from);
    if (!ok && from === 'magnetic') {
      error.textContent = problem.message;
      return;
    }
    value.set({ deg, north: from, trueDeg: from === 'true' ? deg : Number(ok.true.toFixed(1)) });
    await changed();
    await tell();
  }

  const typed = () => {
    const deg = read(input.value.replace('°', ''));
    if (deg !== undefined) take(deg, north.value);
  };
  input.addEventListener('change', typed);
  north.addEventListener('change', typed);

  let stop = () => {};
  app.onleave(() => stop());
  async function compass() {
    error.textContent = '';
    stop();
    try {
      stop = await listen((headings, doubt) => {
        live.textContent = headings.length ? `${Math.round(headings.at(-1))}° by compass, ${headings.length} of ${readings}. Hold the top edge towards it.` : doubt;
        if (headings.length < readings) return;
        stop();
        average(headings);
      });
      live.textContent = 'Waiting for the compass…';
    } catch (err) {
      live.textContent = '';
      error.textContent = err.message;
    }
  }

  async function average(headings) {
    const c = item.feature.geometry?.coordinates;
    if (!c) {
      error.textContent = 'Give the position first.';
      return;
    }
    const { ok, problem } = await ask('headings', { lon: c[0], lat: c[1], at: item.feature.properties.surveyed_at ?? now(), magnetic: headings });
    if (!ok) {
      live.textContent = '';
      error.textContent = problem.message;
      return;
    }
    live.textContent = `Mean of ${ok.count} readings, none further than ${ok.spread_deg.toFixed(0)}° from it. Check it against a hand compass: steel close by turns it.`;
    input.value = ok.magnetic.toFixed(1);
    north.value = 'magnetic';
    await take(Number(ok.magnetic.toFixed(1)), 'magnetic');
  }

  fill(
    box,
    both,
    button('Read the compass', compass, { class: 'button first wide-button' }),
    live,
    h('div', { class: 'row' }, h('div', { class: 'field' }, h('label', { for: 'deg' }, 'Or type it, degrees'), input), h('div', { class: 'field' }, h('label', { for: 'north' }, 'Read off'), north)),
    error,
    q.id === 'pull' &&
      item.feature.properties.terrain?.fall_line_deg !== undefined &&
      button(`Straight down the bank (${item.feature.properties.terrain.fall_line_deg}° true)`, () => {
        input.value = item.feature.properties.terrain.fall_line_deg;
        north.value = 'true';
        take(item.feature.properties.terrain.fall_line_deg, 'true').then(() => {
          item.feature.properties.pull.source = 'fall line';
          return changed();
        });
      }),
    button('Don’t know', () => {
      value.set({});
      input.value = '';
      changed('unknown').then(tell);
    }),
  );
  tell();
}

const eastWest = (d) => `${Math.abs(d).toFixed(1)}° ${d < 0 ? 'W' : 'E'}`;

/**
 * Listens to the device's compass. Headings are magnetic: that of an iPhone says
 * so, and an absolute orientation elsewhere comes from the magnetometer.
 * @returns {Promise<() => void>} which stops it
 */
async function listen(heard) {
  if (!('DeviceOrientationEvent' in window)) throw new Error('This device has no compass; type the bearing.');
  if (typeof DeviceOrientationEvent.requestPermission === 'function') {
    const leave = await DeviceOrientationEvent.requestPermission();
    if (leave !== 'granted') throw new Error('The browser may not use the compass: allow motion and orientation for this page, or type the bearing.');
  }
  const headings = [];
  const on = (e) => {
    if (typeof e.webkitCompassHeading === 'number') {
      if (e.webkitCompassAccuracy < 0 || e.webkitCompassAccuracy > usable) {
        heard(headings, 'The compass is disturbed: move the device in a figure of eight, away from steel.');
        return;
      }
      headings.push(e.webkitCompassHeading);
    } else if (e.absolute && e.alpha !== null) {
      headings.push(heading(e.alpha, e.beta ?? 0, e.gamma ?? 0));
    } else {
      heard(headings, 'This device knows no north; type the bearing.');
      return;
    }
    heard(headings);
  };
  const kind = 'ondeviceorientationabsolute' in window ? 'deviceorientationabsolute' : 'deviceorientation';
  window.addEventListener(kind, on);
  return () => window.removeEventListener(kind, on);
}

/**
 * The direction in which the top edge of the screen points over the ground,
 * clockwise from north: the device's y axis under the rotation Z-X'-Y'' of W3C
 * Device Orientation and Motion, turned by how the screen is held.
 */
export function heading(alpha, beta, gamma) {
  const [a, b, g] = [alpha, beta, gamma].map((d) => (d * Math.PI) / 180);
  const turn = ((screen.orientation?.angle ?? 0) * Math.PI) / 180;
  // Columns of the rotation matrix: where the device's x and y axes point, east and north.
  const x = [Math.cos(a) * Math.cos(g) - Math.sin(a) * Math.sin(b) * Math.sin(g), Math.sin(a) * Math.cos(g) + Math.cos(a) * Math.sin(b) * Math.sin(g)];
  const y = [-Math.sin(a) * Math.cos(b), Math.cos(a) * Math.cos(b)];
  const up = [0, 1].map((i) => Math.cos(turn) * y[i] + Math.sin(turn) * x[i]);
  return ((Math.atan2(up[0], up[1]) * 180) / Math.PI + 360) % 360;
}
