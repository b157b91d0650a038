// The engine runs in a worker; questions and answers are JSON.
import { texts } from './words.js';

const waiting = new Map();
let worker;
let count = 0;

function start() {
  worker = new Worker(`/walk/engine.js?edition=${document.getElementById('walk').dataset.edition}`);
  worker.onmessage = ({ data: { n, text } }) => {
    waiting.get(n)?.(text);
    waiting.delete(n);
  };
  worker.onerror = (e) => {
    e.preventDefault?.();
    for (const done of waiting.values()) done(JSON.stringify({ problem: { message: texts.engineNotStarted } }));
    waiting.clear();
    worker = undefined;
  };
}

/**
 * Asks the engine; text is JSON already. What it answers is {ok} or {problem}.
 * @returns {Promise<{ok?: any, problem?: {message: string, errors?: {pointer: string, message: string}[], could_be?: string[]}}>}
 */
export function askText(verb, text) {
  if (!worker) start();
  const n = ++count;
  return new Promise((resolve) => {
    waiting.set(n, (answer) => resolve(JSON.parse(answer)));
    worker.postMessage({ n, verb, body: text });
  });
}

export const ask = (verb, question) => askText(verb, JSON.stringify(question));

/** Now, as the wire writes it. */
export const now = () => new Date().toISOString().replace(/\.\d+Z$/, 'Z');
