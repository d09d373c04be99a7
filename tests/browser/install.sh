#!/usr/bin/env bash
# Install the accessibility rules that the browser tests inject; quick where nothing has changed.
set -euo pipefail
cd "$(dirname "$0")"

die() { printf 'tests/browser/install.sh: %s\n' "$*" >&2; exit 1; }
for tool in node npm; do command -v "$tool" >/dev/null 2>&1 || die "$tool is needed"; done

wanted=$(cat package.json install.sh | sha256sum)
stamp=node_modules/.built
if [ "$(cat "$stamp" 2>/dev/null || true)" = "$wanted" ] && [ -f node_modules/axe-core/axe.min.js ]; then exit 0; fi

npm install --no-package-lock --no-audit --no-fund --loglevel=error || die "npm could not install the packages"
[ -f node_modules/axe-core/axe.min.js ] || die "npm did not install axe-core"
printf '%s\n' "$wanted" >"$stamp"
