#!/usr/bin/env bash
# demo.sh: sets up, builds, and renders the sample scene twice: a draft and the full picture.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

step() { printf '\n== %s\n' "$*" >&2; }

step "Installing what is needed"
scripts/setup.sh

step "Building broadloom"
scripts/build.sh build --target broadloom -- -DBROADLOOM_TESTS=OFF

for pass in draft full; do
    step "Rendering sample_inputs/scene.json, $pass"
    build/broadloom render sample_inputs/scene.json --out "out/$pass" --pass "$pass"
done

step "Look at"
for pass in draft full; do
    printf '  %s/index.html\n  %s/pano.tif\n' "$PWD/out/$pass" "$PWD/out/$pass"
done
