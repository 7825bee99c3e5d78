#!/usr/bin/env bash
# bench.sh [--small] [SECTION...]: measures renders against the floor, every frame decoded and every
# tile encoded once by the same library on the same threads, and beside general libraries. Prints
# tables and writes build/bench/bench.json. Nothing passes or fails here; on a busy machine the
# figures are worth little.
#   main      full and draft, 1.2 gigapixels from 100 frames of 20 megapixels
#   threads   1, 2 and all threads
#   budget    256M, 512M, 1G and 4G of memory
#   canvas    0.1, 0.4, 1.2 and 5 gigapixels
#   frames    25, 100 and 400 frames on canvases of one size
#   chain     a canvas of 150 megapixels beside OpenCV and libvips, and the blend alone
#   pyramid   the pyramid stage alone beside libvips
# Without a section: all. --small: frames of 480 x 320, seconds instead of minutes; shows that
# it works and nothing else. The first run makes the frames: minutes of processor time, 750 MB.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

# Knobs.
build=${BROADLOOM_BUILD:-build}
threads=${THREADS:-$(nproc)}
memory=${MEMORY:-512M}            # where the budget is not what varies
folder=${BENCH_FOLDER:-$build/bench} # frames (kept) and results
built=${BENCH_BUILT:-no}          # yes: the programs are there, as when a test runs this

size=large
if [ "${1:-}" = --small ]; then
    size=small
    shift
fi
sections=("$@")
case ${1:-all} in all) sections=(main threads budget canvas frames chain pyramid) ;; esac

[ "$built" = yes ] || cmake --build "$build" --target broadloom bench_programs >&2
shoot=$folder/$size
if [ ! -s "$shoot/scene.json" ]; then
    echo "making frames in $shoot" >&2
    mkdir -p "$shoot"
    if [ "$size" = small ]; then
        "$build/tests/make_bench_shoot" "$shoot" small
    else
        "$build/tests/make_bench_shoot" "$shoot"
    fi
fi
cat "$shoot"/card/*.jpg >/dev/null # into the page cache
results=$folder/results
[ "$size" = large ] || results=$folder/results-small
exec "$build/tests/bench" "$build/broadloom" "$shoot" "$results" "$threads" "$memory" "$size" \
    "${sections[@]}"
