// Labels of whole canvases from coarse ones: the same from any region, at any scale.
#include "blend/grid_labels.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <map>

#include "canvas/frame_index.hpp"
#include "support/made_up_canvases.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// The canvas at another scale; sides in whole pixels as far as the scale divides them.
Canvas scaled(const Canvas& canvas, double scale) {
    Canvas c = canvas;
    c.pixels_per_degree *= scale;
    c.width = static_cast<int64_t>(std::lround(static_cast<double>(c.width) * scale));
    c.height = static_cast<int64_t>(std::lround(static_cast<double>(c.height) * scale));
    return c;
}

/// Patches of any frame, whether it covers them or not, and of nobody.
std::shared_ptr<LabelGrid> patchwork(const MadeUpCanvas& m, double scale, uint64_t seed) {
    auto grid = std::make_shared<LabelGrid>(scaled(m.canvas, scale));
    Dice dice(seed);
    const auto frames = static_cast<int64_t>(m.geometry.size());
    for (int n = 0; n < 150; ++n) {
        const auto label = static_cast<int16_t>(dice.whole(-1, frames - 1));
        const int64_t x0 = dice.whole(0, grid->width - 1);
        const int64_t y0 = dice.whole(0, grid->height - 1);
        const int64_t x1 = std::min(grid->width, x0 + dice.whole(1, grid->width / 4 + 1));
        const int64_t y1 = std::min(grid->height, y0 + dice.whole(1, grid->height / 4 + 1));
        for (int64_t y = y0; y < y1; ++y) {
            for (int64_t x = x0; x < x1; ++x) grid->frame[grid->index(x, y)] = label;
        }
    }
    return grid;
}

std::vector<int> everyone(const MadeUpCanvas& m) {
    std::vector<int> all;
    for (size_t i = 0; i < m.geometry.size(); ++i) all.push_back(static_cast<int>(i));
    return all;
}

/// Scene index of the frame shown, and -2 - the one that holds the weight of an uncovered pixel.
std::vector<int> labels_over(const MadeUpCanvas& m, const Canvas& canvas, const SeamLabels& rule,
                             const Rect& rect, const std::vector<int>& candidates) {
    const RegionMaps maps(canvas, cells_of(rect), m.geometry, candidates);
    const LabelRegion labels = rule.label(maps, plain_kernels());
    std::vector<int> out;
    for (int64_t y = rect.y0; y < rect.y1; ++y) {
        for (int64_t x = rect.x0; x < rect.x1; ++x) {
            const int64_t cx = floor_div(x, kCell) - maps.region().x0;
            const int64_t cy = floor_div(y, kCell) - maps.region().y0;
            Label label = labels.cell(cx, cy);
            if (label == LabelRegion::kMixed) {
                label = labels.pixels(cx, cy)[static_cast<size_t>(
                    (y - floor_div(y, kCell) * kCell) * kCell + x - floor_div(x, kCell) * kCell)];
            }
            const int owner = weight_owner(label);
            const int frame = owner < 0 ? -1 : maps.frames()[static_cast<size_t>(owner)];
            out.push_back(label >= 0 || owner < 0 ? frame : -2 - frame);
        }
    }
    return out;
}

/// The rule, written down plainly for one pixel; `nearest`: what the nearest centre's rule says.
int expected(const MadeUpCanvas& m, const Canvas& canvas, const LabelGrid& grid, int64_t x,
             int64_t y, int nearest, double& doubt) {
    const Vec3 d = canvas.direction(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
    // The grid's own projection says where the direction falls.
    Canvas g;
    g.surface = grid.surface;
    g.left_deg = grid.left_deg;
    g.top_deg = grid.top_deg;
    g.pixels_per_degree = grid.pixels_per_degree;
    const Vec2 at = *g.position(d);
    const double u = at.x - 0.5;
    const double v = at.y - 0.5;
    std::map<int, double> votes;
    for (const int64_t j : {0, 1}) {
        for (const int64_t i : {0, 1}) {
            auto gx = static_cast<int64_t>(std::floor(u)) + i;
            const auto gy =
                std::clamp<int64_t>(static_cast<int64_t>(std::floor(v)) + j, 0, grid.height - 1);
            gx = grid.wraps ? (gx + grid.width) % grid.width
                            : std::clamp<int64_t>(gx, 0, grid.width - 1);
            const double wx = i == 1 ? u - std::floor(u) : 1 - (u - std::floor(u));
            const double wy = j == 1 ? v - std::floor(v) : 1 - (v - std::floor(v));
            votes[grid.at(gx, gy)] += wx * wy;
        }
    }
    int best = -1;
    double most = -1;
    doubt = 1;
    for (const auto& [frame, weight] : votes) {
        if (frame < 0) continue;
        const FrameGeometry& f = m.geometry[static_cast<size_t>(frame)];
        const FramePoint p = f.at(d, 1 / norm(d));
        const auto w = static_cast<double>(f.stored_width());
        const auto h = static_cast<double>(f.stored_height());
        const double depth =
            p.valid ? std::min({p.x - 0.5, w - 0.5 - p.x, p.y - 0.5, h - 0.5 - p.y}) : -1e9;
        doubt = std::min(doubt, std::abs(depth));
        if (depth < 0) continue;
        doubt = std::min(doubt, std::abs(weight - most));
        if (weight > most) {
            most = weight;
            best = frame;
        }
    }
    return best >= 0 ? best : nearest;
}

}  // namespace

