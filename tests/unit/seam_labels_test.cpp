// Labels and the frame index against the exact projection, and labels equal from any region.
#include "blend/seam_labels.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

#include "canvas/frame_index.hpp"
#include "support/made_up_canvases.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// The frame shown and the frame that holds the weight at each pixel of `rect`, as scene indices.
struct LabelledPixels {
    std::vector<int> shown, weight;
};

LabelledPixels labels_over(const MadeUpCanvas& m, const Rect& rect,
                           const std::vector<int>& candidates) {
    const RegionMaps maps(m.canvas, cells_of(rect), m.geometry, candidates);
    const LabelRegion labels = NearestCentreLabels().label(maps, plain_kernels());
    const auto scene_index = [&](int k) {
        return k < 0 ? -1 : maps.frames()[static_cast<size_t>(k)];
    };
    LabelledPixels out;
    for (int64_t y = rect.y0; y < rect.y1; ++y) {
        for (int64_t x = rect.x0; x < rect.x1; ++x) {
            const int64_t cx = floor_div(x, kCell) - maps.region().x0;
            const int64_t cy = floor_div(y, kCell) - maps.region().y0;
            Label label = labels.cell(cx, cy);
            if (label == LabelRegion::kMixed) {
                label = labels.pixels(cx, cy)[static_cast<size_t>(
                    (y - floor_div(y, kCell) * kCell) * kCell + x - floor_div(x, kCell) * kCell)];
            }
            out.shown.push_back(label >= 0 ? scene_index(label) : -1);
            out.weight.push_back(scene_index(weight_owner(label)));
        }
    }
    return out;
}

std::vector<int> everyone(const MadeUpCanvas& m) {
    std::vector<int> all;
    for (size_t i = 0; i < m.geometry.size(); ++i) all.push_back(static_cast<int>(i));
    return all;
}

}  // namespace

TEST_CASE("any two regions label a pixel the same", "[seam_labels][exact]") {
    for (const MadeUpCanvas& m : made_up_canvases()) {
        const Rect all{0, 0, m.canvas.width, m.canvas.height};
        const LabelledPixels whole = labels_over(m, all, everyone(m));
        const FrameIndex index(m.canvas, m.geometry);
        Dice dice(5);
        int64_t wrong = 0;
        int64_t wrong_when_moved = 0;
        for (int trial = 0; trial < 60; ++trial) {
            const Rect rect = random_rect(m.canvas, dice);
            const LabelledPixels part =
                labels_over(m, rect, index.touching(aligned_outwards(rect, kCell)));
            size_t at = 0;
            for (int64_t y = rect.y0; y < rect.y1; ++y) {
                for (int64_t x = rect.x0; x < rect.x1; ++x, ++at) {
                    const int64_t wx = x - floor_div(x, m.canvas.width) * m.canvas.width;
                    const auto p = static_cast<size_t>(y * m.canvas.width + wx);
                    const auto q =
                        static_cast<size_t>(y * m.canvas.width + (wx + 60) % m.canvas.width);
                    wrong += part.shown[at] != whole.shown[p] || part.weight[at] != whole.weight[p];
                    wrong_when_moved += part.shown[at] != whole.shown[q];
                }
            }
        }
        INFO(m.name);
        CHECK(wrong == 0);
        CHECK(wrong_when_moved > 0);
    }
}

