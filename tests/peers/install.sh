#!/usr/bin/env bash
# Install and build the servers that the peer tests read from; quick where nothing has changed.
set -euo pipefail
cd "$(dirname "$0")"

die() { printf 'tests/peers/install.sh: %s\n' "$*" >&2; exit 1; }
for tool in node npm cc pkg-config; do command -v "$tool" >/dev/null 2>&1 || die "$tool is needed"; done
pkg-config --exists libmodbus || die "the headers of libmodbus are needed (Debian: libmodbus-dev)"

wanted=$(cat package.json libmodbus_server.c install.sh | sha256sum)
stamp=node_modules/.built
if [ "$(cat "$stamp" 2>/dev/null || true)" = "$wanted" ] && [ -x node_modules/.bin/libmodbus_server ]; then exit 0; fi

npm install --no-package-lock --no-audit --no-fund --loglevel=error || die "npm could not install the packages"
for package in jsmodbus modbus-serial node-opcua; do
    [ -d "node_modules/$package" ] || die "npm did not install $package"
done
mkdir -p node_modules/.bin
# shellcheck disable=SC2046
cc -O1 -Wall -Wextra -Werror libmodbus_server.c -o node_modules/.bin/libmodbus_server $(pkg-config --cflags --libs libmodbus) \
    || die "the libmodbus server does not compile"
printf '%s\n' "$wanted" >"$stamp"
