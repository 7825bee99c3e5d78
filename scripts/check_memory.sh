#!/usr/bin/env bash
# check_memory.sh [--quick] [FOLDER]: renders large shoots and compares the peak resident memory, as
# the kernel counts it, with the budget. Prints a table; status 1 when a render fails or takes more
# than its budget. FOLDER (build/shoots) holds the shoots, made at the first run, and takes the
# results (up to 2 GB at a time; removed). --quick: the 40-frame shoot alone.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

build=${BROADLOOM_BUILD:-build}
quick=no
folder=$build/shoots
for argument in "$@"; do
    case $argument in
        --quick) quick=yes ;;
        -*)
            echo "check_memory.sh: there is no option $argument; usage: check_memory.sh [--quick] [FOLDER]" >&2
            exit 2
            ;;
        *) folder=$argument ;;
    esac
done

cmake --build "$build" --target broadloom make_shoot spread_shoot measured_run >&2
scripts/make_shoots.sh "$folder"
log=$(mktemp)
figures=$(mktemp)
out=$folder/result
trap 'rm -rf "$log" "$figures" "$out"' EXIT

status=0
printf '%-9s %-6s %7s %10s %8s %9s %8s %7s  %s\n' \
    shoot pass budget megapixels decodes 'peak MiB' wall/s cpu/s verdict
# check SHOOT PASS MEBIBYTES
check() {
    local shoot=$1 pass=$2 budget=$3 code peak wall cpu megapixels=- decodes=- verdict=within
    rm -rf "$out"
    : >"$figures"
    "$build/tests/measured_run" "$figures" "$build/broadloom" render "$folder/$shoot/scene.json" \
        --out "$out" --pass "$pass" --memory "${budget}M" >"$log" 2>&1 || true
    read -r code peak wall cpu <"$figures" || { code=none peak=0 wall=0 cpu=0; }
    if [ -s "$out/report.json" ]; then
        megapixels=$(sed -n 's/.*"megapixels": \([0-9]*\).*/\1/p' "$out/report.json" | head -n 1)
        decodes=$(sed -n 's/.*"decodes": \([0-9]*\).*/\1/p' "$out/report.json")
    fi
    if [ "$code" != 0 ]; then
        verdict="FAILED with status $code: $(tail -n 1 "$log")"
        status=1
    elif [ "$peak" -gt $((budget * 1024)) ]; then
        verdict='MORE THAN THE BUDGET'
        status=1
    fi
    printf '%-9s %-6s %6sM %10s %8s %9s %8s %7s  %s\n' "$shoot" "$pass" "$budget" "$megapixels" "$decodes" \
        "$((peak / 1024)).$((peak % 1024 * 10 / 1024))" "$wall" "$cpu" "$verdict"
}

# Half the budget where it is workable: the program itself says so.
check_if_workable() {
    local shoot=$1 pass=$2 budget=$3 refusal
    "$build/broadloom" render "$folder/$shoot/scene.json" --out "$out-probe" --pass "$pass" \
        --memory 1M >"$log" 2>&1 || true
    refusal=$(sed -n 's/.*at least --memory \([0-9]*\)M.*/\1/p' "$log")
    if [ -z "$refusal" ]; then
        printf '%-9s %-6s %6sM  the least budget was not told\n' "$shoot" "$pass" "$budget"
        status=1
    elif [ "$refusal" -gt "$budget" ]; then
        printf '%-9s %-6s %6sM  not workable; the least is %sM\n' "$shoot" "$pass" "$budget" "$refusal"
        check "$shoot" "$pass" "$refusal"
    else
        check "$shoot" "$pass" "$budget"
    fi
}

shoots=(forty)
[ "$quick" = yes ] || shoots+=(many sphere cylinder)
for shoot in "${shoots[@]}"; do
    for pass in full draft; do
        check "$shoot" "$pass" 512
        check_if_workable "$shoot" "$pass" 256
    done
done
exit "$status"
