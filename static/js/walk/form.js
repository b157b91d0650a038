import { button, fill, h, moment, verdict } from './dom.js';
import { editors } from './editors.js';
import { byID, groups, questions, standing } from './questions.js';
import { texts } from './words.js';

const marks = { known: 'answered', unknown: texts.standingUnknown, open: texts.standingOpen };

/** The answer so far, always on screen while a point is surveyed; it opens to what would settle it. */
function strip(app) {
  const head = h('summary', {});
  const more = h('div', { class: 'more-of-it' });
  const box = h('details', { class: 'strip' }, head, more);
  const live = h('p', { class: 'unseen', role: 'status' });
  const say = (v, text) => {
    fill(head, v ? verdict(v) : '', h('span', { class: 'sentence' }, text));
    fill(more, h('p', {}, text));
    if (live.textContent !== text) live.textContent = text;
  };
  const show = () => {
    const j = app.judged;
    if (!app.item.feature.geometry) say('unknown', texts.noJudgement);
    else if (!app.area) say('unknown', texts.takeAreaFirst);
    else if (!j) say(null, texts.workingItOut);
    else if (j.problem) say('unknown', j.problem.message);
    else {
      say(j.answer.verdict, j.answer.sentence);
      const settles = j.answer.settles ?? [];
      more.append(
        ...[!j.covered && h('p', {}, h('b', {}, texts.outsideArea)), settles.length > 0 && h('p', {}, texts.wouldSettle), settles.length > 0 && h('ul', { class: 'lines' }, settles.map((t) => h('li', {}, t)))].filter(Boolean),
      );
    }
    box.dataset.verdict = j?.answer?.verdict ?? '';
  };
  show();
  app.redraw = () => app.judge().then(show);
  app.redraw();
  return [box, live];
}

/** One question a screen. */
export function questionView(app, root, id) {
  const q = byID[id] ?? questions[0];
  const { item } = app;
  const i = questions.indexOf(q);
  const box = h('div', { class: 'editor' });
  const error = h('p', { class: 'wrong', role: 'alert' });
  const changed = async (how) => {
    if (item.state !== 'draft') item.state = 'draft';
    item.asked[q.id] = how ?? 'answered';
    item.where = q.id;
    try {
      await app.keep(item);
      error.textContent = '';
    } catch (err) {
      error.textContent = err.message;
    }
    await app.redraw();
    next.classList.toggle('first', standing(q, item) !== 'open');
  };
  const go = (k) => (location.hash = k < questions.length ? `#q/${item.id}/${questions[k].id}` : `#end/${item.id}`);
  const next = button(i + 1 < questions.length ? texts.next : texts.lookItOver, () => go(i + 1), { id: 'next', class: standing(q, item) !== 'open' ? 'button first' : 'button' });
  fill(
    root,
    h('p', { class: 'over' }, texts.questionOf(q.group, i + 1, questions.length), h('a', { href: `#list/${item.id}` }, texts.allQuestions)),
    h('progress', { max: questions.length, value: i + 1, 'aria-label': texts.progress }),
    h('h1', {}, q.title),
    q.help && h('p', { class: 'help' }, q.help),
    box,
    error,
    h('div', { class: 'steps' }, strip(app), button(texts.back, () => (i > 0 ? go(i - 1) : (location.hash = `#list/${item.id}`)), { id: 'back' }), next),
  );
  editors[q.kind]({ app, item, question: q, box, changed });
  item.where = q.id;
  app.keep(item).catch((err) => (error.textContent = err.message));
}

/** All questions, to be asked in any order. */
export function listView(app, root) {
  const { item } = app;
  const p = item.feature.properties;
  const resume = item.where ?? questions.find((q) => standing(q, item) === 'open')?.id ?? questions[0].id;
  fill(
    root,
    h('h1', {}, `${p.label ?? texts.newPoint}, ${app.siteName(p.site)}`),
    h('div', { class: 'strip-box' }, strip(app)),
    item.base?.properties.surveyed_at &&
      item.base.properties.surveyed_at === p.surveyed_at &&
      h('p', { class: 'loud' }, h('span', {}, texts.countsFrom(moment(p.surveyed_at)), h('a', { href: `#q/${item.id}/who` }, texts.setTimeNow), texts.whenLookedAnew)),
    h('div', { class: 'actions' }, h('a', { class: 'button first', href: `#q/${item.id}/${resume}`, id: 'resume' }, texts.goOn), h('a', { class: 'button', href: `#end/${item.id}` }, texts.lookOverAndSend)),
    groups.map((g) => [
      h('h2', {}, g),
      h('ul', { class: 'asked' }, questions.filter((q) => q.group === g).map((q) => h('li', { class: standing(q, item) }, h('a', { href: `#q/${item.id}/${q.id}` }, q.title), h('span', {}, marks[standing(q, item)])))),
    ]),
  );
}
