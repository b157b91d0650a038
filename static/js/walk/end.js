import { button, checkMark, fill, h, verdict } from './dom.js';
import { drop } from './db.js';
import { questionAt, questions, standing } from './questions.js';
import { texts } from './words.js';

/** The survey looked over: the answer, what is missing, and into the outbox. */
export async function endView(app, root) {
  const { item } = app;
  const p = item.feature.properties;
  fill(root, h('h1', {}, `${p.label ?? texts.newPoint}, ${app.siteName(p.site)}`), h('p', {}, texts.workingItOut));
  const j = await app.judge();
  if (app.item !== item) return;
  const problems = [...(j?.problem?.errors ?? [])];
  if (!item.feature.geometry) problems.push({ pointer: '/geometry', message: texts.positionMissing });
  if (!p.site) problems.push({ pointer: '/properties/site', message: texts.siteMissing });
  if (!p.label) problems.push({ pointer: '/properties/label', message: texts.labelMissing });
  const open = questions.filter((q) => standing(q, item) === 'open');
  const unknown = questions.filter((q) => standing(q, item) === 'unknown');
  const a = j?.answer;
  fill(
    root,
    h('h1', {}, `${p.label ?? texts.newPoint}, ${app.siteName(p.site)}`),
    a && h('div', { class: 'answer' }, verdict(a.verdict), h('p', {}, a.sentence)),
    a && !j.covered && h('p', { class: 'loud' }, texts.outsideArea),
    item.reason && h('p', { class: 'loud' }, texts.serverRefused(item.reason)),
    problems.length > 0 && h('div', { class: 'loud', role: 'alert' }, h('p', {}, texts.beforeSending), h('ul', { class: 'lines' }, problems.map((e) => link(item, questionAt(e.pointer), `${e.message}`)))),
    j?.problem && !j.problem.errors && h('p', { class: 'loud' }, j.problem.message),
    h('div', { class: 'actions' }, button(texts.putInOutbox, () => queue(app, item), { class: 'button first', id: 'queue', disabled: problems.length > 0 }), h('a', { class: 'button', href: `#list/${item.id}` }, texts.allQuestions)),
    a?.settles?.length > 0 && [h('h2', {}, texts.wouldSettleTitle), h('ul', { class: 'lines' }, a.settles.map((t) => h('li', {}, t)))],
    open.length > 0 && [h('h2', {}, texts.notAskedYet), h('ul', { class: 'lines' }, open.map((q) => link(item, q, q.title)))],
    unknown.length > 0 && [h('h2', {}, texts.dontKnow), h('ul', { class: 'lines' }, unknown.map((q) => link(item, q, q.title)))],
    a?.options?.length > 0 && [h('h2', {}, texts.anchorsBestFirst), a.options.slice(0, 4).map(option)],
    a?.cautions && h('ul', { class: 'lines' }, a.cautions.map((t) => h('li', {}, t))),
    !item.base && !item.tries && h('details', {}, h('summary', {}, texts.throwSurveyAway), h('p', {}, texts.neverSent), button(texts.throwItAway, () => discard(app, item))),
  );
}

const link = (item, q, text) => h('li', {}, h('a', { href: `#q/${item.id}/${q.id}` }, text));

function option(o) {
  const passed = o.main.checks.filter((c) => c.ran && c.passed);
  return h(
    'article',
    { class: 'option' },
    h('header', {}, h('span', { class: 'rank' }, String(o.rank)), h('h3', {}, o.summary), verdict(o.verdict)),
    h('p', { class: 'second' }, o.why),
    checks(o.main.checks.filter((c) => c.ran && !c.passed).concat(o.main.checks.filter((c) => !c.ran))),
    passed.length > 0 && h('details', { class: 'passed' }, h('summary', {}, texts.checksPassed(passed.length)), checks(passed)),
  );
}

const checks = (list) => list.length > 0 && h('ul', { class: 'checks' }, list.map((c) => h('li', {}, checkMark(c), h('div', {}, h('b', {}, c.title), h('br'), c.message, c.fix && [h('br'), h('span', { class: 'second' }, c.fix)]))));

async function queue(app, item) {
  const site = app.items.find((i) => i.kind === 'sites' && i.id === item.feature.properties.site && i.state === 'draft' && app.mine(i));
  for (const one of [site, item].filter(Boolean)) {
    Object.assign(one, { state: 'waiting', reason: '', problems: undefined, since: new Date().toISOString() });
    await app.keep(one);
  }
  location.hash = '#outbox';
  app.sendSoon();
}

async function discard(app, item) {
  for (const f of app.photos.filter((x) => x.point === item.id)) await drop('photos', f.id);
  app.photos = app.photos.filter((f) => f.point !== item.id);
  app.items = app.items.filter((i) => i !== item);
  await drop('items', item.id);
  app.drawState();
  location.hash = '#home';
}
