/**
 * Pieces of the page that the server writes: they are the same with and
 * without scripts, in the units and words of the department.
 */

/**
 * Fetches a piece and puts it in a place of the page; open folds stay open. A
 * later call for the same place ends the earlier one.
 * @param {HTMLElement} place
 * @param {string} href
 * @returns {Promise<boolean>} false when it was overtaken
 */
export async function put(place, href) {
  running.get(place)?.abort();
  const control = new AbortController();
  running.set(place, control);
  place.setAttribute('aria-busy', 'true');
  try {
    const answer = await fetch(href, { signal: control.signal, headers: { Accept: 'text/html' } });
    const text = await answer.text();
    if (!answer.ok) throw new Error(`${href}: ${answer.status}`);
    const had = place.contains(document.activeElement) ? document.activeElement.id : '';
    place.replaceChildren(document.createRange().createContextualFragment(text));
    if (had) document.getElementById(had)?.focus({ preventScroll: true });
    return true;
  } catch (err) {
    if (err.name === 'AbortError') return false;
    throw err;
  } finally {
    if (running.get(place) === control) {
      running.delete(place);
      place.removeAttribute('aria-busy');
    }
  }
}
const running = new WeakMap();

/** Fetches GeoJSON; the signal ends it. */
export async function features(href, signal) {
  const answer = await fetch(href, { signal, headers: { Accept: 'application/geo+json' } });
  if (!answer.ok) throw new Error(`${href}: ${answer.status}`);
  return answer.json();
}
