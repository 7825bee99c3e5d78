// The largest covered rectangle against trying every rectangle, and on canvases with frames.
#include "canvas/inner_crop.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <chrono>
#include <cstdlib>

#include "canvas/largest_rectangle.hpp"
#include "support/made_up_canvases.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// A picture of yes and no; x is taken modulo the width where it wraps.
struct Yes {
    int64_t width, height;
    bool wraps;
    std::vector<uint8_t> at;

    [[nodiscard]] bool operator()(int64_t x, int64_t y) const {
        if (y < 0 || y >= height) return false;
        if (wraps) x -= floor_div(x, width) * width;
        return x >= 0 && x < width && at[static_cast<size_t>(y * width + x)] != 0;
    }
    [[nodiscard]] bool all(const Rect& r) const {
        for (int64_t y = r.y0; y < r.y1; ++y) {
            for (int64_t x = r.x0; x < r.x1; ++x) {
                if (!(*this)(x, y)) return false;
            }
        }
        return true;
    }
};

/// By trying every upper left corner and every height.
int64_t largest_area(const Yes& yes) {
    int64_t best = 0;
    for (int64_t y0 = 0; y0 < yes.height; ++y0) {
        for (int64_t x0 = 0; x0 < yes.width; ++x0) {
            int64_t width = yes.width;
            for (int64_t y = y0; y < yes.height && width > 0; ++y) {
                int64_t free = 0;
                while (free < width && yes(x0 + free, y)) ++free;
                width = free;
                best = std::max(best, width * (y + 1 - y0));
            }
        }
    }
    return best;
}

Rect found_in(const Yes& yes) {
    LargestRectangle largest(yes.width, yes.wraps);
    for (int64_t y = 0; y < yes.height; ++y) {
        largest.add_row({yes.at.data() + y * yes.width, static_cast<size_t>(yes.width)});
    }
    return largest.finish();
}