TEST_CASE("any two regions give a pixel the same label from a grid", "[grid_labels][exact]") {
    for (const MadeUpCanvas& m : made_up_canvases()) {
        for (const double scale : {1.0, 0.25}) {
            const GridLabels rule(*patchwork(m, scale, 3));
            const Rect all{0, 0, m.canvas.width, m.canvas.height};
            const auto whole = labels_over(m, m.canvas, rule, all, everyone(m));
            const FrameIndex index(m.canvas, m.geometry);
            Dice dice(6);
            int64_t wrong = 0;
            int64_t wrong_when_moved = 0;
            for (int trial = 0; trial < 25; ++trial) {
                const Rect rect = random_rect(m.canvas, dice);
                const auto part = labels_over(m, m.canvas, rule, rect,
                                              index.touching(aligned_outwards(rect, kCell)));
                size_t at = 0;
                for (int64_t y = rect.y0; y < rect.y1; ++y) {
                    for (int64_t x = rect.x0; x < rect.x1; ++x, ++at) {
                        const int64_t wx = x - floor_div(x, m.canvas.width) * m.canvas.width;
                        const auto row = y * m.canvas.width;
                        wrong += part[at] != whole[static_cast<size_t>(row + wx)];
                        wrong_when_moved +=
                            part[at] != whole[static_cast<size_t>(row + (wx + 1) % m.canvas.width)];
                    }
                }
            }
            INFO(m.name << ", grid at " << scale);
            CHECK(wrong == 0);
            CHECK(wrong_when_moved > 0);
        }
    }
}

TEST_CASE("labels follow the votes of the grid at any scale", "[grid_labels]") {
    for (const MadeUpCanvas& m : made_up_canvases()) {
        const auto grid = patchwork(m, 0.125, 4);
        const GridLabels rule(*grid);
        for (const double scale : {1.0, 0.5}) {
            const Canvas canvas = scaled(m.canvas, scale);
            const Rect all{0, 0, canvas.width, canvas.height};
            const auto labels = labels_over(m, canvas, rule, all, everyone(m));
            const auto nearest = labels_over(m, canvas, NearestCentreLabels(), all, everyone(m));
            int64_t wrong = 0;
            int64_t checked = 0;
            int64_t unlike_nearest = 0;
            int64_t bare = 0;
            for (int64_t y = 0; y < all.y1; y += 2) {
                for (int64_t x = 0; x < all.x1; ++x) {
                    const auto p = static_cast<size_t>(y * all.x1 + x);
                    double doubt = 1;
                    const int want = expected(m, canvas, *grid, x, y, nearest[p], doubt);
                    // Coordinates are interpolated to 1/50 px: pixels nearer to a border than that,
                    // and votes that are equal but for rounding, may go either way.
                    if (doubt < 0.02) continue;
                    ++checked;
                    wrong += labels[p] != want;
                    unlike_nearest += labels[p] != nearest[p];
                    bare += labels[p] < 0;
                }
            }
            INFO(m.name << " at " << scale << ": " << checked << " checked, " << wrong << " wrong, "
                        << unlike_nearest << " unlike the nearest centre, " << bare << " bare");
            CHECK(wrong == 0);
            CHECK(checked > all.area() / 4);
            CHECK(unlike_nearest > 0);
            CHECK(bare > 0);
        }
    }
}

TEST_CASE("a grid of nobody gives the nearest centre's labels", "[grid_labels]") {
    const MadeUpCanvas m = whole_sphere();
    auto grid = std::make_shared<LabelGrid>(scaled(m.canvas, 0.25));
    const Rect all{0, 0, m.canvas.width, m.canvas.height};
    const auto nearest = labels_over(m, m.canvas, NearestCentreLabels(), all, everyone(m));
    CHECK(labels_over(m, m.canvas, GridLabels(*grid), all, everyone(m)) == nearest);
    // One coarse pixel changes its surroundings alone.
    const int there = nearest[static_cast<size_t>(200 * m.canvas.width + 100)];
    REQUIRE(there >= 0);
    for (int16_t k = 0; k < static_cast<int16_t>(m.geometry.size()); ++k) {
        grid->frame[grid->index(25, 50)] = k;
        const auto labels = labels_over(m, m.canvas, GridLabels(*grid), all, everyone(m));
        for (size_t p = 0; p < labels.size(); ++p) {
            const auto x = static_cast<int64_t>(p) % m.canvas.width;
            const auto y = static_cast<int64_t>(p) / m.canvas.width;
            if (labels[p] == nearest[p]) continue;
            CHECK(labels[p] == k);
            CHECK((x >= 96 && x < 108 && y >= 196 && y < 208));
        }
    }
}
