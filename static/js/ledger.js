/**
 * The ledger of what the map shows. The server writes it for each view, so
 * that everything on the map can be reached and read by keyboard.
 */
import { put } from './part.js';

const idAt = (target) => target.closest?.('[data-id]')?.dataset.id ?? null;

/**
 * @param {HTMLElement} place  where the ledger stands
 * @param {(id: string | null) => void} attend  called when an entry gets the attention, or none has
 */
export function ledger(place, attend, failed) {
  place.addEventListener('pointerover', (e) => attend(idAt(e.target)));
  place.addEventListener('pointerleave', () => attend(null));
  place.addEventListener('focusin', (e) => attend(idAt(e.target)));
  place.addEventListener('focusout', () => attend(null));
  let chosen = null;
  let shown = null;
  let waiting;

  function mark(scroll) {
    for (const li of place.querySelectorAll('[data-id]')) {
      if (li.dataset.id !== chosen) delete li.dataset.chosen;
      else {
        li.dataset.chosen = 'true';
        if (scroll) li.scrollIntoView({ block: 'nearest' });
      }
    }
  }

  /** @param {boolean} whole  everything is in view, as the page lists it when it comes */
  async function show(bbox, whole, again = false) {
    if (bbox === shown && !again) return;
    if (whole && !shown && !place.querySelector('#unjudged')) return;
    shown = bbox;
    clearTimeout(waiting);
    try {
      if (!(await put(place, `/map/ledger?bbox=${bbox}`))) return;
      mark(false);
      if (place.querySelector('#unjudged')) waiting = setTimeout(() => show(bbox, whole, true), 3000);
    } catch (err) {
      failed(err);
    }
  }

  return {
    show,
    /** Marks the entry of the point chosen on the map. */
    choose(id) {
      chosen = id;
      mark(true);
    },
  };
}
