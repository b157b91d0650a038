import { h, button, fill } from './dom.js';
import { drop, newID, put } from './db.js';
import { set } from './feature.js';
import { texts } from './words.js';

const most = 20 << 20; // bytes; the server takes no more

/** Takes photos and keeps them, as they come from the camera, until they are sent. */
export function photos({ app, item, box, changed }) {
  const p = item.feature.properties;
  const error = h('p', { class: 'wrong', role: 'alert' });
  const shown = h('ul', { class: 'photos' });
  const urls = [];
  app.onleave(() => urls.forEach((u) => URL.revokeObjectURL(u)));

  function show() {
    const own = new Map(app.photos.map((f) => [f.id, f]));
    fill(
      shown,
      (p.photos ?? []).map((id, i) => {
        const kept = own.get(id);
        let src = `/photos/${id}/small`;
        if (kept?.blob) {
          src = URL.createObjectURL(kept.blob);
          urls.push(src);
        }
        return h(
          'li',
          {},
          h('span', { class: 'frame' }, h('img', { src, alt: texts.photo(i + 1, kept?.name), width: 160, height: 120, loading: 'lazy' })),
          h('span', { class: 'second' }, kept ? { waiting: texts.stateWaiting, sending: texts.stateSending, sent: 'sent', refused: 'refused' }[kept.state] : texts.photoSent),
          button(texts.takeOut, () => takeOut(id), { 'aria-label': texts.takePhotoOut(i + 1) }),
        );
      }),
    );
  }

  async function add(files) {
    error.textContent = '';
    for (const file of files) {
      if (file.size > most) {
        error.textContent = texts.photoTooLarge(file.name);
        continue;
      }
      const photo = { id: newID(), point: item.id, account: item.account, name: file.name, blob: file, state: 'waiting', since: new Date().toISOString(), tries: 0 };
      try {
        await put('photos', photo);
      } catch (err) {
        error.textContent = err.message;
        return;
      }
      app.photos.push(photo);
      set(p, ['photos'], [...(p.photos ?? []), photo.id]);
    }
    await changed();
    show();
  }

  async function takeOut(id) {
    set(p, ['photos'], (p.photos ?? []).filter((x) => x !== id));
    await changed();
    const kept = app.photos.find((f) => f.id === id);
    if (kept && kept.state === 'waiting' && !kept.tries) {
      app.photos = app.photos.filter((f) => f.id !== id);
      await drop('photos', id); // never sent, and taken out by its own maker
    }
    show();
  }

  fill(
    box,
    h('label', { class: 'button first wide-button file' }, texts.takePhotos, h('input', { id: 'photo', type: 'file', accept: 'image/jpeg,image/png,image/webp', multiple: true, onchange: (e) => add([...e.target.files]) })),
    h('p', { class: 'second' }, texts.photoPlace),
    error,
    shown,
  );
  show();
}
