// A stopped render goes on from its checkpoint and ends with the bytes of an uninterrupted one.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <csignal>
#include <fstream>
#include <iterator>
#include <map>

#include "broadloom/error.hpp"
#include "broadloom/render.hpp"
#include "support/scratch_folder.hpp"
#include "support/shoot.hpp"

using namespace broadloom;
namespace fs = std::filesystem;

namespace {

/// A small shoot of made-up ripples; tiles of 64 px make many leaves' parents.
Scene make_scene(const fs::path& folder) {
    test::Picture picture;
    picture.width = 1800;
    picture.height = 1100;
    picture.rgb.resize(static_cast<size_t>(3 * picture.width * picture.height));
    for (int64_t y = 0; y < picture.height; ++y) {
        for (int64_t x = 0; x < picture.width; ++x) {
            for (int c = 0; c < 3; ++c) {
                picture.rgb[static_cast<size_t>(3 * (y * picture.width + x) + c)] =
                    static_cast<uint8_t>(128 +
                                         60 * std::sin(0.05 * static_cast<double>(x * (c + 1))) +
                                         50 * std::cos(0.07 * static_cast<double>(y) + c));
            }
        }
    }
    Canvas canvas;
    canvas.pixels_per_degree = 40;
    canvas.left_deg = -22.5;
    canvas.right_deg = 22.5;
    canvas.top_deg = 13.75;
    canvas.bottom_deg = -13.75;
    canvas.width = picture.width;
    canvas.height = picture.height;
    test::ShootOptions o;
    o.columns = 4;
    o.rows = 3;
    o.width = 640;
    o.height = 480;
    o.gain_spread = 0.2;
    return test::shoot(picture, canvas, o, folder);
}

std::map<std::string, std::string> outputs(const fs::path& folder) {
    std::map<std::string, std::string> found;
    for (const auto& entry : fs::recursive_directory_iterator(folder)) {
        if (!entry.is_regular_file() || entry.path().filename() == "report.json") continue;
        std::ifstream in(entry.path(), std::ios::binary);
        found[entry.path().lexically_relative(folder).string()] = {
            std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
    }
    return found;
}

/// Renders and asks for a stop once `after` more of the whole is done; true when it finished.
bool render_until(const Scene& scene, RenderOptions options, double after) {
    std::atomic<int> stop{0};
    double first = -1;
    RenderHooks hooks;
    hooks.stop = &stop;
    hooks.progress = [&](const WorkProgress& p) {
        if (p.stage != "rendering") return;
        if (first < 0) first = p.fraction;
        if (p.fraction - first >= after && p.fraction < 1) stop = SIGINT;
    };
    try {
        render(scene, options, hooks);
        return true;
    } catch (const Error& e) {
        REQUIRE(e.code() == ErrorCode::interrupted);
        REQUIRE(std::string(e.what()).find("--resume") != std::string::npos);
        return false;
    }
}

}  // namespace

TEST_CASE("a render stopped again and again ends with the bytes of an uninterrupted one",
          "[resume]") {
    const testing::ScratchFolder folder;
    const Scene scene = make_scene(folder.path());
    RenderOptions o;
    o.tile = 64;
    o.out = folder.path() / "whole";
    REQUIRE(render_until(scene, o, 2));
    const auto whole = outputs(o.out);
    REQUIRE(whole.size() > 100);
    for (const int threads : {1, 2, 3}) {
        o.threads = threads;
        o.out = folder.path() / ("stopped" + std::to_string(threads));
        int stops = 0;
        // Of several threads one may end a later leaf before the first that is missing, time and
        // again; from the fourth stop on each run is left a little more time.
        while (!render_until(scene, o, 0.02 * std::max(0, stops - 3))) {
            ++stops;
            CHECK_FALSE(fs::exists(o.out / "pano.dzi"));
            CHECK_FALSE(fs::exists(o.out / "pano.tif"));
            // Without --resume it is refused, and nothing is lost by that.
            RenderOptions without = o;
            without.resume = false;
            CHECK_THROWS_AS(render(scene, without), Error);
            RenderOptions other = o;
            other.quality = 70;
            other.resume = true;
            CHECK_THROWS_AS(render(scene, other), Error);
            o.resume = true;
            REQUIRE(stops < 100);
        }
        CHECK(stops >= 2);
        CHECK(outputs(o.out) == whole);
        o.resume = false;
    }
    auto flipped = whole;
    flipped["pano.tif"][5000] = static_cast<char>(flipped["pano.tif"][5000] ^ 1);
    CHECK_FALSE(flipped == whole);
}

TEST_CASE("a damaged checkpoint is noticed and the render starts anew", "[resume]") {
    const testing::ScratchFolder folder;
    const Scene scene = make_scene(folder.path());
    RenderOptions o;
    o.tile = 64;
    o.threads = 1;
    o.out = folder.path() / "whole";
    render(scene, o);
    const auto whole = outputs(o.out);
    o.out = folder.path() / "stopped";
    // Each run finishes at least one of the 12 leaves before it stops, so more than 0.3 is done;
    // asking for a stop at that fraction would depend on how often progress is told, that is on the
    // clock.
    for (int runs = 0; runs < 4; ++runs) {
        REQUIRE_FALSE(render_until(scene, o, 0));
        o.resume = true;
    }
    {
        std::fstream file(o.out / "checkpoint.part",
                          std::ios::in | std::ios::out | std::ios::binary);
        file.seekp(300);
        file.put('\x55');
    }
    o.resume = true;
    double first = -1;
    RenderHooks hooks;
    hooks.progress = [&](const WorkProgress& p) {
        if (p.stage != "rendering") return;
        if (first < 0) first = p.fraction;
    };
    render(scene, o, hooks);
    CHECK(first < 0.3);
    CHECK(outputs(o.out) == whole);
}
