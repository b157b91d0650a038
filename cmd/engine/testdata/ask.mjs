// Runs the engine in node: node ask.mjs wasm_exec.js engine.wasm.gz, with one
// question a line on stdin, as [verb, body]; one answer a line on stdout.
import { readFileSync } from 'node:fs';
import { gunzipSync } from 'node:zlib';
import { runInThisContext } from 'node:vm';

const [starter, program] = process.argv.slice(2);
runInThisContext(readFileSync(starter, 'utf8'), { filename: starter });
const go = new globalThis.Go();
const { instance } = await WebAssembly.instantiate(gunzipSync(readFileSync(program)), go.importObject);
go.run(instance);
const questions = readFileSync(0, 'utf8').trimEnd().split('\n').map((l) => JSON.parse(l));
const answers = questions.map(([verb, body]) => globalThis.holdfastAsk(verb, JSON.stringify(body)));
process.stdout.write(answers.join('\n') + '\n', () => process.exit(0));
