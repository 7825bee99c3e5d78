// What masks leave bare, against a count of every pixel by the exact projection.
#include "canvas/mask_gaps.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

#include "support/made_up_canvases.hpp"

using namespace broadloom;
using namespace broadloom::test;
using Catch::Matchers::WithinAbs;

namespace {

FrameMask box(FrameMask::Kind kind, double x0, double y0, double x1, double y1) {
    return {kind, {{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}};
}

struct Count {
    int64_t pixels = 0;
    double x = 0, y = 0;
};

Count bare_by_masks(const Canvas& canvas, const std::vector<FrameGeometry>& frames,
                    const Rect& area) {
    Count count;
    for (int64_t y = area.y0; y < area.y1; ++y) {
        for (int64_t x = area.x0; x < area.x1; ++x) {
            const Vec3 d =
                canvas.direction(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
            bool shown = false;
            bool in_view = false;
            for (const FrameGeometry& g : frames) {
                const FramePoint p = g.at(d, 1 / norm(d));
                if (!p.valid) continue;
                shown = shown || g.shows(p.x, p.y);
                in_view = in_view || g.covers(p.x, p.y);
            }
            if (!in_view || shown) continue;
            ++count.pixels;
            count.x += static_cast<double>(x);
            count.y += static_cast<double>(y);
        }
    }
    count.x /= static_cast<double>(std::max<int64_t>(count.pixels, 1));
    count.y /= static_cast<double>(std::max<int64_t>(count.pixels, 1));
    return count;
}

/// Three frames side by side, a third overlapping, round `middle` degrees of longitude.
std::vector<FrameGeometry> three_frames(double middle, const std::vector<FrameMask> (&masks)[3]) {
    const Camera camera = made_up_camera(600, 400, 1500);  // 22.6 x 15.2 degrees
    std::vector<FrameGeometry> out;
    for (int i = 0; i < 3; ++i) {
        Frame f = aimed(middle + 15.0 * (i - 1), 0, 0);
        f.masks = masks[i];
        out.emplace_back(camera, f, 1);
    }
    return out;
}

constexpr auto kLeaveOut = FrameMask::Kind::leave_out;

}  // namespace

TEST_CASE("gaps that masks leave are counted, placed and blamed on their frames", "[masks][gaps]") {
    const Canvas canvas = canvas_between(Surface::sphere, -28, 28, 8, -8, 20);  // 1120 x 320
    const Rect all{0, 0, canvas.width, canvas.height};
    const Kernels& kernels = plain_kernels();
    // In the middle of frame 0, where it is alone; in frame 1 where 2 shows the place too; and the
    // same place (about) left out of 1 and 2.
    const std::vector<FrameMask> masks[3] = {
        {box(kLeaveOut, 150, 150, 250, 220)},
        {box(kLeaveOut, 420, 20, 480, 60), box(kLeaveOut, 450, 250, 560, 330)},
        {box(kLeaveOut, 10, 230, 160, 350)}};
    const std::vector<FrameGeometry> frames = three_frames(0, masks);
    const Count expected = bare_by_masks(canvas, frames, all);
    const MaskGaps found = find_mask_gaps(canvas, frames, all, kernels, 2);
    CHECK(found.step == 1);
    CHECK(std::abs(found.pixels - expected.pixels) <= 4);
    REQUIRE(found.gaps.size() == 2);
    CHECK(found.gaps[0].pixels >= found.gaps[1].pixels);
    CHECK(found.gaps[0].pixels + found.gaps[1].pixels == found.pixels);
    std::vector<std::vector<int>> blamed;
    for (const MaskGap& gap : found.gaps) {
        blamed.push_back(gap.frames);
        // Its middle, by the frame that is to blame.
        const Vec3 d = canvas.direction(gap.centre.x, gap.centre.y);
        for (const int k : gap.frames) {
            const FrameGeometry& g = frames[static_cast<size_t>(k)];
            const FramePoint p = g.at(d, 1 / norm(d));
            CHECK(g.masks()->left_out(p.x, p.y));
        }
    }
    std::sort(blamed.begin(), blamed.end());
    CHECK(blamed == std::vector<std::vector<int>>{{0}, {1, 2}});
    // Negative controls: without the second frame's mask that gap is none; without any, none is.
    const std::vector<FrameMask> fewer[3] = {masks[0], masks[1], {}};
    CHECK(find_mask_gaps(canvas, three_frames(0, fewer), all, kernels, 1).gaps.size() == 1);
    const std::vector<FrameMask> none[3] = {};
    CHECK(find_mask_gaps(canvas, three_frames(0, none), all, kernels, 1).pixels == 0);
    // What is kept leaves nothing bare.
    const std::vector<FrameMask> kept[3] = {
        {box(FrameMask::Kind::keep, 150, 150, 250, 220)}, {}, {}};
    CHECK(find_mask_gaps(canvas, three_frames(0, kept), all, kernels, 1).pixels == 0);
    // Of a part only what lies in it.
    const Rect part{0, 0, 230, canvas.height};
    const Count in_part = bare_by_masks(canvas, frames, part);
    CHECK(in_part.pixels > 100);
    CHECK(in_part.pixels < expected.pixels);
    CHECK(std::abs(find_mask_gaps(canvas, frames, part, kernels, 1).pixels - in_part.pixels) <= 4);
    // Any number of threads says the same.
    for (const int threads : {1, 3}) {
        const MaskGaps again = find_mask_gaps(canvas, frames, all, kernels, threads);
        REQUIRE(again.gaps.size() == found.gaps.size());
        for (size_t i = 0; i < found.gaps.size(); ++i) {
            CHECK(again.gaps[i].pixels == found.gaps[i].pixels);
            CHECK(again.gaps[i].centre.x == found.gaps[i].centre.x);
            CHECK(again.gaps[i].frames == found.gaps[i].frames);
        }
    }
}

TEST_CASE("a gap over the edge of a canvas that wraps is one gap", "[masks][gaps]") {
    const Canvas canvas = canvas_around(Surface::sphere, -180, 20, -20, 2048);
    const std::vector<FrameMask> masks[3] = {{}, {box(kLeaveOut, 250, 150, 350, 250)}, {}};
    const std::vector<FrameGeometry> frames = three_frames(180, masks);
    const Rect all{0, 0, canvas.width, canvas.height};
    const Count expected = bare_by_masks(canvas, frames, all);
    REQUIRE(expected.pixels > 300);
    for (const Rect& area : {all, all.moved(1024, 0), all.moved(37, 0)}) {
        const MaskGaps found = find_mask_gaps(canvas, frames, area, plain_kernels(), 2);
        CHECK(std::abs(found.pixels - expected.pixels) <= 2);
        REQUIRE(found.gaps.size() == 1);
        CHECK(found.gaps[0].frames == std::vector<int>{1});
        const double x = found.gaps[0].centre.x;
        const double from_edge = std::remainder(x, static_cast<double>(canvas.width));
        CHECK_THAT(from_edge, WithinAbs(0, 1));
        CHECK_THAT(found.gaps[0].centre.y, WithinAbs(static_cast<double>(canvas.height) / 2, 1));
    }
    // Half of it, when the part ends at the edge.
    const Rect right{1024, 0, 2048, canvas.height};
    const MaskGaps half = find_mask_gaps(canvas, frames, right, plain_kernels(), 1);
    CHECK(std::abs(2 * half.pixels - expected.pixels) < 40);
}

TEST_CASE("gaps of a huge canvas are estimated in bounded time", "[masks][gaps]") {
    // 27 gigapixels: every 16th pixel each way.
    const Canvas canvas = canvas_between(Surface::sphere, -28, 28, 8, -8, 5500);
    const std::vector<FrameMask> masks[3] = {{box(kLeaveOut, 150, 150, 250, 220)}, {}, {}};
    const std::vector<FrameGeometry> frames = three_frames(0, masks);
    const MaskGaps found =
        find_mask_gaps(canvas, frames, {0, 0, canvas.width, canvas.height}, plain_kernels(), 2);
    CHECK(found.step == 16);
    const Canvas small = canvas_between(Surface::sphere, -28, 28, 8, -8, 55);
    const Count expected = bare_by_masks(small, frames, {0, 0, small.width, small.height});
    REQUIRE(found.gaps.size() == 1);
    CHECK_THAT(static_cast<double>(found.pixels) / 1e4 / static_cast<double>(expected.pixels),
               WithinAbs(1, 0.01));
    CHECK_THAT(found.gaps[0].centre.x / 100, WithinAbs(expected.x + 0.5, 0.5));
    CHECK_THAT(found.gaps[0].centre.y / 100, WithinAbs(expected.y + 0.5, 0.5));
}
