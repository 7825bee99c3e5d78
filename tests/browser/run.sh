#!/bin/sh
# run.sh MAKE_PAGE WORK: opens the page in a headless browser. Status 77: skipped, with the reason.
set -eu
make_page=$1
work=$2
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
exec node page.mjs "$make_page" "$browser" "$work"
