#!/usr/bin/env bash
# make_shoots.sh [FOLDER]: makes (once) the large made-up shoots that check_memory.sh
# renders, in FOLDER (build/shoots): 12 different frames of 20 megapixels, taken of a photograph that a
# package carries, linked under as many names as a shoot has frames.
#   forty     8 x 5 frames, about 450 megapixels
#   many      20 x 6 frames, about 1.28 gigapixels
#   sphere    52 x 2 frames round the whole horizon, 200,000 pixels wide
#   cylinder  the same on a cylinder
# The first run takes minutes of processor time and 90 MB.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

build=${BROADLOOM_BUILD:-build}
folder=${1:-$build/shoots}
photo=${PHOTO:-/usr/share/backgrounds/mate/abstract/Elephants_5640x3172.jpg}
tools=$build/tests

[ -r "$photo" ] || {
    echo "make_shoots.sh: $photo is not there; run scripts/setup.sh --tests, or name one in PHOTO" >&2
    exit 2
}
mkdir -p "$folder"
if [ ! -s "$folder/base/scene.json" ]; then
    echo "making 12 frames of 20 megapixels in $folder/base" >&2
    "$tools/make_shoot" "$photo" "$folder/base" 8 5 sphere 12
fi
# Focal length for 200,000 pixels round the horizon: 200000 / (2 pi).
spread() {
    local name=$1
    shift
    [ -s "$folder/$name/scene.json" ] ||
        "$tools/spread_shoot" "$folder/base/scene.json" "$folder/$name" "$@"
}
spread forty 8 5 sphere
spread many 20 6 sphere
spread sphere 52 2 sphere 31831 turn
spread cylinder 52 2 cylinder 31831 turn
