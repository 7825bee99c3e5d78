#!/usr/bin/env bash
# build.sh FOLDER [cmake --build options] [-- cmake options]: configures FOLDER (Ninja where it is
# installed, Release) and builds there, quietly unless something goes wrong.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

folder=$1
shift
build_options=()
while [ $# -gt 0 ] && [ "$1" != -- ]; do
    build_options+=("$1")
    shift
done
[ $# -eq 0 ] || shift

# Where there is a compiler cache, a second build anywhere takes what the first one made.
if command -v ccache >/dev/null; then
    export CMAKE_CXX_COMPILER_LAUNCHER=ccache CCACHE_BASEDIR=$PWD CCACHE_NOHASHDIR=1
    # What it asks for where headers are precompiled.
    export CCACHE_SLOPPINESS=pch_defines,time_macros
fi
generator=()
# A folder keeps the generator that it was made with.
if [ ! -e "$folder/CMakeCache.txt" ] && command -v ninja >/dev/null; then generator=(-G Ninja); fi

log=$(mktemp)
trap 'rm -f "$log"' EXIT
quietly() {
    local what=$1 start=$SECONDS
    shift
    printf 'build    %s' "$what" >&2
    if ! "$@" >"$log" 2>&1; then
        printf ': failed\n' >&2
        # The compiler's errors first, then how it ended.
        grep -nE '(error: |undefined reference )' "$log" | head -n 20 >&2 || true
        tail -n 15 "$log" >&2
        printf 'build.sh: %s failed; what it said stands above\n' "$what" >&2
        exit 1
    fi
    printf ' (%s s)\n' $((SECONDS - start)) >&2
}
quietly "configuring $folder" cmake -S . -B "$folder" "${generator[@]}" "$@"
quietly "compiling in $folder" cmake --build "$folder" --parallel "${JOBS:-$(nproc)}" "${build_options[@]}"
