#!/usr/bin/env bash
# bench_align.sh [FOLDER]: gathers and aligns 100 frames of 20 megapixels and compares the time with
# decoding every frame once at full size, measured in the same run (before and after), by the bound
# that both steps together shall keep: twice the decoding and a second a frame. Peak memory is the
# kernel's count. Nothing passes or fails here; on a busy machine the figures are worth little.
# FOLDER (broadloom-card-100 below the system's temporary folder) holds the frames, about 700 MB, made
# at the first run in some minutes of processor time.
# May be set: THREADS (all processors), MEMORY (1G), and for a smaller trial ROWS, COLUMNS (10, 10),
# WIDTH, HEIGHT (5472, 3648), each with a FOLDER of its own.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

build=${BROADLOOM_BUILD:-build}
folder=${1:-${TMPDIR:-/tmp}/broadloom-card-100}
rows=${ROWS:-10} columns=${COLUMNS:-10}
width=${WIDTH:-5472} height=${HEIGHT:-3648}
threads=${THREADS:-$(nproc)} memory=${MEMORY:-1G}

cmake --build "$build" --target broadloom bench make_card measured_run compare_scenes >&2
if [ ! -s "$folder/truth.json" ]; then # written last
    echo "making $((rows * columns)) frames of $width x $height in $folder" >&2
    # 20.4 degrees across: a lens of 100 mm on 36 x 24 mm.
    "$build/tests/make_card" "$folder" rows="$rows" columns="$columns" width="$width" \
        height="$height" field_of_view_deg=20.4 overlap=0.3 aim_error_deg=0.1 roll_error_deg=0.1 \
        k1=-0.05 v2=-0.25 v4=0.05 gain_spread_stops=0.33 noise_levels=3 fine_contrast=3 quality=92
fi
figures=$(mktemp)
out=$folder/bench
rm -rf "$out"
mkdir -p "$out"
trap 'rm -f "$figures"' EXIT

frames=$(find "$folder/card" -name '*.jpg' | wc -l)
bytes=$(cat "$folder"/card/*.jpg | wc -c) # and into the page cache
decode_seconds() {
    "$build/tests/bench" --floor "$folder/truth.json" full "$threads" |
        sed -n 's/.*"decode_seconds":\([0-9.e+-]*\).*/\1/p'
}
# measure STEP ARGUMENT...: appends to the figures; a step may end with a status of its own.
measure() {
    "$build/tests/measured_run" "$figures" "$build/broadloom" "$@" --memory "$memory" \
        --threads "$threads" 2>"$out/$1.log" || echo "broadloom $1 ended with status $?:" \
        "$(tail -n 1 "$out/$1.log")" >&2
}

load=$(cut -d ' ' -f 1 /proc/loadavg)
before=$(decode_seconds)
measure gather "$folder/card" --out "$out/scene.json"
[ ! -s "$out/scene.json" ] || measure align "$out/scene.json"
after=$(decode_seconds)

printf 'machine  %s, %s processors, load before %s\n' \
    "$(sed -n 's/^model name[^:]*: //p' /proc/cpuinfo | head -n 1)" "$(nproc)" "$load"
awk -v frames="$frames" -v bytes="$bytes" -v pixels="$((width * height))" -v before="$before" \
    -v after="$after" -v memory="$memory" -v threads="$threads" '
    BEGIN {
        printf "frames   %d of %.1f megapixels, %.2f bits a pixel\n", frames, pixels / 1e6,
            8 * bytes / frames / pixels
        printf "\n%-8s %7s %9s %9s %10s\n", "step", "status", "wall/s", "cpu/s", "peak MiB"
        decode = (before + after) / 2
        printf "%-8s %7s %9.2f %9s %10s   %.2f before, %.2f after; %d threads\n", "decode", "-", decode,
            "-", "-", before, after, threads
    }
    {
        printf "%-8s %7d %9.2f %9.2f %10.1f   of %s\n", NR == 1 ? "gather" : "align", $1, $3, $4,
            $2 / 1024, memory
        wall += $3
    }
    END {
        bound = 2 * decode + frames
        printf "%-8s %7s %9.2f   %.2f of the bound, 2 x decode + 1 s a frame = %.2f s\n", "both", "",
            wall, wall / bound, bound
    }' "$figures"
[ ! -s "$out/align.json" ] || {
    printf '\nagainst the truth: '
    "$build/tests/compare_scenes" "$folder/truth.json" "$out/scene.json" | head -n 1
}
