/**
 * The ledger of what the map shows, kept in step with the view. It is the
 * same list the server writes, so the page reads alike with and without
 * scripts, and everything on the map can be reached from it by keyboard.
 */

const svg = 'http://www.w3.org/2000/svg';
const longest = 80;

function element(name, attributes = {}, ...children) {
  const e = document.createElement(name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  e.append(...children);
  return e;
}

/** The verdict as shape and word. */
export function verdict(word) {
  const icon = document.createElementNS(svg, 'svg');
  icon.setAttribute('viewBox', '0 0 24 24');
  icon.setAttribute('aria-hidden', 'true');
  const use = document.createElementNS(svg, 'use');
  use.setAttribute('href', `#v-${word}`);
  icon.append(use);
  return element('span', { class: `verdict ${word}` }, icon, word);
}

/**
 * @param {HTMLElement} list
 * @param {HTMLElement} count
 * @param {(id: string | null) => void} point  called when an entry gets the attention, or none has
 */
export function ledger(list, count, point) {
  list.addEventListener('pointerover', (e) => point(idAt(e.target)));
  list.addEventListener('pointerleave', () => point(null));
  list.addEventListener('focusin', (e) => point(idAt(e.target)));
  list.addEventListener('focusout', () => point(null));

  return {
    /** Shows the points in view, by site in the order given. */
    show(points, total) {
      const sites = new Map();
      for (const p of points.slice(0, longest)) {
        if (!sites.has(p.site)) sites.set(p.site, []);
        sites.get(p.site).push(p);
      }
      list.replaceChildren(
        ...[...sites.values()].map((group) =>
          element(
            'li',
            {},
            element(
              'div',
              { class: 'site-line' },
              element('a', { href: group[0].site_href }, group[0].site_name),
              element('span', { class: 'code second' }, group[0].site_code),
            ),
            element('ul', { class: 'points' }, ...group.map(entry)),
          ),
        ),
      );
      const shown = Math.min(points.length, longest);
      count.textContent =
        total === 0
          ? 'No point in view.'
          : shown < total
            ? `${shown} of ${total} points in view; zoom in for the others.`
            : `${total} ${total === 1 ? 'point' : 'points'} in view.`;
    },
    /** Marks the entry of the point chosen on the map. */
    choose(id) {
      for (const li of list.querySelectorAll('[data-id]')) {
        const chosen = li.dataset.id === id;
        if (chosen) li.dataset.chosen = 'true';
        else delete li.dataset.chosen;
        if (chosen) li.scrollIntoView({ block: 'nearest' });
      }
    },
  };
}

const idAt = (target) => target.closest?.('[data-id]')?.dataset.id ?? null;

function entry(p) {
  return element(
    'li',
    { 'data-id': p.id },
    element(
      'div',
      { class: 'entry' },
      element('a', { href: p.href }, p.label),
      verdict(p.verdict),
      element('p', {}, p.sentence),
    ),
  );
}
