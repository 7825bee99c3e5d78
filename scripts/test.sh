#!/usr/bin/env bash
# test.sh                     sets up, builds and runs all tests
# test.sh --sanitize          the quick tests under address and undefined-behaviour sanitizers
# test.sh --sanitize-all      all tests for which that makes sense; takes an hour or more
# test.sh --checks [FILE...]  formatting and lint; with FILEs (.cpp) lints only those
# The last line of standard output counts: "N passed, M failed, K skipped". Status 0: nothing failed.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

# Knobs.
JOBS=${JOBS:-$(nproc)}
build=${BROADLOOM_BUILD:-build}              # all tests, and the compile commands of the checks
sanitized=${BROADLOOM_BUILD:-build}-sanitize # the sanitizers' own folder
# Tests that no sanitizer run takes: of time and memory, which sanitizers change, and of other programs.
never_sanitized='browser|bench_test|install|includes|count_test|memory_test|interruption|sample_inputs|opencv'
# Those that only --sanitize-all takes: they need more than some eight seconds there, drive the program,
# or look at readers that are other libraries'.
slow_sanitized='command_line|moved_things|survey_test|masks_test|inner_crop|deep_bytes|corrections|crop_render|seam_solver|seams_file|local_shift|light_fields|^colour_test|card_to_scene|way_test|arrangement_shoots|joint_solve|photometric|pairs_test|features_test|match_|photo_tags|raw_file|reduced_frame|accuracy|exactness|bytes|outputs|resume'
not_sanitized=${NOT_SANITIZED:-$never_sanitized|$slow_sanitized}

step() { printf '\n== %s\n' "$*"; }

# The count is printed in any case: what stops before it counts as one failure.
counted=no
trap '[ "$counted" = yes ] || echo "0 passed, 1 failed, 0 skipped"' EXIT

# run_ctest FOLDER CTEST-OPTIONS...: runs, then prints the count as the last line.
run_ctest() {
    local folder=$1 status=0 count
    shift
    local report=$PWD/$folder/tests.xml
    case $folder in /*) report=$folder/tests.xml ;; esac
    rm -f "$report"
    ctest --test-dir "$folder" --output-on-failure --no-tests=error -j "$JOBS" \
        --output-junit "$report" "$@" </dev/null || status=$?
    [ -s "$report" ] || return 1
    count=$(awk -f scripts/count_tests.awk "$report")
    echo "$count"
    counted=yes
    case $count in *" 0 failed,"*) return "$status" ;; *) return 1 ;; esac
}

all_tests() {
    scripts/setup.sh --tests
    step "Build"
    scripts/build.sh "$build" -- -DBROADLOOM_TESTS=ON -DBROADLOOM_WERROR=ON
    step "Tests"
    run_ctest "$build"
}

sanitizer_tests() {
    scripts/setup.sh --tests
    step "Build with sanitizers"
    # Assertions stay on; GCC's flow warnings are not reliable in sanitized code, so they are no errors.
    local options=(-DBROADLOOM_TESTS=ON -DBROADLOOM_SANITIZE=address,undefined
        -DCMAKE_BUILD_TYPE=Release "-DCMAKE_CXX_FLAGS_RELEASE=-O1")
    # A configured folder knows its tests; each is the target of its name.
    cmake -E make_directory "$sanitized"
    scripts/build.sh "$sanitized" --target bl_catch_main -- "${options[@]}"
    local targets
    targets=$(ctest --test-dir "$sanitized" -N -E "$not_sanitized" | sed -n 's/^ *Test *#[0-9]*: //p')
    # shellcheck disable=SC2086 # one word a target
    scripts/build.sh "$sanitized" --target $targets -- "${options[@]}"
    step "Tests with sanitizers"
    export ASAN_OPTIONS=${ASAN_OPTIONS:-detect_leaks=1:strict_string_checks=1}
    export UBSAN_OPTIONS=${UBSAN_OPTIONS:-print_stacktrace=1:halt_on_error=1}
    run_ctest "$sanitized" -E "$not_sanitized"
}

checks() {
    local passed=0 failed=0 files status=0
    scripts/setup.sh --tests
    tally() { if [ "$1" -eq 0 ]; then passed=$((passed + 1)); else failed=$((failed + 1)); fi; }

    step "Formatting"
    find include src tests viewer \( -name '*.cpp' -o -name '*.hpp' \) -print0 |
        xargs -0 clang-format --dry-run -Werror || status=$?
    tally "$status"

    step "Lint"
    # Sources that the build makes must exist; the rest is only read.
    scripts/build.sh "$build" --target bl_viewer_objects -- -DBROADLOOM_TESTS=ON -DBROADLOOM_WERROR=ON
    if [ $# -gt 0 ]; then files=("$@"); else mapfile -t files < <(find src -name '*.cpp' | sort); fi
    local file
    mkdir -p "$build/lint/said"
    # One result a file; the loop below reads them in order.
    printf '%s\0' "${files[@]}" | xargs -0 -P "$JOBS" -I{} scripts/lint_one.sh "$build" {} || true
    for file in "${files[@]}"; do
        local said=$build/lint/said/${file//\//_}
        if [ -e "$said.ok" ]; then
            tally 0
        else
            tally 1
            printf -- '-- %s\n' "$file"
            cat "$said" 2>/dev/null || echo "clang-tidy did not run"
        fi
    done
    echo "$passed passed, $failed failed, 0 skipped"
    counted=yes
    [ "$failed" -eq 0 ]
}

case ${1:-} in
    "") all_tests ;;
    --sanitize) sanitizer_tests ;;
    --sanitize-all)
        not_sanitized=${NOT_SANITIZED:-$never_sanitized}
        sanitizer_tests
        ;;
    --checks)
        shift
        checks "$@"
        ;;
    --help | -h)
        sed -n '2,6s/^# //p' "$0"
        counted=yes
        ;;
    *)
        counted=yes
        echo "test.sh: there is no option $1; try scripts/test.sh --help" >&2
        exit 2
        ;;
esac
