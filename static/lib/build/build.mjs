// Builds static/lib/ol.js from the installed OpenLayers and copies the two
// typefaces into static/font. Nothing of this runs when holdfast is built or
// used: its output is committed.
import { build } from 'esbuild';
import { copyFile, mkdir, readFile, writeFile } from 'node:fs/promises';

const version = async (name) => JSON.parse(await readFile(`node_modules/${name}/package.json`, 'utf8')).version;

const licences = [];
for (const [name, file] of [['ol', 'LICENSE.md'], ['rbush', 'LICENSE'], ['quickselect', 'LICENSE'], ['earcut', 'LICENSE'], ['pbf', 'LICENSE']]) {
  licences.push(`${name} ${await version(name)}\n\n${(await readFile(`node_modules/${name}/${file}`, 'utf8')).trim()}`);
}

await mkdir('..', { recursive: true });
const { metafile } = await build({
  entryPoints: ['ol.js'],
  outfile: '../ol.js',
  bundle: true,
  minify: true,
  format: 'esm',
  target: 'es2022',
  legalComments: 'none',
  metafile: true,
  banner: {
    js: `/* OpenLayers ${await version('ol')}, https://openlayers.org, BSD-2-Clause, with rbush, quickselect and pbf; licences in LICENSES.txt. Built by static/lib/build/build.mjs. */`,
  },
});

// A bundled package whose licence is not written out is a mistake.
const used = new Set(Object.keys(metafile.inputs).map((p) => /node_modules\/((?:@[^/]+\/)?[^/]+)/.exec(p)?.[1]).filter(Boolean));
for (const name of used) {
  if (!licences.some((l) => l.startsWith(`${name} `))) throw new Error(`${name} is bundled but its licence is not listed in build.mjs`);
}
const bundled = licences.filter((l) => used.has(l.split(' ')[0]));
await writeFile('../LICENSES.txt', bundled.join(`\n\n${'-'.repeat(72)}\n\n`) + '\n');

const fonts = '@fontsource-variable/atkinson-hyperlegible-next';
const mono = '@fontsource/atkinson-hyperlegible-mono';
await mkdir('../../font', { recursive: true });
for (const set of ['latin', 'latin-ext']) {
  await copyFile(`node_modules/${fonts}/files/atkinson-hyperlegible-next-${set}-wght-normal.woff2`, `../../font/next-${set}.woff2`);
  await copyFile(`node_modules/${mono}/files/atkinson-hyperlegible-mono-${set}-500-normal.woff2`, `../../font/mono-${set}.woff2`);
}
await writeFile(
  '../../font/LICENSES.txt',
  `${await readFile(`node_modules/${fonts}/LICENSE`, 'utf8')}\n${'-'.repeat(72)}\n\n${await readFile(`node_modules/${mono}/LICENSE`, 'utf8')}`,
);
