/**
 * A point on the map: the ground class as a letter inside a shape that tells
 * the verdict, a tick along the pull bearing and the wedge of the working
 * sector. The shapes are those of page and paper: full disc holds, half disc
 * short, broken ring unknown, crossed square no. To leave room for the letter,
 * the half disc is a ring with a heavy lower half.
 */
import { texts } from './words.js';

const turn = Math.PI / 180;

/**
 * Draws a point.
 * @param {CanvasRenderingContext2D} c
 * @param {{class: string, verdict: string, bearing?: number, sector?: [number, number], label: string}} p
 * @param {import('./ink.js').Ink} ink
 * @param {{ratio: number, rotation: number, chosen: boolean, small: boolean, named: boolean}} how
 */
export function drawPoint(c, [x, y], p, ink, how) {
  const k = how.ratio;
  const r = (how.small ? 5.5 : 13) * k;
  const up = -Math.PI / 2 + how.rotation; // canvas angle of true north
  c.save();
  c.lineJoin = 'round';
  c.lineCap = 'butt';

  if (!how.small && p.sector) {
    const reach = 46 * k;
    const [from, to] = p.sector.map((d) => up + d * turn);
    c.beginPath();
    c.moveTo(x, y);
    c.arc(x, y, reach, from, to);
    c.closePath();
    c.globalAlpha = 0.22;
    c.fillStyle = ink[p.verdict];
    c.fill();
    c.globalAlpha = 1;
    c.lineWidth = 1.25 * k;
    c.strokeStyle = ink[p.verdict];
    c.stroke();
  }
  if (!how.small && p.bearing !== undefined) {
    const a = up + p.bearing * turn;
    c.beginPath();
    c.moveTo(x, y);
    c.lineTo(x + 52 * k * Math.cos(a), y + 52 * k * Math.sin(a));
    c.lineWidth = 3.5 * k;
    c.strokeStyle = ink[p.verdict];
    c.stroke();
  }
  if (how.chosen) {
    c.beginPath();
    c.arc(x, y, r + 9 * k, 0, 2 * Math.PI);
    c.lineWidth = 4 * k;
    c.strokeStyle = ink.focus;
    c.stroke();
  }

  // A rim of land keeps neighbours apart.
  c.beginPath();
  c.arc(x, y, r + (how.small ? 2.5 : 3.5) * k, 0, 2 * Math.PI);
  c.fillStyle = ink.land;
  c.fill();

  c.strokeStyle = ink[p.verdict];
  c.lineWidth = (how.small ? 2 : 3) * k;
  c.beginPath();
  if (p.verdict === 'no') c.rect(x - r, y - r, 2 * r, 2 * r);
  else c.arc(x, y, r, 0, 2 * Math.PI);
  c.fillStyle = p.verdict === 'holds' ? ink.holds : ink.paper;
  c.fill();
  const gap = (2 * Math.PI * r) / 16;
  if (p.verdict === 'unknown') c.setLineDash([gap, gap]);
  c.stroke();
  c.setLineDash([]);
  if (p.verdict === 'no') {
    c.beginPath();
    c.moveTo(x - r, y - r);
    c.lineTo(x + r, y + r);
    c.moveTo(x + r, y - r);
    c.lineTo(x - r, y + r);
    c.lineWidth = 2 * k;
    c.stroke();
  }
  if (p.verdict === 'short') {
    c.beginPath();
    c.arc(x, y, r - 1.5 * k, 0, Math.PI);
    if (how.small) {
      c.fillStyle = ink.short;
      c.fill();
    } else {
      c.lineWidth = 6 * k;
      c.stroke();
    }
  }

  if (!how.small) {
    const letter = { rock: 'R', A: 'A', B: 'B', C: 'C' }[p.class] ?? '?';
    c.font = `800 ${15 * k}px Next, sans-serif`;
    c.textAlign = 'center';
    c.textBaseline = 'middle';
    if (p.verdict !== 'holds') {
      c.lineWidth = 4 * k;
      c.strokeStyle = ink.paper;
      c.strokeText(letter, x, y + k);
    }
    c.fillStyle = p.verdict === 'holds' ? ink.paper : ink.ink;
    c.fillText(letter, x, y + k);
  }
  if (how.named) {
    c.font = `650 ${13 * k}px Next, sans-serif`;
    c.textAlign = 'left';
    c.textBaseline = 'middle';
    c.lineWidth = 4 * k;
    c.strokeStyle = ink.land;
    c.strokeText(p.label, x + r + 8 * k, y - r);
    c.fillStyle = ink.ink;
    c.fillText(p.label, x + r + 8 * k, y - r);
  }
  c.restore();
}

/** A count in few figures, never more than there are: 2,918 is 2.9k. */
const short = (n) => (n < 1000 ? String(n) : n < 10000 ? `${Math.floor(n / 100) / 10}k` : `${Math.floor(n / 1000)}k`);

/**
 * Draws several points as one: the shape of the worst verdict among them, and
 * of how many it is one.
 * @param {CanvasRenderingContext2D} c
 * @param {{count: number, worst: number, verdict: string}} p
 */
export function drawCluster(c, [x, y], p, ink, how) {
  const k = how.ratio;
  const text = p.worst === p.count ? texts.allOf(short(p.count)) : texts.worstOf(short(p.worst), short(p.count));
  c.save();
  c.font = `700 ${12 * k}px Next, sans-serif`;
  const w = c.measureText(text).width + 34 * k;
  const h = 26 * k;
  c.beginPath();
  c.roundRect(x - w / 2, y - h / 2, w, h, h / 2);
  c.fillStyle = ink.paper;
  c.fill();
  c.lineWidth = 1.75 * k;
  c.strokeStyle = ink.ink;
  c.stroke();
  c.fillStyle = ink.ink;
  c.textAlign = 'left';
  c.textBaseline = 'middle';
  c.fillText(text, x - w / 2 + 25 * k, y + k * 0.5);
  c.restore();
  drawPoint(c, [x - w / 2 + 14 * k, y], { verdict: p.verdict }, { ...ink, land: ink.paper }, { ...how, small: true, chosen: false, named: false });
}
