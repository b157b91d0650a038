// Nobody is signed in: what the Walk keeps on this device is taken off it, but
// for what was not sent yet.
import { alone, leave } from './walk/db.js';
import { texts } from './words.js';

const known = await indexedDB.databases?.();
if (!known || known.some((d) => d.name === 'holdfast-walk')) await alone(() => leave(texts.nobodySignedIn));
