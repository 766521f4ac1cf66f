// Says with GnuSpeech, which computes the air in a tube of given length and widths: any throat there could be.
//
// usage: node tube.mjs PACKAGE    PACKAGE is the folder of @echogarden/gnuspeech-wasm 0.3.0 (GPL-3.0; not passed on)
// Reads lines of JSON {"text", "file", "settings": {NAME: VALUE}}; a name is one of the package's data/en (voice_*.txt,
// trm_control_model.txt, trm.txt), as "voice_name". Writes WAV files.

import { writeFileSync } from "node:fs";
import { createInterface } from "node:readline";
import { pathToFileURL } from "node:url";

const { default: start } = await import(pathToFileURL(`${process.argv[2]}/wasm/gnuspeech.js`));
const gnuspeech = await start();
const { FS } = gnuspeech;
const folder = "/data/en";
const read = (name) => FS.readFile(`${folder}/${name}`, { encoding: "utf8" });
const names = ["trm.txt", "trm_control_model.txt", ...["male", "female", "large_child"].map((v) => `voice_${v}.txt`)];
const originals = names.map((name) => [name, read(name)]);

const text = (string) => {
  const bytes = new TextEncoder().encode(string + "\0");
  const at = gnuspeech._malloc(bytes.length);
  gnuspeech.HEAPU8.set(bytes, at);
  return at;
};
const paths = ["./out.wav", folder, "./parameters.txt"].map(text);

for await (const line of createInterface({ input: process.stdin })) {
  const { text: said, file, settings } = JSON.parse(line);
  const known = new Set();
  for (const [name, original] of originals) {
    const changed = original.replace(/^(\w+) = .*$/gm, (whole, setting) => {
      if (!(setting in settings)) return whole;
      known.add(setting);
      return `${setting} = ${settings[setting]}`;
    });
    FS.writeFile(`${folder}/${name}`, changed);
  }
  for (const setting of Object.keys(settings)) if (!known.has(setting)) throw new Error(`no setting '${setting}'`);
  gnuspeech._GnuSpeech_synthesizeToFile(text(said), paths[0], paths[1], paths[2], 0);
  writeFileSync(file, FS.readFile("./out.wav"));
}
