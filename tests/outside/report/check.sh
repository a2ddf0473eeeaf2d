#!/bin/bash
# check.sh RECORD [DRYFIRE]: looks at the report of a record with outside tools.
# html-validate (the HTML standard as rules) and axe-core (WCAG 2 A and AA as rules, in headless Chromium,
# light and dark) must find nothing. Needs node, npm and chromium; not a part of CI.
# Leaves report.pdf and screenshots in the folder that it names, for somebody to look at.
set -euo pipefail
record=$(realpath "$1"); dryfire=$(realpath "${2:-target/debug/dryfire}")
folder=$(mktemp -d); cd "$folder"; echo "in $folder"
"$dryfire" report "$record" --out report.html
npm init -y >/dev/null
npm install --silent html-validate@10 axe-core@4
echo '{"root":true,"extends":["html-validate:standard"]}' > .htmlvalidate.json
npx html-validate report.html && echo "html-validate: nothing"
# The page forbids scripts; the copy that axe-core looks at does not.
node -e '
const fs = require("fs");
const axe = fs.readFileSync("node_modules/axe-core/axe.min.js", "utf8").replace(/<\/script/g, "<\\/script");
const page = fs.readFileSync("report.html", "utf8").replace(/<meta http-equiv="Content-Security-Policy"[^>]*>/, "");
const run = `axe.run(document, {iframes: false}).then(r => { document.title = "axe " + JSON.stringify(r.violations.map(
  v => [v.id, v.nodes.length, v.nodes[0].html.slice(0, 200), v.nodes[0].failureSummary.slice(0, 300)])); })`;
fs.writeFileSync("axe.html", page.replace("</body>", `<script>${axe}</script><script>${run}</script></body>`));'
chromium=(chromium --headless --no-sandbox --disable-gpu --hide-scrollbars)
for scheme in light dark; do
    flags=(); [ $scheme = dark ] && flags=(--blink-settings=preferredColorScheme=0)
    "${chromium[@]}" "${flags[@]}" --virtual-time-budget=240000 --dump-dom "file://$folder/axe.html" 2>/dev/null > dom.html
    found=$(grep -o '<title>axe [^<]*' dom.html | head -1 || true)
    [ "$found" = "<title>axe []" ] || { echo "axe-core, $scheme: ${found:-did not come to an end}"; exit 1; }
    echo "axe-core, $scheme: nothing"
    "${chromium[@]}" "${flags[@]}" --window-size=1000,3000 --screenshot=$scheme.png "file://$folder/report.html" 2>/dev/null
done
"${chromium[@]}" --window-size=500,3000 --screenshot=narrow.png "file://$folder/report.html" 2>/dev/null
"${chromium[@]}" --no-pdf-header-footer --print-to-pdf=report.pdf "file://$folder/report.html" 2>/dev/null
