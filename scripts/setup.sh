#!/usr/bin/env bash
# setup.sh [--tests]: installs what broadloom is built from and runs on, on Debian 12 and its kin;
# with --tests also what the tests and the checks use. Does nothing where everything is there.
# setup.sh --neon: only what scripts/test_neon.sh uses.
set -euo pipefail

build_packages=(
    g++ cmake ninja-build make pkg-config
    libvips-dev libturbojpeg0-dev libjpeg62-turbo-dev libdeflate-dev libhwy-dev
    nlohmann-json3-dev libcli11-dev
    liblcms2-dev                                          # colour profiles
    libexif-dev libtiff-dev libraw-dev liblensfun-data-v1 # what the camera wrote; raw files; sensors
    libssl-dev                                            # checksums
    libopencv-features2d-dev libopencv-calib3d-dev libopencv-flann-dev libopencv-imgproc-dev
    libceres-dev libpugixml-dev                           # features; least squares; XML
)
test_packages=(
    catch2 python3 strace ccache                  # the tests themselves, built faster a second time
    libproj-dev proj-bin                          # projections, as a reference
    libopencv-stitching-dev                       # blending, as a reference
    libtiff-tools libvips-tools gdal-bin          # readers of what broadloom writes
    libpng-dev                                    # test pictures
    libimage-exiftool-perl                        # a reader of metadata
    chromium fonts-dejavu-core                    # the page in a browser
    mate-backgrounds lomiri-wallpapers-16.04 opencv-doc # photographs to test with
    golang-github-rwcarlsen-goexif-dev            # odd camera data to test with
    clang-format clang-tidy                       # scripts/test.sh --checks
)
neon_packages=(
    cmake ninja-build libhwy-dev catch2           # of the latter two the headers only
    g++-aarch64-linux-gnu qemu-user               # a compiler for 64-bit ARM, and its processor
)

step() { printf 'setup    %s\n' "$*" >&2; }
fail() {
    printf 'setup.sh: %s\n' "$*" >&2
    exit 1
}

packages=("${build_packages[@]}")
# Any node and npm will do, whichever package they came from.
command -v node >/dev/null || packages+=(nodejs)
command -v npm >/dev/null || packages+=(npm)
for argument in "$@"; do
    case $argument in
        --tests) packages+=("${test_packages[@]}") ;;
        --neon) packages=("${neon_packages[@]}") ;;
        --help | -h)
            echo "usage: scripts/setup.sh [--tests | --neon]"
            exit 0
            ;;
        *) fail "there is no option $argument; usage: scripts/setup.sh [--tests | --neon]" ;;
    esac
done

if ! command -v dpkg-query >/dev/null || ! command -v apt-get >/dev/null; then
    fail "this is not a Debian system; install these yourself: ${packages[*]}"
fi

missing=()
for package in "${packages[@]}"; do
    # shellcheck disable=SC2016 # the format is dpkg's
    status=$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null) || true
    [ "$status" = installed ] || missing+=("$package")
done
if [ ${#missing[@]} -eq 0 ]; then
    step "all ${#packages[@]} packages are there"
    exit 0
fi
[ "$(id -u)" -eq 0 ] || fail "not root; run this as root, or install these yourself: ${missing[*]}"

log=$(mktemp)
trap 'rm -f "$log"' EXIT
run_apt() {
    if ! DEBIAN_FRONTEND=noninteractive apt-get -q -y -o Dpkg::Use-Pty=0 \
        -o DPkg::Lock::Timeout=120 "$@" >"$log" 2>&1 </dev/null; then
        tail -n 20 "$log" >&2
        fail "apt-get $1 failed (its last lines stand above); install these yourself: ${missing[*]}"
    fi
}
step "reading the package lists"
run_apt update
step "installing ${#missing[@]} packages and what they need: ${missing[*]}"
run_apt install --no-install-recommends "${missing[@]}"
step "done"
