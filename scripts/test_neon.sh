#!/usr/bin/env bash
# test_neon.sh: the kernels and their tests compiled for 64-bit ARM, whose vector code is NEON, and
# run under qemu's emulation of it. Needs no library of that processor but the compiler's own.
# The last line of standard output counts: "N passed, M failed, K skipped". Status 0: nothing failed.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

# Knobs.
JOBS=${JOBS:-$(nproc)}
build=${BROADLOOM_BUILD_NEON:-build-neon}

# The count is printed in any case: what stops before it counts as one failure.
trap '[ "${counted:-no}" = yes ] || echo "0 passed, 1 failed, 0 skipped"' EXIT

scripts/setup.sh --neon
scripts/build.sh "$build" -- --toolchain cmake/aarch64.cmake \
    -DBROADLOOM_ONLY_KERNELS=ON -DBROADLOOM_WERROR=ON

printf '\n== Instruction sets compared with the plain code\n'
qemu-aarch64 -L /usr/aarch64-linux-gnu "$build/tests/instruction_sets_test" -s '[sets]' </dev/null |
    grep -B1 -A2 'names == processor_sets'

printf '\n== Tests\n'
report=$(realpath "$build")/tests.xml
rm -f "$report"
status=0
ctest --test-dir "$build" --output-on-failure --no-tests=error -j "$JOBS" \
    --output-junit "$report" </dev/null || status=$?
count=$(awk -f scripts/count_tests.awk "$report")
echo "$count"
counted=yes
case $count in *" 0 failed,"*) exit "$status" ;; *) exit 1 ;; esac
