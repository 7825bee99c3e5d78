#!/bin/sh
# run.sh MAKE_PAGE WORK [SCRIPT]: opens what MAKE_PAGE makes in a headless browser; SCRIPT, page.mjs
# unless named, holds the checks. Status 77: skipped, with the reason.
set -eu
make_page=$1
work=$2
script=${3:-page.mjs}
here=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)

skip() {
    echo "skipped: $1"
    exit 77
}
command -v node >/dev/null || skip "node is not installed (package nodejs)"
command -v npm >/dev/null || skip "npm is not installed (package npm)"
browser=$(command -v chromium) || skip "chromium is not installed (package chromium)"

mkdir -p "$work"
cp "$here/package.json" "$here/package-lock.json" "$here/.npmrc" "$here"/*.mjs "$work"
cd "$work"
if ! npm ci --ignore-scripts --no-audit --no-fund --loglevel=error >npm.log 2>&1; then
    cat npm.log
    # Only an unreachable network excuses; a wrong lock file does not.
    if grep -Eq 'ENOTFOUND|EAI_AGAIN|ETIMEDOUT|ECONNREFUSED|ENETUNREACH' npm.log; then
        skip "the browser's driver cannot be fetched"
    fi
    exit 1
fi
exec node "$script" "$make_page" "$browser" "$work"