TEST_CASE("labels follow the rule: the nearest axis among the frames in view", "[seam_labels]") {
    // Checked by the exact projection; scores are interpolated over a cell, so that pixels a
    // hundredth of a pixel from a seam or from a frame's border may go either way.
    for (const MadeUpCanvas& m : made_up_canvases()) {
        const Rect all{0, 0, m.canvas.width, m.canvas.height};
        const LabelledPixels labels = labels_over(m, all, everyone(m));
        int64_t wrong = 0;
        int64_t seams = 0;
        for (int64_t y = 0; y < all.y1; ++y) {
            for (int64_t x = 0; x < all.x1; ++x) {
                const Vec3 d =
                    m.canvas.direction(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
                const int shown = labels.shown[static_cast<size_t>(y * all.x1 + x)];
                double best = 10;
                double of_shown = 10;
                for (size_t i = 0; i < m.geometry.size(); ++i) {
                    const FramePoint p = m.geometry[i].at(d, 1 / norm(d));
                    const auto w = static_cast<double>(m.geometry[i].stored_width());
                    const auto h = static_cast<double>(m.geometry[i].stored_height());
                    const double depth =
                        p.valid ? std::min({p.x - 0.5, w - 0.5 - p.x, p.y - 0.5, h - 0.5 - p.y})
                                : -1;
                    const double angle = angle_between(d, m.geometry[i].axis());
                    if (static_cast<int>(i) == shown) {
                        if (depth < -0.02) ++wrong;
                        of_shown = angle;
                    } else if (depth > 0.02) {
                        best = std::min(best, angle);
                    }
                }
                // Linear interpolation of a cosine over 16 px errs by (16 px)^2 / 8 at most, which
                // moves a seam between frames that are a good part of a radian apart by less than a
                // pixel on these small canvases.
                const double pixel = kRadPerDeg / m.canvas.pixels_per_degree;
                if (of_shown > best + pixel) ++wrong;
                if (x > 0 && shown != labels.shown[static_cast<size_t>(y * all.x1 + x - 1)])
                    ++seams;
            }
        }
        INFO(m.name);
        CHECK(wrong == 0);
        CHECK(seams > 100);
    }
}

TEST_CASE("the frame index never misses a frame in view", "[frame_index]") {
    Dice dice(31);
    int64_t pairs = 0;
    int64_t seen = 0;
    int64_t missed = 0;
    int64_t left_out = 0;
    for (int scene = 0; scene < 60; ++scene) {
        const bool cylinder = scene % 3 == 0;
        const bool around = scene % 2 == 0;
        const Surface surface = cylinder ? Surface::cylinder : Surface::sphere;
        const double top =
            cylinder ? dice.between(10, 80) : (scene % 4 == 1 ? 90 : dice.between(10, 90));
        const double bottom =
            cylinder ? -dice.between(10, 80) : (scene % 4 == 2 ? -90 : -dice.between(10, 90));
        const Canvas canvas =
            around ? canvas_around(surface, dice.between(-180, 180), top, bottom,
                                   512 * dice.whole(1, 8))
                   : canvas_between(surface, dice.between(-180, 0), dice.between(20, 170), top,
                                    bottom, dice.between(2, 40));
        std::vector<FrameGeometry> geometry;
        std::vector<Lens> lenses;
        std::vector<Rotation> rotations;
        for (int i = 0; i < 12; ++i) {
            Camera c =
                made_up_camera(dice.whole(50, 2000), dice.whole(50, 2000), dice.between(200, 6000));
            c.radial = {dice.between(-0.3, 0.3), dice.between(-0.1, 0.1), 0};
            c.tangential = {dice.between(-0.003, 0.003), dice.between(-0.003, 0.003)};
            const double pitch =
                i % 4 == 0 ? dice.between(75, 90) * (i % 8 == 0 ? 1 : -1) : dice.between(-80, 80);
            const Frame f = aimed(dice.between(-180, 180), pitch, dice.between(-180, 180));
            geometry.emplace_back(c, f, 1);
            lenses.emplace_back(c);
            rotations.push_back(
                Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, f.roll_deg));
        }
        const FrameIndex index(canvas, geometry);
        for (int trial = 0; trial < 60; ++trial) {
            Rect rect = random_rect(canvas, dice);
            if (trial % 5 == 0) {  // a thin one, and one that hugs the top
                rect.x1 = rect.x0 + 1;
                rect = rect.moved(0, -rect.y0);
            }
            const std::vector<int> found = index.touching(rect);
            CHECK(std::is_sorted(found.begin(), found.end()));
            left_out += static_cast<int64_t>(geometry.size() - found.size());
            for (size_t i = 0; i < geometry.size(); ++i) {
                ++pairs;
                bool in_view = false;
                for (int k = 0; k < 400 && !in_view; ++k) {
                    // Corners and edges first, then anywhere.
                    const double u = k < 4 ? k % 2 : (k % 7 == 0 ? 1 : dice.between(0, 1));
                    const double v = k < 4 ? k / 2 : (k % 11 == 0 ? 0 : dice.between(0, 1));
                    const Vec3 d = canvas.direction(
                        static_cast<double>(rect.x0) + u * static_cast<double>(rect.width()),
                        static_cast<double>(rect.y0) + v * static_cast<double>(rect.height()));
                    in_view = lenses[i].in_view(rotations[i].to_camera(d));
                }
                if (!in_view) continue;
                ++seen;
                if (!std::binary_search(found.begin(), found.end(), static_cast<int>(i))) ++missed;
            }
        }
    }
    INFO(pairs << " pairs, " << seen << " in view, " << left_out << " left out");
    CHECK(missed == 0);
    CHECK(seen > 1000);
    CHECK(left_out > 1000);  // an index that names everyone would be right and useless
}
