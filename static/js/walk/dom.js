/**
 * Makes an element. Properties named on… are listeners, those with null or
 * false are left out; children may be strings, nodes, lists of them, or nothing.
 * @param {string} tag
 * @param {Record<string, any>} [props]
 * @returns {HTMLElement}
 */
import { texts } from './words.js';
export function h(tag, props = {}, ...children) {
  const el = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith('on')) el.addEventListener(name.slice(2), value);
    else if (name === 'value') el.value = value;
    else if (name === 'checked') el.checked = true;
    else el.setAttribute(name, value === true ? '' : value);
  }
  el.append(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
  return el;
}

const svgNS = 'http://www.w3.org/2000/svg';

/** Makes an SVG element. */
export function s(tag, props = {}, ...children) {
  const el = document.createElementNS(svgNS, tag);
  for (const [name, value] of Object.entries(props)) el.setAttribute(name, value);
  el.append(...children.flat());
  return el;
}

/** The sign of a verdict: shape, word and colour. */
export function verdict(v) {
  return h('span', { class: `verdict ${v}` }, s('svg', { viewBox: '0 0 24 24', 'aria-hidden': 'true' }, s('use', { href: `#v-${v}` })), v);
}

/** The mark of a check. */
export function checkMark(c) {
  const shape = c.ran ? (c.passed ? 'passed' : 'failed') : 'unrun';
  return h(
    'span',
    { class: `check ${shape}` },
    s('svg', { viewBox: '0 0 20 20', 'aria-hidden': 'true' }, s('use', { href: `#c-${shape}` })),
    shape === 'unrun' ? texts.notRun : shape,
  );
}

export const button = (text, onclick, props = {}) => h('button', { type: 'button', class: 'button', onclick, ...props }, text);

/**
 * Large buttons of which one is chosen.
 * @param {{text: string, unseen?: boolean}} title
 * @param {{value: string, label: string, hint?: string}[]} options
 */
export function radios(name, title, options, chosen, onchoose) {
  return h(
    'fieldset',
    { class: 'choices' },
    h('legend', { class: title.unseen ? 'unseen' : null }, title.text),
    options.map((o) =>
      h(
        'label',
        { class: 'choice' },
        h('input', { type: 'radio', name, value: o.value, checked: o.value === chosen, onchange: () => onchoose(o.value) }),
        h('span', {}, h('b', {}, o.label), o.hint && h('span', { class: 'second' }, o.hint)),
      ),
    ),
  );
}

/** Puts nodes in the place of what an element holds. */
export const fill = (el, ...children) => el.replaceChildren(...children.flat(3).filter(Boolean));

/** Day and time as people write them, in the device's own zone. */
export const moment = (iso) =>
  new Date(iso).toLocaleString(document.documentElement.lang, { dateStyle: 'medium', timeStyle: 'short' });
