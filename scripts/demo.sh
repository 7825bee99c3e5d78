#!/usr/bin/env bash
# demo.sh: sets up, builds, and goes the whole way from the folder of sample photographs to the page:
# gathers, aligns, and renders a draft and the full picture, all below out/harbour.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

out=out/harbour
step() { printf '\n== %s\n' "$*" >&2; }

step "Installing what is needed"
scripts/setup.sh

step "Building broadloom"
scripts/build.sh build --target broadloom -- -DBROADLOOM_TESTS=OFF

step "From sample_inputs/frames to $out"
again=()
[ ! -e "$out" ] || again=(--resume) # shown before: goes on from what is there
build/broadloom weave sample_inputs/frames --out "$out" ${again[@]+"${again[@]}"}

step "Look at"
for file in contact.html align.html draft/index.html full/index.html full/pano.tif scene.json; do
    [ -s "$out/$file" ] || {
        echo "demo.sh: $out/$file is not there" >&2
        exit 1
    }
    printf '  %s\n' "$PWD/$out/$file"
done
