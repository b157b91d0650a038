// Every word that the scripts of the map and the ledger show beside what the
// server writes. No other script may hold any: TestWordsOfScripts.

export const texts = {
  // casualty.js
  findingItself: 'Waiting for this device to find itself…',
  noPosition: (message) => `This device gives no position: ${message}.`,

  // leave.js
  nobodySignedIn: 'Nobody is signed in on this device.',

  // map.js
  copied: 'Copied. It opens the same view on any machine that reaches this atlas.',
  centre: (usng) => `centre ${usng}`,
  zoomOut: 'Zoom out',
  zoomIn: 'Zoom in',
  pressPlaces: 'Press the places to measure between.',
  pressCasualty: 'Press where the casualty is.',
  mapInPart: 'Part of the map could not be loaded. Move it to try again; the lists beside it say what was loaded.',

  // reach.js
  measuring: 'Measuring…',

  // symbol.js
  worstOf: (worst, count) => `${worst} of ${count}`,
  allOf: (count) => `all ${count}`,
};
