// Day and night without the server: the switch works at once, also where there
// is no network, and the page kept on the device is kept anew in that light.

const night = document.querySelector('link[href$="css/night.css"]');

export function lightSwitch() {
  const form = document.querySelector('form.display');
  const kept = localStorage.getItem('display');
  if (kept && kept !== document.documentElement.dataset.display) light(form, kept);
  form.addEventListener('submit', (e) => {
    e.preventDefault();
    const to = e.submitter.value;
    localStorage.setItem('display', to);
    light(form, to);
    const body = new URLSearchParams({ to, here: '/walk' });
    fetch(form.action, { method: 'POST', body, redirect: 'manual' })
      .then(() => navigator.serviceWorker?.controller?.postMessage('keep page'))
      .catch(() => {}); // the server hears of it another time
  });
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
