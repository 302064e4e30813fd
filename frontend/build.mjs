// Bundles the 3-D view with its library into one file, with the notices of what is inside.
import { build } from "esbuild";
import { readFileSync, writeFileSync } from "node:fs";

const into = "../src/canalwright/web/components/space_dist";
const version = JSON.parse(readFileSync("node_modules/three/package.json", "utf8")).version;

await build({
  entryPoints: ["src/space.js"],
  outfile: `${into}/index.js`,
  bundle: true,
  format: "esm",
  minify: true,
  target: "es2022",
  legalComments: "inline",
});
const license = readFileSync("node_modules/three/LICENSE", "utf8");
writeFileSync(`${into}/NOTICE.txt`, `index.js contains three.js ${version} and its orbit controls:\n\n${license}`);
