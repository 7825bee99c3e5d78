#!/usr/bin/env bash
# bench.sh [FOLDER]: renders the 40-frame shoot, full and draft, and compares the time with the floor
# measured in the same run: every frame decoded once, every tile encoded once. Prints a table and
# writes FOLDER/bench.json. FOLDER (build/shoots) holds the shoots, made at the first run. Nothing
# passes or fails here; on a busy machine the figures are worth little.
# THREADS (all processors) and MEMORY (512M) may be set.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

build=${BROADLOOM_BUILD:-build}
folder=${1:-$build/shoots}
cmake --build "$build" --target broadloom bench make_shoot spread_shoot >&2
scripts/make_shoots.sh "$folder"
cat "$folder"/forty/frames/*.jpg >/dev/null # into the page cache
exec "$build/tests/bench" "$build/broadloom" "$folder/forty/scene.json" "$folder" \
    "${THREADS:-$(nproc)}" "${MEMORY:-512M}"
