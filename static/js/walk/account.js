// Whose the surveys of this device are. The area and what was recorded belong to
// the account that took and recorded them; whoever else is signed in neither
// sees them here nor sends them under their own name.
import { drop } from './db.js';
import { button, h, fill } from './dom.js';
import { save } from './outboxview.js';
import { texts } from './words.js';

/** Whether whoever is signed in may go on with an item or photo. What was recorded without an account is anybody's. */
export const mine = (app, x) => !x.account?.id || x.account.id === app.account?.id;

/**
 * Asks the server who is signed in, and holds the page to it.
 * @returns {Promise<'known' | 'barred' | 'offline'>}
 */
export async function identify(app) {
  let answer;
  let body;
  try {
    answer = await fetch('/walk/account', { headers: { Accept: 'application/json' }, redirect: 'error' });
    body = await answer.json();
  } catch {
    return 'offline'; // or not our server
  }
  if (answer.ok && typeof body.id === 'string') {
    await admit(app, body);
    return 'known';
  }
  if (answer.status !== 401 && answer.status !== 403) return 'offline';
  await bar(app, answer.status === 401 ? texts.nobodySignedIn : (body.detail ?? texts.mayNotRecord));
  return 'barred';
}

/** Takes an account for the one that is signed in. */
export async function admit(app, { id, name }) {
  const other = app.account?.id !== id;
  if (!other && !app.barred) return;
  if (other && app.area?.account?.id !== id) {
    app.area = null;
    await drop('kept', 'area');
  }
  if (other && app.account) delete app.kept.who;
  app.account = { id, name };
  app.barred = '';
  delete app.kept.barred;
  await app.remember('account', app.account);
  for (const [store, list] of [['items', app.items], ['photos', app.photos]]) {
    for (const x of list.filter((one) => one.state === 'sent' && !mine(app, one))) await drop(store, x.id);
  }
  await app.reload();
}

/** Shows nothing more before somebody signs in who may; what was recorded stays. */
async function bar(app, why) {
  if (app.barred === why) return;
  Object.assign(app, { barred: why, area: null, item: null });
  await drop('kept', 'area');
  await app.remember('barred', why);
}

/** What stands in the place of every screen until somebody signs in who may record. */
export function signInView(app, root) {
  const unsent = [...app.items, ...app.photos].filter((x) => x.state !== 'sent');
  const who = [...new Set(unsent.map((x) => x.account?.name).filter(Boolean))].join(', ');
  const status = h('p', { role: 'status' });
  fill(
    root,
    h('h1', {}, texts.signInTitle),
    h('p', {}, app.barred),
    unsent.length > 0 &&
      h('p', { class: 'loud' }, texts.unsentKept(unsent.length, who)),
    h('div', { class: 'actions' }, h('a', { class: 'button first', href: '/sign-in?to=%2Fwalk' }, texts.signIn), unsent.length > 0 && button(texts.saveAsFile, () => save(app, status))),
    status,
  );
}
