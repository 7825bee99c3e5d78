// The bytes of a deep render do not depend on threads, memory, block size, instruction set or
// interruptions, its pixels not on the tiles.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <csignal>
#include <fstream>
#include <iterator>
#include <map>

#include "broadloom/error.hpp"
#include "broadloom/render.hpp"
#include "support/read_deep.hpp"
#include "support/scratch_folder.hpp"
#include "support/shoot.hpp"

using namespace broadloom;
using broadloom::testing::ScratchFolder;
namespace fs = std::filesystem;

namespace {

/// A small shoot of made-up ripples whose canvas is larger than what the frames cover.
Scene make_scene(const fs::path& folder) {
    test::Picture picture;
    picture.width = 900;
    picture.height = 560;
    for (int64_t y = 0; y < picture.height; ++y) {
        for (int64_t x = 0; x < picture.width; ++x) {
            for (int c = 0; c < 3; ++c) {
                picture.rgb.push_back(static_cast<uint8_t>(
                    128 + 60 * std::sin(0.05 * static_cast<double>(x * (c + 1))) +
                    50 * std::cos(0.07 * static_cast<double>(y) + c)));
            }
        }
    }
    Canvas canvas;
    canvas.pixels_per_degree = 40;
    canvas.left_deg = -11.25;
    canvas.right_deg = 11.25;
    canvas.top_deg = 7;
    canvas.bottom_deg = -7;
    canvas.width = picture.width;
    canvas.height = picture.height;
    test::ShootOptions o;
    o.columns = 3;
    o.rows = 2;
    o.width = 380;
    o.height = 300;
    o.gain_spread = 0.2;
    Scene scene = test::shoot(picture, canvas, o, folder);
    scene.canvas.right_deg = 13;
    return scene;
}

using Result = std::map<std::string, std::string>;

Result outputs(const fs::path& folder) {
    Result found;
    for (const auto& entry : fs::recursive_directory_iterator(folder)) {
        if (!entry.is_regular_file() || entry.path().filename() == "report.json") continue;
        std::ifstream in(entry.path(), std::ios::binary);
        found[entry.path().lexically_relative(folder).string()] = {
            std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
    }
    return found;
}

RenderOptions deep_options(const fs::path& out) {
    RenderOptions o;
    o.out = out;
    o.tile = 64;
    o.tiff_bits = 16;
    o.uncovered = Uncovered::alpha;
    o.threads = 2;
    o.memory_bytes = int64_t{1} << 30;
    return o;
}

/// Renders and asks for a stop as soon as something more is done; true when it finished.
bool render_a_bit(const Scene& scene, const RenderOptions& options) {
    std::atomic<int> stop{0};
    RenderHooks hooks;
    hooks.stop = &stop;
    hooks.progress = [&](const WorkProgress& p) {
        if (p.stage == "rendering" && p.fraction < 1) stop = SIGINT;
    };
    try {
        render(scene, options, hooks);
        return true;
    } catch (const Error& e) {
        REQUIRE(e.code() == ErrorCode::interrupted);
        return false;
    }
}

}  // namespace

TEST_CASE("the bytes of a deep render depend on nothing but the job", "[deep][pipeline]") {
    const ScratchFolder folder;
    const Scene scene = make_scene(folder.path());
    int count = 0;
    const auto run = [&](RenderOptions o) {
        o.out = folder / ("out" + std::to_string(++count));
        render(scene, o);
        Result r = outputs(o.out);
        fs::remove_all(o.out);
        return r;
    };
    const RenderOptions usual = deep_options({});
    const Result first = run(usual);
    REQUIRE(first.contains("pano.tif"));
    REQUIRE(first.size() > 100);
    for (const int threads : {1, 5}) {
        RenderOptions o = usual;
        o.threads = threads;
        CHECK(run(o) == first);
    }
    RenderOptions planned = usual;
    planned.out = folder / "planned";
    const int64_t least = plan_render(scene, planned).least_memory_bytes;
    RenderOptions tight = usual;
    tight.memory_bytes = least + (int64_t{6} << 20);
    CHECK(run(tight) == first);
    for (const int64_t block : {64, 256}) {
        RenderOptions o = usual;
        o.block = block;
        CHECK(run(o) == first);
    }
    int sets = 0;
    for (const auto set : {InstructionSet::plain, InstructionSet::sse4, InstructionSet::avx2,
                           InstructionSet::avx512, InstructionSet::neon}) {
        RenderOptions o = usual;
        o.instruction_set = set;
        try {
            const bool same = run(o) == first;
            CHECK(same);
            ++sets;
        } catch (const Error& e) {
            CHECK(e.code() == ErrorCode::usage);  // this processor lacks it
        }
    }
    CHECK(sets >= 1);
    // Control: other options, other bytes.
    RenderOptions flat = usual;
    flat.uncovered = Uncovered::background;
    CHECK(run(flat).at("pano.tif") != first.at("pano.tif"));
}

TEST_CASE("a deep render stopped again and again ends with the bytes of an uninterrupted one",
          "[deep][pipeline][resume]") {
    const ScratchFolder folder;
    const Scene scene = make_scene(folder.path());
    RenderOptions o = deep_options(folder / "whole");
    render(scene, o);
    const Result whole = outputs(o.out);
    for (const int threads : {1, 3}) {
        o.threads = threads;
        o.resume = false;
        o.out = folder / ("stopped" + std::to_string(threads));
        int stops = 0;
        while (!render_a_bit(scene, o)) {
            CHECK_FALSE(fs::exists(o.out / "pano.tif"));
            o.resume = true;
            REQUIRE(++stops < 100);
        }
        CHECK(stops >= 1);
        CHECK(outputs(o.out) == whole);
    }
    Result flipped = whole;
    flipped["pano.tif"][5000] = static_cast<char>(flipped["pano.tif"][5000] ^ 1);
    CHECK_FALSE(flipped == whole);
}

TEST_CASE("the pixels of a deep TIFF do not depend on tiles and overlap", "[deep][pipeline]") {
    const ScratchFolder folder;
    const Scene scene = make_scene(folder.path());
    for (const int bits : {16, 8}) {
        RenderOptions o = deep_options(folder / ("a" + std::to_string(bits)));
        o.tiff_bits = bits;
        o.tile = 128;
        render(scene, o);
        RenderOptions other = o;
        other.out = folder / ("b" + std::to_string(bits));
        other.tile = 126;  // TIFF tiles of 128, cut anew
        other.overlap = 1;
        render(scene, other);
        for (int page = 0; page < 4; ++page) {
            const test::DeepPage a = test::read_page(o.out / "pano.tif", page);
            test::DeepPage b = test::read_page(other.out / "pano.tif", page);
            CHECK(a == b);
            b.samples[b.samples.size() / 2] ^= 1;
            CHECK_FALSE(a == b);
        }
        CHECK(fs::exists(other.out / "pano_files" / "10" / "7_4.jpg"));
    }
}
