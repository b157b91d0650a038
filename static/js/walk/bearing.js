import { h, button, fill } from './dom.js';
import { ask, now } from './engine.js';
import { read } from './units.js';
import { texts } from './words.js';

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
  const north = h('select', { id: 'north' }, h('option', { value: 'magnetic' }, texts.northMagnetic), h('option', { value: 'true' }, texts.northTrue));
  north.value = was.north;
  const both = h('p', { class: 'found', role: 'status' });
  const error = h('p', { id: 'deg-error', class: 'wrong', role: 'alert' });
  const live = h('p', { class: 'heading', role: 'status' });

  async function turned(deg, from) {
    const c = item.feature.geometry?.coordinates;
    if (!c) return { problem: { message: texts.positionBeforeBearing } };
    return ask('bearing', { lon: c[0], lat: c[1], at: item.feature.properties.surveyed_at ?? now(), [from]: deg });
  }

  async function tell() {
    const { deg, north: from } = value.get();
    if (deg === undefined) {
      both.textContent = item.asked?.[q.id] ? texts.onRecordUnknown : texts.noBearingYet;
      return;
    }
    const { ok, problem } = await turned(deg, from);
    both.textContent = ok ? [texts.bearingOnRecord(ok.true.toFixed(1), ok.magnetic.toFixed(1), eastWest(ok.declination_deg), ok.declination_error_deg.toFixed(1)), ok.doubt].filter(Boolean).join(' ') : problem.message;
  }

  async function take(deg, from) {
    error.textContent = '';
    if (!(deg >= 0 && deg <= 360)) {
      error.textContent = texts.bearingRange;
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
        live.textContent = headings.length ? texts.heading(Math.round(headings.at(-1)), headings.length, readings) : doubt;
        if (headings.length < readings) return;
        stop();
        average(headings);
      });
      live.textContent = texts.waitingForCompass;
    } catch (err) {
      live.textContent = '';
      error.textContent = err.message;
    }
  }

  async function average(headings) {
    const c = item.feature.geometry?.coordinates;
    if (!c) {
      error.textContent = texts.positionFirst;
      return;
    }
    const { ok, problem } = await ask('headings', { lon: c[0], lat: c[1], at: item.feature.properties.surveyed_at ?? now(), magnetic: headings });
    if (!ok) {
      live.textContent = '';
      error.textContent = problem.message;
      return;
    }
    live.textContent = texts.headingMean(ok.count, ok.spread_deg.toFixed(0));
    input.value = ok.magnetic.toFixed(1);
    north.value = 'magnetic';
    await take(Number(ok.magnetic.toFixed(1)), 'magnetic');
  }

  fill(
    box,
    both,
    button(texts.readTheCompass, compass, { class: 'button first wide-button' }),
    live,
    h('div', { class: 'row' }, h('div', { class: 'field' }, h('label', { for: 'deg' }, texts.orTypeDegrees), input), h('div', { class: 'field' }, h('label', { for: 'north' }, texts.readOff), north)),
    error,
    q.id === 'pull' &&
      item.feature.properties.terrain?.fall_line_deg !== undefined &&
      button(texts.straightDown(item.feature.properties.terrain.fall_line_deg), () => {
        input.value = item.feature.properties.terrain.fall_line_deg;
        north.value = 'true';
        take(item.feature.properties.terrain.fall_line_deg, 'true').then(() => {
          item.feature.properties.pull.source = 'fall line';
          return changed();
        });
      }),
    button(texts.dontKnow, () => {
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
  if (!('DeviceOrientationEvent' in window)) throw new Error(texts.noCompass);
  if (typeof DeviceOrientationEvent.requestPermission === 'function') {
    const leave = await DeviceOrientationEvent.requestPermission();
    if (leave !== 'granted') throw new Error(texts.compassNotAllowed);
  }
  const headings = [];
  const on = (e) => {
    if (typeof e.webkitCompassHeading === 'number') {
      if (e.webkitCompassAccuracy < 0 || e.webkitCompassAccuracy > usable) {
        heard(headings, texts.compassDisturbed);
        return;
      }
      headings.push(e.webkitCompassHeading);
    } else if (e.absolute && e.alpha !== null) {
      headings.push(heading(e.alpha, e.beta ?? 0, e.gamma ?? 0));
    } else {
      heard(headings, texts.noNorth);
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
