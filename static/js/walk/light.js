// Day and night without the server: the switch works at once, also where there
// is no network, and the server hears of it when it can.

const night = document.querySelector('link[href$="css/night.css"]');
const untold = 'display'; // what the server has not heard of yet

export function lightSwitch() {
  const form = document.querySelector('form.display');
  const kept = localStorage.getItem(untold);
  if (kept) {
    light(form, kept);
    tell(form, kept);
  }
  form.addEventListener('submit', (e) => {
    e.preventDefault();
    light(form, e.submitter.value);
    tell(form, e.submitter.value);
  });
}

async function tell(form, to) {
  localStorage.setItem(untold, to);
  try {
    await fetch(form.action, { method: 'POST', body: new URLSearchParams({ to, here: '/walk' }), redirect: 'manual' });
    localStorage.removeItem(untold);
  } catch {
    // another time
  }
}

function light(form, to) {
  document.documentElement.dataset.display = to;
  for (const b of form.querySelectorAll('button')) b.setAttribute('aria-pressed', String(b.value === to));
  document.querySelector('meta[name=color-scheme]').content = { day: 'light', night: 'dark', auto: 'light dark' }[to];
  const media = { day: 'not all', night: 'screen', auto: 'screen and (prefers-color-scheme: dark)' }[to];
  if (night) {
    night.media = media;
    return;
  }
  const sheet = Object.assign(document.createElement('link'), { rel: 'stylesheet', media, href: `${document.getElementById('walk').dataset.base}css/night.css` });
  document.querySelector('link[href$="css/tokens.css"]').after(sheet);
}
