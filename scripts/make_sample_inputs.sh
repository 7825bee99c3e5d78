#!/bin/sh
# Makes sample_inputs/ anew: builds the drawing tool and runs it. Needs what scripts/setup.sh
# installs; takes some minutes. BUILD names the build folder (default: build-samples).
set -eu
root=$(cd "$(dirname "$0")/.." && pwd)
build=${BUILD:-$root/build-samples}
cmake -S "$root" -B "$build" -G Ninja
cmake --build "$build" --target make_sample_inputs
"$build/tests/make_sample_inputs" "$root/sample_inputs" "$@"
du -sh "$root/sample_inputs"