/// What the frames of a canvas cover, by the exact projection of each pixel's centre.
Yes covered_pixels(const MadeUpCanvas& m) {
    Yes yes{m.canvas.width, m.canvas.height, m.canvas.wraps, {}};
    for (int64_t y = 0; y < yes.height; ++y) {
        for (int64_t x = 0; x < yes.width; ++x) {
            const Vec3 d =
                m.canvas.direction(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
            yes.at.push_back(std::any_of(m.geometry.begin(), m.geometry.end(), [&](const auto& g) {
                const FramePoint p = g.at(d, 1 / norm(d));
                return p.valid && g.shows(p.x, p.y);
            }));
        }
    }
    return yes;
}

/// What the program itself takes for covered.
Yes covered_by_map(const Canvas& canvas, const Cover& cover) {
    const CoverRegion all = cover.over(cells_of({0, 0, canvas.width, canvas.height}));
    Yes yes{canvas.width, canvas.height, canvas.wraps, {}};
    for (int64_t y = 0; y < yes.height; ++y) {
        for (int64_t x = 0; x < yes.width; ++x) yes.at.push_back(all.covered(x, y));
    }
    return yes;
}

bool can_grow(const Yes& yes, const Rect& r) {
    if (yes.all({r.x0, r.y0 - 1, r.x1, r.y0}) || yes.all({r.x0, r.y1, r.x1, r.y1 + 1})) return true;
    if (yes.wraps && r.width() == yes.width) return false;
    return yes.all({r.x0 - 1, r.y0, r.x0, r.y1}) || yes.all({r.x1, r.y0, r.x1 + 1, r.y1});
}

FrameMask box(double x0, double y0, double x1, double y1) {
    return {FrameMask::Kind::leave_out, {{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}};
}

/// Frames in rows and columns, turned a little, with `mask` left out of some.
MadeUpCanvas grid_of_frames(const Canvas& canvas, int columns, int rows, double focal, double turn,
                            bool masked) {
    MadeUpCanvas m("grid");
    m.canvas = canvas;
    Camera camera = made_up_camera(600, 400, focal);
    Dice dice(static_cast<uint64_t>(columns * 100 + rows));
    const double step_x = (canvas.right_deg - canvas.left_deg) / columns;
    const double step_y = (canvas.top_deg - canvas.bottom_deg) / rows;
    for (int r = 0; r < rows; ++r) {
        for (int c = 0; c < columns; ++c) {
            Frame f = aimed(canvas.left_deg + (c + 0.5) * step_x + dice.between(-0.2, 0.2),
                            canvas.top_deg - (r + 0.5) * step_y + dice.between(-0.2, 0.2),
                            turn * dice.between(-1, 1));
            if (masked && (r + c) % 3 == 1) f.masks.push_back(box(250, 150, 330, 260));
            m.cameras.push_back(camera);
            m.frames.push_back(f);
            m.geometry.emplace_back(camera, f, 1);
        }
    }
    return m;
}

}  // namespace

TEST_CASE("the largest rectangle of random pictures is as large as trying all finds",
          "[crop][inside]") {
    Dice dice(77);
    int64_t wrong_if_not_wrapped = 0;
    for (int trial = 0; trial < 400; ++trial) {
        Yes yes{dice.whole(1, 24), dice.whole(1, 18), trial % 2 == 1, {}};
        const double share = dice.between(0.3, 1.02);
        for (int64_t i = 0; i < yes.width * yes.height; ++i) {
            yes.at.push_back(dice.between(0, 1) < share ? 1 : 0);
        }
        const Rect found = found_in(yes);
        REQUIRE(found.area() == largest_area(yes));
        if (found.area() > 0) {
            REQUIRE(yes.all(found));
            REQUIRE_FALSE(can_grow(yes, found));
            REQUIRE((found.x0 >= 0 && found.x0 < yes.width));
        }
        // Negative control: the edge matters.
        if (yes.wraps) {
            yes.wraps = false;
            wrong_if_not_wrapped += found_in(yes).area() != found.area();
        }
    }
    CHECK(wrong_if_not_wrapped > 20);
}

TEST_CASE("the cover of a canvas is the union of the frames, to the pixel", "[crop][inside]") {
    int64_t edge = 0;
    for (MadeUpCanvas& m : made_up_canvases()) {
        m.frames[0].masks = {box(40, 40, 110, 120)};
        m.geometry[0] = FrameGeometry(m.cameras[0], m.frames[0], m.geometry[0].orientation());
        const Cover cover(m.canvas, m.geometry, plain_kernels());
        const Yes exact = covered_pixels(m);
        const Yes ours = covered_by_map(m.canvas, cover);
        int64_t differ = 0;
        int64_t covered = 0;
        for (size_t p = 0; p < exact.at.size(); ++p) {
            differ += exact.at[p] != ours.at[p];
            covered += ours.at[p];
        }
        // Interpolated positions are off by up to 1/50 px: a pixel in fifty along the borders may
        // go either way.
        INFO(m.name << ": " << differ << " of " << covered);
        CHECK(differ < 60);
        CHECK(covered > 20000);
        edge += differ;
        // Any region says the same; nothing beyond the canvas is covered.
        Dice dice(3);
        int64_t wrong = 0;
        int64_t wrong_when_moved = 0;
        for (int trial = 0; trial < 20; ++trial) {
            const Rect rect = random_rect(m.canvas, dice).grown(20);
            const CoverRegion part = cover.over(cells_of(rect));
            for (int64_t y = rect.y0; y < rect.y1; ++y) {
                for (int64_t x = rect.x0; x < rect.x1; ++x) {
                    wrong += part.covered(x, y) != ours(x, y);
                    wrong_when_moved += part.covered(x, y) != ours(x + 9, y);
                }
            }
        }
        CHECK(wrong == 0);
        CHECK(wrong_when_moved > 100);
    }
    CHECK(edge > 0);
}

TEST_CASE("the inner crop of a canvas is the largest covered rectangle", "[crop][inside]") {
    std::vector<MadeUpCanvas> canvases;
    const Canvas flat = canvas_between(Surface::sphere, -16, 16, 9, -9, 11);
    canvases.push_back(grid_of_frames(flat, 3, 2, 1400, 4, false));
    canvases.push_back(grid_of_frames(flat, 3, 2, 1400, 4, true));
    const Canvas cylinder = canvas_between(Surface::cylinder, -31, 29, 20, -18, 6);
    canvases.push_back(grid_of_frames(cylinder, 4, 3, 1200, 8, true));
    const Canvas round = canvas_around(Surface::sphere, -180, 26, -22, 512);
    canvases.push_back(grid_of_frames(round, 9, 2, 640, 3, false));
    canvases.push_back(grid_of_frames(round, 9, 2, 640, 3, true));
    bool over_the_edge = false;
    for (const MadeUpCanvas& m : canvases) {
        const Cover cover(m.canvas, m.geometry, plain_kernels());
        const Yes yes = covered_by_map(m.canvas, cover);
        const std::optional<Rect> found = largest_covered(cover, 1);
        REQUIRE(found);
        INFO(m.canvas.width << " x " << m.canvas.height << ": " << found->x0 << " " << found->y0
                            << " " << found->x1 << " " << found->y1);
        CHECK(yes.all(*found));
        CHECK_FALSE(can_grow(yes, *found));
        CHECK(found->area() == largest_area(yes));
        CHECK(found->x0 >= 0);
        CHECK(found->x0 < m.canvas.width);
        over_the_edge = over_the_edge || found->x1 > m.canvas.width;
        // Negative control: a pixel more is bare.
        CHECK_FALSE(yes.all(found->grown(1)));
        for (const int threads : {2, 5}) CHECK(largest_covered(cover, threads) == found);
    }
    CHECK(over_the_edge);
}

TEST_CASE("large canvases are searched in steps, and the rectangle cannot grow", "[crop][inside]") {
    // Above 2^25 px the steps are 2 px; 134 MP and more take 4.
    for (const double scale : {205.0, 420.0}) {
        const Canvas canvas = canvas_between(Surface::sphere, -16, 16, 9, -9, scale);
        const MadeUpCanvas m = grid_of_frames(canvas, 3, 2, 1400, 4, true);
        const Cover cover(m.canvas, m.geometry, plain_kernels());
        const std::optional<Rect> found = largest_covered(cover, 2);
        REQUIRE(found);
        CHECK(largest_covered(cover, 1) == found);
        const auto all = [&](const Rect& r) {
            const CoverRegion region = cover.over(cells_of(r));
            for (int64_t y = r.y0; y < r.y1; ++y) {
                for (int64_t x = r.x0; x < r.x1; ++x) {
                    if (!region.covered(x, y)) return false;
                }
            }
            return true;
        };
        const Rect& r = *found;
        // All of it, by its cells.
        const CoverRegion inner = cover.over(cells_of(r));
        int64_t bare = 0;
        for (int64_t cy = 1; cy + 1 < inner.region().height(); ++cy) {
            for (int64_t cx = 1; cx + 1 < inner.region().width(); ++cx) {
                bare += inner.cell(cx, cy) != Coverage::full;
            }
        }
        CHECK(bare == 0);
        const int64_t line = 1;
        CHECK(all({r.x0, r.y0, r.x1, r.y0 + line}));
        CHECK(all({r.x0, r.y1 - line, r.x1, r.y1}));
        CHECK(all({r.x0, r.y0, r.x0 + line, r.y1}));
        CHECK(all({r.x1 - line, r.y0, r.x1, r.y1}));
        CHECK_FALSE(all({r.x0, r.y0 - line, r.x1, r.y0}));
        CHECK_FALSE(all({r.x0, r.y1, r.x1, r.y1 + line}));
        CHECK_FALSE(all({r.x0 - line, r.y0, r.x0, r.y1}));
        CHECK_FALSE(all({r.x1, r.y0, r.x1 + line, r.y1}));
        // About what the same scene gives when every pixel is looked at, scaled.
        const Canvas small = canvas_between(Surface::sphere, -16, 16, 9, -9, scale / 10);
        const MadeUpCanvas s = grid_of_frames(small, 3, 2, 1400, 4, true);
        const std::optional<Rect> exact =
            largest_covered(Cover(s.canvas, s.geometry, plain_kernels()), 1);
        REQUIRE(exact);
        CHECK(static_cast<double>(r.area()) > 99.0 * static_cast<double>(exact->area()));
        CHECK(static_cast<double>(r.area()) < 102.5 * static_cast<double>(exact->area()));
    }
}

TEST_CASE("where nothing is covered there is no inner crop, and one pixel is one",
          "[crop][inside]") {
    MadeUpCanvas m("far away");
    m.canvas = canvas_between(Surface::sphere, -10, 10, 5, -5, 20);
    const Camera camera = made_up_camera(300, 200, 4000);
    const auto put = [&](Frame f) {
        m.cameras.assign(1, camera);
        m.frames.assign(1, f);
        m.geometry.clear();
        m.geometry.emplace_back(camera, f, 1);
    };
    put(aimed(120, 0, 0));
    CHECK_FALSE(largest_covered(Cover(m.canvas, m.geometry, plain_kernels()), 2));
    Frame shut = aimed(0.025, 0.025, 0);
    shut.masks = {box(-10, -10, 400, 400)};
    put(shut);
    CHECK_FALSE(largest_covered(Cover(m.canvas, m.geometry, plain_kernels()), 1));
    // All of it left out but a hole of 4 px; 3.5 px of the frame are one of the canvas.
    Frame open = aimed(0.025, 0.025, 0);
    open.masks = {box(-10, -10, 400, 98), box(-10, 102, 400, 400), box(-10, 90, 148, 110),
                  box(152, 90, 400, 110)};
    put(open);
    const std::optional<Rect> one =
        largest_covered(Cover(m.canvas, m.geometry, plain_kernels()), 1);
    REQUIRE(one);
    CHECK(one->area() == 1);
}

TEST_CASE("time of the inner crop of a gigapixel", "[crop][inside][figures]") {
    if (std::getenv("BROADLOOM_FIGURES") == nullptr) return;
    const Canvas canvas = canvas_between(Surface::sphere, -60, 60, 20, -25, 471);  // 1.2 GP
    MadeUpCanvas m("gigapixel");
    m.canvas = canvas;
    const Camera camera = made_up_camera(5472, 3648, 27000);
    Dice dice(1);
    for (int r = 0; r < 10; ++r) {
        for (int c = 0; c < 40; ++c) {
            Frame f = aimed(-60 + 3.0 * (c + 0.5) + dice.between(-0.1, 0.1),
                            20 - 4.5 * (r + 0.5) + dice.between(-0.1, 0.1), dice.between(-1, 1));
            if ((r + c) % 7 == 0) f.masks.push_back(box(2000, 1500, 2600, 2200));
            m.geometry.emplace_back(camera, f, 1);
        }
    }
    for (const int threads : {1, 2}) {
        const auto start = std::chrono::steady_clock::now();
        const auto found = largest_covered(
            Cover(canvas, m.geometry, kernels_for(InstructionSet::automatic)), threads);
        const double seconds =
            std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
        REQUIRE(found);
        WARN("400 frames, " << canvas.width << " x " << canvas.height << ", " << threads
                            << " threads: " << seconds << " s, " << found->width() << " x "
                            << found->height());
    }
}
