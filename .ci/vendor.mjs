// Copies the files that package.json names under "vendor" out of node_modules into the tree, each
// package into NAME-VERSION/ with its licence, and lists them with their hashes in VENDOR.json.
//   node .ci/vendor.mjs           copy, and remove what is no longer named
//   node .ci/vendor.mjs --check   change nothing; exit 1 if the tree differs from what a copy would give
// Links to sponsors leave package-lock.json, so that it names packages and hashes and no address.
// Source-map comments go: a storage that hashes names refuses a file that names a map which is not there.
import { createHash } from "node:crypto";
import { existsSync, mkdirSync, readFileSync, readdirSync, rmSync, writeFileSync } from "node:fs";
import { basename, dirname, join, relative } from "node:path";

const checking = process.argv.includes("--check");
const { vendor } = JSON.parse(readFileSync("package.json", "utf8"));
const sourceMap = /\n?(\/\/[#@] sourceMappingURL=\S+|\/\*[#@] sourceMappingURL=\S+ *\*\/)\s*$/;
let differing = 0;

/** Every file below a folder, as paths from that folder. */
const filesBelow = (root, folder = root) =>
  !existsSync(folder)
    ? []
    : readdirSync(folder, { withFileTypes: true }).flatMap((entry) =>
        entry.isDirectory() ? filesBelow(root, join(folder, entry.name)) : [relative(root, join(folder, entry.name))],
      );

const differs = (path, why) => {
  console.error(`${path}: ${why}`);
  differing += 1;
};

for (const [root, packages] of Object.entries(vendor)) {
  const wanted = new Map();
  const listed = {};
  for (const [name, files] of Object.entries(packages)) {
    const from = join("node_modules", name);
    const about = JSON.parse(readFileSync(join(from, "package.json"), "utf8"));
    const folder = `${name.replace("@", "").replace("/", "-")}-${about.version}`;
    const licence = readdirSync(from).find((file) => /^licen[sc]e/i.test(file));
    if (!licence) throw new Error(`${name} brings no licence file; add its text by hand.`);
    listed[name] = { version: about.version, licence: about.license, files: {} };
    for (const file of [...files, licence]) {
      let content = readFileSync(join(from, file));
      if (/\.(m?js|css)$/.test(file)) content = Buffer.from(content.toString("utf8").replace(sourceMap, "\n"));
      // A style sheet finds its pictures beside itself, under the name it was written with.
      const to = `${folder}/${file.includes("/images/") ? `images/${basename(file)}` : basename(file)}`;
      wanted.set(to, content);
      listed[name].files[to] = createHash("sha256").update(content).digest("hex");
    }
  }
  wanted.set("VENDOR.json", Buffer.from(`${JSON.stringify(listed, null, 2)}\n`));

  for (const path of filesBelow(root)) {
    if (wanted.has(path)) continue;
    if (checking) differs(join(root, path), "not named in package.json");
    else rmSync(join(root, path));
  }
  for (const [path, content] of wanted) {
    const to = join(root, path);
    if (checking) {
      if (!existsSync(to)) differs(to, "missing");
      else if (!readFileSync(to).equals(content)) differs(to, "differs from the package");
    } else {
      mkdirSync(dirname(to), { recursive: true });
      writeFileSync(to, content);
    }
  }
  console.log(`${root}: ${wanted.size} files ${checking ? "checked" : "copied"}`);
}
const lock = JSON.parse(readFileSync("package-lock.json", "utf8"));
const sponsored = Object.values(lock.packages).filter((entry) => "funding" in entry);
if (sponsored.length && checking) differs("package-lock.json", "holds links to sponsors");
else if (sponsored.length) {
  for (const entry of sponsored) delete entry.funding;
  writeFileSync("package-lock.json", `${JSON.stringify(lock, null, 2)}\n`);
}
process.exit(differing ? 1 : 0);
