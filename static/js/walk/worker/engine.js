// Runs the engine beside the page, so that the page never waits for it. The
// server puts self.known before this script.
importScripts(self.known.starter);

const go = new self.Go();
const started = WebAssembly.instantiateStreaming(fetch(self.known.program), go.importObject).then(({ instance }) => {
  go.run(instance);
});

self.onmessage = async ({ data: { n, verb, body } }) => {
  try {
    await started;
    self.postMessage({ n, text: self.holdfastAsk(verb, body) });
  } catch (err) {
    self.postMessage({ n, text: JSON.stringify({ problem: { message: `The engine does not run in this browser: ${err.message}` } }) });
  }
};
