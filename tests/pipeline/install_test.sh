#!/usr/bin/env bash
# install_test.sh SOURCE BUILD COMPILER CMAKE SANITIZERS: installs BUILD into an empty prefix, builds
# the example of README.md against it by CMake and by pkg-config, and runs both.
set -euo pipefail
source_folder=$1 build=$2 compiler=$3 cmake=$4 sanitizers=$5

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
prefix=$work/prefix
fail() {
    echo "FAILED: $*"
    exit 1
}

"$cmake" --install "$build" --prefix "$prefix" >"$work/install.log" || fail "cmake --install"
[ -x "$prefix/bin/broadloom" ] || fail "the program is not installed"
[ -e "$prefix/include/broadloom/render.hpp" ] || fail "the headers are not installed"
[ -e "$prefix/share/doc/broadloom/LICENSE" ] || fail "the licence is not installed"
pc=$(find "$prefix" -name broadloom.pc -printf '%h\n')
[ -n "$pc" ] || fail "broadloom.pc is not installed"
# Nothing of the installed text may point back to where it was built.
for folder in "$source_folder" "$build"; do
    if grep -rIlF "$folder/" "$prefix/include" "$prefix"/lib*/; then
        fail "the files above name $folder"
    fi
done
version=$("$prefix/bin/broadloom" --version)
[ "$version" = "broadloom $(PKG_CONFIG_PATH=$pc pkg-config --modversion broadloom)" ] ||
    fail "the program says \"$version\", broadloom.pc something else"

# Moved as a whole, the tree still works.
mv "$prefix" "$work/moved"
pc=$work/moved${pc#"$prefix"}
prefix=$work/moved

mkdir "$work/example"
cd "$work/example"
awk '/^<!-- example:render -->$/ { wanted = 1 }
     /^```$/ { inside = wanted = wanted && !inside }
     inside { print }
     /^```cpp$/ && wanted { inside = 1 }' "$source_folder/README.md" >render_example.cpp
grep -q 'int main' render_example.cpp || fail "README.md holds no example"

warnings=(-Wall -Wextra -Wpedantic -Werror)
[ -z "$sanitizers" ] || warnings+=("-fsanitize=$sanitizers")

cat >CMakeLists.txt <<'CMAKE'
cmake_minimum_required(VERSION 3.25)
project(render_example LANGUAGES CXX)
find_package(broadloom 0.1 REQUIRED)
add_executable(render_example render_example.cpp)
target_link_libraries(render_example PRIVATE broadloom::broadloom)
CMAKE
"$cmake" -S . -B by_cmake -DCMAKE_PREFIX_PATH="$prefix" -DCMAKE_CXX_COMPILER="$compiler" \
    -DCMAKE_CXX_FLAGS="${warnings[*]}" >cmake.log 2>&1 || { cat cmake.log; fail "find_package"; }
"$cmake" --build by_cmake >cmake.log 2>&1 || { cat cmake.log; fail "the example does not build by CMake"; }
# A version that was never made must not be found.
sed -i 's/broadloom 0.1 /broadloom 99.0 /' CMakeLists.txt
if "$cmake" -S . -B by_cmake_new -DCMAKE_PREFIX_PATH="$prefix" -DCMAKE_CXX_COMPILER="$compiler" \
    >cmake.log 2>&1; then
    fail "version 99.0 was found"
fi

# As README.md has it.
export PKG_CONFIG_PATH=$pc
# shellcheck disable=SC2046 # several words are meant
"$compiler" -std=c++20 "${warnings[@]}" render_example.cpp \
    $(pkg-config --cflags --libs broadloom | sed 's/-I/-isystem /g') -o by_pkg_config ||
    fail "the example does not build by pkg-config"

# Two frames of smooth noise, side by side.
mkdir frames
for i in 1 2; do
    vips gaussnoise noise.v 240 160 --mean 128 --sigma 40 --seed "$i"
    vips gaussblur noise.v blurred.v 2
    vips cast blurred.v "frames/$i.jpg[Q=95]" uchar
done
cat >scene.json <<'JSON'
{"format": "broadloom-scene", "version": 1,
 "cameras": {"main": {"width": 240, "height": 160, "focal_px": 400.0}},
 "frames": [{"file": "frames/1.jpg", "camera": "main", "yaw_deg": -10.0, "pitch_deg": 0.0},
            {"file": "frames/2.jpg", "camera": "main", "yaw_deg": 10.0, "pitch_deg": 0.0}]}
JSON
export LD_LIBRARY_PATH=$(dirname "$pc")${LD_LIBRARY_PATH:+:$LD_LIBRARY_PATH}
for program in by_cmake/render_example ./by_pkg_config; do
    out=out_$(basename "$program")
    "$program" scene.json "$out" >said || fail "$program: status $?"
    cat said
    grep -Eq '^[0-9]+ x [0-9]+ pixels$' said || fail "$program printed no size"
    grep -Eq '^[0-9.]+ megapixels of 2 frames in [0-9.]+ seconds$' said || fail "$program printed no report"
    size=$(sed -n 's/ pixels$//p' said)
    found="$(vipsheader -f width "$out/pano.tif") x $(vipsheader -f height "$out/pano.tif")"
    [ "$found" = "$size" ] || fail "pano.tif is $found, the plan said $size"
    for file in index.html pano.dzi report.json; do
        [ -s "$out/$file" ] || fail "$program left no $file"
    done
done
cmp out_render_example/pano.tif out_by_pkg_config/pano.tif || fail "the two programs' pictures differ"

# Bad input comes back as the library's error, with the program's status for it.
status=0
by_cmake/render_example no_such_scene.json nowhere 2>said || status=$?
[ "$status" -eq 3 ] || fail "a missing scene gave status $status instead of 3"
grep -q no_such_scene.json said || fail "the message does not name the missing scene"
echo "installed, found and run"
