// Masks: outlines against a plain even-odd test, in every orientation, through the cell map, the
// labels and the blend.
#include <algorithm>
#include <catch2/catch.hpp>
#include <chrono>
#include <cmath>
#include <vector>

#include "blend/block.hpp"
#include "blend/grid_labels.hpp"
#include "blend/kept_cell.hpp"
#include "canvas/frame_index.hpp"
#include "canvas/frame_masks.hpp"
#include "support/made_up_canvases.hpp"
#include "support/whole_canvas.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// The even-odd rule as it stands in every textbook, over all edges.
bool in_outline(const std::vector<Vec2>& outline, double x, double y) {
    bool inside = false;
    for (size_t i = 0; i < outline.size(); ++i) {
        const Vec2 a = outline[i];
        const Vec2 b = outline[(i + 1) % outline.size()];
        if ((a.y > y) != (b.y > y) && x < a.x + (y - a.y) / (b.y - a.y) * (b.x - a.x)) {
            inside = !inside;
        }
    }
    return inside;
}

bool in_any(const std::vector<FrameMask>& masks, FrameMask::Kind kind, double x, double y) {
    return std::any_of(masks.begin(), masks.end(), [&](const FrameMask& m) {
        return m.kind == kind && in_outline(m.outline_px, x, y);
    });
}

/// Random points: edges cross each other, and some lie outside the frame.
FrameMask scribble(Dice& dice, FrameMask::Kind kind, int points, double width, double height) {
    FrameMask mask{kind, {}};
    for (int i = 0; i < points; ++i) {
        mask.outline_px.push_back(
            {dice.between(-0.2 * width, 1.2 * width), dice.between(-0.2 * height, 1.2 * height)});
    }
    return mask;
}

FrameMask ring(FrameMask::Kind kind, Vec2 centre, double radius, int points) {
    FrameMask mask{kind, {}};
    for (int i = 0; i < points; ++i) {
        const double angle = 2 * kPi * i / points;
        const double r = radius * (1 + 0.1 * std::sin(7 * angle));
        mask.outline_px.push_back({centre.x + r * std::cos(angle), centre.y + r * std::sin(angle)});
    }
    return mask;
}

FrameMask box(FrameMask::Kind kind, double x0, double y0, double x1, double y1) {
    return {kind, {{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}};
}

/// Upright to stored pixels; EXIF 2.3, tag 274: what the stored picture's first row and first
/// column are in the upright one.
Vec2 stored(Vec2 p, double width, double height, int orientation) {
    switch (orientation) {
        case 2:  // row top, column right
            return {width - p.x, p.y};
        case 3:  // row bottom, column right
            return {width - p.x, height - p.y};
        case 4:  // row bottom, column left
            return {p.x, height - p.y};
        case 5:  // row left, column top
            return {p.y, p.x};
        case 6:  // row right, column top
            return {p.y, width - p.x};
        case 7:  // row right, column bottom
            return {height - p.y, width - p.x};
        case 8:  // row left, column bottom
            return {height - p.y, p.x};
        default:
            return p;
    }
}

/// Everything but the pixels, which stay where they are.
MadeUpCanvas same_frames(const MadeUpCanvas& m) {
    MadeUpCanvas out(m.name);
    out.canvas = m.canvas;
    out.cameras = m.cameras;
    out.frames = m.frames;
    out.geometry = m.geometry;
    out.samplers = m.samplers;
    return out;
}

/// orientation 0: as it is.
MadeUpCanvas with_masks(const MadeUpCanvas& m, size_t frame, const std::vector<FrameMask>& masks,
                        int orientation = 0) {
    MadeUpCanvas out = same_frames(m);
    out.frames[frame].masks = masks;
    out.geometry[frame] =
        FrameGeometry(m.cameras[frame], out.frames[frame],
                      orientation > 0 ? orientation : m.geometry[frame].orientation());
    return out;
}

/// Maps over the canvas and what decides about it with as many bands.
RegionMaps maps_over(const MadeUpCanvas& m, int bands = 0) {
    std::vector<int> all;
    for (size_t i = 0; i < m.geometry.size(); ++i) all.push_back(static_cast<int>(i));
    const Rect whole{0, 0, m.canvas.width, m.canvas.height};
    return {m.canvas, cells_of(block_surroundings(m.canvas, whole, bands)), m.geometry, all};
}

std::vector<uint8_t> rendered(const MadeUpCanvas& m, int bands,
                              std::array<uint8_t, 3> background = {46, 40, 52}) {
    const RegionMaps maps = maps_over(m, bands);
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    const LabelRegion labels = NearestCentreLabels().label(maps, kernels);
    std::vector<const FrameSampler*> samplers;
    for (const FrameSampler& s : m.samplers) samplers.push_back(&s);
    std::vector<uint8_t> out(static_cast<size_t>(m.canvas.width * m.canvas.height * 4));
    BlockRenderer renderer(m.canvas, {bands, 256, background}, kernels);
    renderer.render({0, 0, m.canvas.width, m.canvas.height}, maps, labels, samplers, out.data(),
                    4 * m.canvas.width);
    return out;
}

/// The label of every pixel.
std::vector<int> labels_of(const MadeUpCanvas& m, const SeamLabels& rule) {
    const RegionMaps maps = maps_over(m);
    const LabelRegion labels = rule.label(maps, plain_kernels());
    std::vector<int> out(static_cast<size_t>(m.canvas.width * m.canvas.height));
    for (int64_t y = 0; y < m.canvas.height; ++y) {
        for (int64_t x = 0; x < m.canvas.width; ++x) {
            Label label = labels.cell(x / kCell, y / kCell);
            if (label == LabelRegion::kMixed) {
                label = labels.pixels(
                    x / kCell, y / kCell)[static_cast<size_t>((y % kCell) * kCell + x % kCell)];
            }
            out[static_cast<size_t>(y * m.canvas.width + x)] = label;
        }
    }
    return out;
}

int64_t differing_pixels(const std::vector<uint8_t>& a, const std::vector<uint8_t>& b) {
    int64_t count = 0;
    for (size_t p = 0; p < a.size(); p += 4) count += std::equal(&a[p], &a[p] + 4, &b[p]) ? 0 : 1;
    return count;
}

}  // namespace

TEST_CASE("outlines hold what the plain even-odd test says they hold", "[masks]") {
    Dice dice(11);
    const double width = 1311;
    const double height = 977;
    int64_t asked = 0;
    int64_t wrong = 0;
    int64_t held = 0;
    int64_t by_union = 0;  // negative control: even-odd over all outlines at once is something else
    for (int trial = 0; trial < 30; ++trial) {
        std::vector<FrameMask> masks;
        for (int i = 0; i < 1 + trial % 3; ++i) {
            masks.push_back(scribble(dice, FrameMask::Kind::leave_out, 3 + trial, width, height));
        }
        std::vector<const FrameMask*> pointers;
        for (const FrameMask& mask : masks) pointers.push_back(&mask);
        const OutlineArea area(pointers, width, height);
        for (int i = 0; i < 2000; ++i) {
            const double x = dice.between(0, width);
            const double y = dice.between(0, height);
            const bool expected = in_any(masks, FrameMask::Kind::leave_out, x, y);
            ++asked;
            wrong += area.holds(x, y) != expected;
            held += expected;
            int odd = 0;
            for (const FrameMask& mask : masks) odd += in_outline(mask.outline_px, x, y);
            by_union += (odd % 2 != 0) != expected;
            // Rectangles: what is said for certain is so for every point in them.
            const double w = dice.between(0, 90);
            const double h = dice.between(0, 90);
            const Share share = area.share(x, y, x + w, y + h);
            const double u = std::min(x + dice.between(0, 1) * w, width - 1e-6);
            const double v = std::min(y + dice.between(0, 1) * h, height - 1e-6);
            if (share == Share::all && !in_any(masks, FrameMask::Kind::leave_out, u, v)) ++wrong;
            if (share == Share::none && in_any(masks, FrameMask::Kind::leave_out, u, v)) ++wrong;
        }
        CHECK_FALSE(area.holds(-1, 5));
        CHECK_FALSE(area.holds(5, height + 1));
    }
    CHECK(wrong == 0);
    CHECK(held > asked / 5);
    CHECK(held < asked * 4 / 5);
    CHECK(by_union > 500);
}

TEST_CASE("degenerate outlines hold nothing and break nothing", "[masks]") {
    const FrameMask line{FrameMask::Kind::leave_out, {{10, 10}, {90, 90}, {10, 10}}};
    const FrameMask level{FrameMask::Kind::leave_out, {{10, 40}, {90, 40}, {50, 40}}};
    const FrameMask point{FrameMask::Kind::leave_out, {{30, 30}, {30, 30}, {30, 30}}};
    const FrameMask far_away = box(FrameMask::Kind::leave_out, 1e6, 1e6, 1e7, 1e7);
    const FrameMask around = box(FrameMask::Kind::leave_out, -1e7, -1e7, 1e7, 1e7);
    for (const FrameMask* mask : {&line, &level, &point, &far_away}) {
        const OutlineArea area({mask}, 100, 80);
        for (double y = 0.25; y < 80; y += 1) {
            for (double x = 0.5; x < 100; x += 1) REQUIRE_FALSE(area.holds(x, y));
        }
    }
    CHECK(OutlineArea({&around}, 100, 80).holds(50, 40));
    CHECK(OutlineArea({&around}, 100, 80).share(0, 0, 100, 80) == Share::all);
    CHECK(OutlineArea({&far_away}, 100, 80).share(0, 0, 100, 80) == Share::none);
}

TEST_CASE("grown outlines hold what lies near them too", "[masks]") {
    Dice dice(31);
    const double width = 900;
    const double height = 700;
    int64_t wrong = 0;
    int64_t only_grown = 0;
    for (int trial = 0; trial < 12; ++trial) {
        const FrameMask mask = scribble(dice, FrameMask::Kind::leave_out, 3 + trial, width, height);
        const double grown = dice.between(0.5, 30);
        const OutlineArea area({&mask}, width, height, grown);
        const OutlineArea plain({&mask}, width, height);
        for (int i = 0; i < 2000; ++i) {
            const Vec2 p{dice.between(0, width), dice.between(0, height)};
            double nearest = 1e9;
            for (size_t k = 0; k < mask.outline_px.size(); ++k) {
                const Vec2 a = mask.outline_px[k];
                const Vec2 b = mask.outline_px[(k + 1) % mask.outline_px.size()];
                const double length = std::hypot(b.x - a.x, b.y - a.y);
                const double along =
                    ((p.x - a.x) * (b.x - a.x) + (p.y - a.y) * (b.y - a.y)) / length;
                const double t = std::clamp(along / length, 0.0, 1.0);
                nearest = std::min(
                    nearest, std::hypot(a.x + t * (b.x - a.x) - p.x, a.y + t * (b.y - a.y) - p.y));
            }
            if (std::abs(nearest - grown) < 1e-6) continue;
            wrong += area.holds(p.x, p.y) != (plain.holds(p.x, p.y) || nearest < grown);
            only_grown += area.holds(p.x, p.y) && !plain.holds(p.x, p.y);
            const Share share = area.share(p.x, p.y, p.x + 20, p.y + 20);
            wrong += share == Share::all && !area.holds(p.x, p.y);
            wrong += share == Share::none && area.holds(p.x, p.y);
        }
    }
    CHECK(wrong == 0);
    CHECK(only_grown > 500);
}

TEST_CASE("a narrowed frame covers what shifts of less cannot bare", "[masks][cell_map]") {
    const MadeUpCanvas plain = flat_sphere();
    const MadeUpCanvas m =
        with_masks(plain, 0, {ring(FrameMask::Kind::leave_out, {150, 120}, 50, 30)});
    const FrameGeometry& whole = m.geometry[0];
    const double narrowed_by = 5;
    const FrameGeometry narrow = whole.narrowed(narrowed_by);
    const CellRegion region = cells_of({0, 0, m.canvas.width, m.canvas.height});
    const LatticeDirections directions(m.canvas, region);
    const CellMap map(directions, narrow);
    const CellMap wide(directions, whole);
    int64_t wrong = 0;
    int64_t held = 0;
    int64_t given_up = 0;
    for (int64_t cy = 0; cy < region.height(); ++cy) {
        for (int64_t cx = 0; cx < region.width(); ++cx) {
            CellCoords coords;
            int64_t ox = 0;
            int64_t oy = 0;
            map.coordinates(cx, cy, plain_kernels(), coords, ox, oy);
            bool covered[kCellArea];
            bool before[kCellArea];
            map.covered(coords, ox, oy, covered);
            wide.covered(coords, ox, oy, before);
            const Coverage c = map.coverage(cx, cy);
            for (int i = 0; i < kCellArea; ++i) {
                wrong +=
                    (c == Coverage::full && !covered[i]) || (c == Coverage::none && covered[i]);
                given_up += before[i] && !covered[i];
                if (!covered[i]) continue;
                ++held;
                for (int k = 0; k < 8; ++k) {
                    const double x = static_cast<double>(coords.u[i]) + static_cast<double>(ox) +
                                     (narrowed_by - 0.01) * std::cos(k * kPi / 4);
                    const double y = static_cast<double>(coords.v[i]) + static_cast<double>(oy) +
                                     (narrowed_by - 0.01) * std::sin(k * kPi / 4);
                    wrong += !whole.shows(x, y);
                }
            }
        }
    }
    CHECK(wrong == 0);
    CHECK(held > 20000);
    CHECK(given_up > 3000);
}

TEST_CASE("most questions are answered by the grid, whatever the number of points", "[masks]") {
    // A careful outline of a passer-by, and one of as many points as a scene may hold.
    for (const int points : {300, 20000}) {
        const FrameMask mask = ring(FrameMask::Kind::leave_out, {2000, 1500}, 900, points);
        const OutlineArea area({&mask}, 5472, 3648);
        int64_t undecided = 0;
        int64_t all = 0;
        for (int y = 0; y + 16 < 3648; y += 16) {
            for (int x = 0; x + 16 < 5472; x += 16) {
                const Share share = area.share(x, y, x + 16, y + 16);
                undecided += share == Share::some;
                all += share == Share::all;
            }
        }
        // The ring is some 7000 px long: a band of about 64 px along it is left to the exact test.
        CHECK(undecided < 2500);
        CHECK(undecided > 500);
        CHECK(all > 7000);
        CHECK(area.bytes() < 3U << 20);
    }
}

TEST_CASE("masks lie in the upright frame in every orientation of the file", "[masks]") {
    Dice dice(4);
    const double width = 613;
    const double height = 401;
    for (int orientation = 1; orientation <= 8; ++orientation) {
        std::vector<FrameMask> masks{scribble(dice, FrameMask::Kind::leave_out, 9, width, height),
                                     scribble(dice, FrameMask::Kind::keep, 5, width, height)};
        const FrameMasks frame(masks, width, height, orientation);
        int64_t wrong = 0;
        int64_t wrong_unturned = 0;
        for (int i = 0; i < 5000; ++i) {
            const Vec2 p{dice.between(0, width), dice.between(0, height)};
            const Vec2 q = stored(p, width, height, orientation);
            const bool left_out = in_any(masks, FrameMask::Kind::leave_out, p.x, p.y);
            wrong += frame.left_out(q.x, q.y) != left_out;
            wrong += frame.kept(q.x, q.y) != in_any(masks, FrameMask::Kind::keep, p.x, p.y);
            wrong_unturned += frame.left_out(p.x, p.y) != left_out;
        }
        INFO("orientation " << orientation);
        CHECK(wrong == 0);
        CHECK((wrong_unturned > 500) == (orientation != 1));
    }
}

TEST_CASE("cells are classified by their masks, and each pixel by its own centre",
          "[masks][cell_map]") {
    Dice dice(8);
    for (int orientation = 1; orientation <= 8; ++orientation) {
        const MadeUpCanvas plain = flat_sphere();
        const size_t f = 0;
        const auto width = static_cast<double>(plain.cameras[f].width);
        const auto height = static_cast<double>(plain.cameras[f].height);
        const std::vector<FrameMask> masks{
            scribble(dice, FrameMask::Kind::leave_out, 6, width, height),
            ring(FrameMask::Kind::leave_out, {width / 2, height / 2}, 90, 50),
            scribble(dice, FrameMask::Kind::keep, 5, width, height),
            box(FrameMask::Kind::keep, 0, 0, width, height / 4)};
        const FrameGeometry bare(plain.cameras[f], plain.frames[f], orientation);
        const MadeUpCanvas m = with_masks(plain, f, masks, orientation);
        const CellRegion region = cells_of({0, 0, m.canvas.width, m.canvas.height});
        const LatticeDirections directions(m.canvas, region);
        const CellMap map(directions, m.geometry[f]);
        const CellMap without(directions, bare);
        int64_t wrong = 0;
        int64_t left_out = 0;
        int64_t kept_pixels = 0;
        int64_t none_inside = 0;
        for (int64_t cy = 0; cy < region.height(); ++cy) {
            for (int64_t cx = 0; cx < region.width(); ++cx) {
                CellCoords coords;
                int64_t ox = 0;
                int64_t oy = 0;
                without.coordinates(cx, cy, plain_kernels(), coords, ox, oy);
                bool in_view[kCellArea];
                bool covered[kCellArea];
                bool kept[kCellArea];
                without.covered(coords, ox, oy, in_view);
                map.covered(coords, ox, oy, covered);
                map.kept(coords, ox, oy, kept);
                for (int i = 0; i < kCellArea; ++i) {
                    const Vec2 at{static_cast<double>(coords.u[i]) + static_cast<double>(ox),
                                  static_cast<double>(coords.v[i]) + static_cast<double>(oy)};
                    // Back to upright by trying the turn that leads there.
                    Vec2 p = at;
                    for (int turn = 1; turn <= 8; ++turn) {
                        const bool on_side = orientation >= 5;
                        const Vec2 q =
                            stored(at, on_side ? height : width, on_side ? width : height, turn);
                        const Vec2 again = stored(q, width, height, orientation);
                        if (std::abs(again.x - at.x) < 1e-9 && std::abs(again.y - at.y) < 1e-9) {
                            p = q;
                            break;
                        }
                    }
                    const bool out = in_any(masks, FrameMask::Kind::leave_out, p.x, p.y);
                    const bool expected = in_view[i] && !out;
                    const bool keeps = expected && in_any(masks, FrameMask::Kind::keep, p.x, p.y);
                    wrong += covered[i] != expected;
                    wrong += kept[i] != keeps;
                    left_out += in_view[i] && out;
                    kept_pixels += keeps;
                    const Coverage c = map.coverage(cx, cy);
                    wrong +=
                        (c == Coverage::full && !expected) || (c == Coverage::none && expected);
                    const Coverage k = map.kept(cx, cy);
                    wrong += (k == Coverage::full && !keeps) || (k == Coverage::none && keeps);
                }
                none_inside += map.coverage(cx, cy) == Coverage::none &&
                               without.coverage(cx, cy) == Coverage::full;
            }
        }
        INFO("orientation " << orientation);
        CHECK(wrong == 0);
        CHECK(left_out > 1000);
        CHECK(kept_pixels > 500);
        CHECK(none_inside > 0);
    }
}

TEST_CASE("a mask that keeps a frame goes before the nearest centre", "[masks][seam_labels]") {
    const MadeUpCanvas plain = covered_sphere();
    // All of frames 2 and 1 that lies on the canvas; frame 1 comes first where both keep.
    MadeUpCanvas m = with_masks(plain, 2, {box(FrameMask::Kind::keep, -10, -10, 1e5, 1e5)});
    m = with_masks(m, 1, {ring(FrameMask::Kind::keep, {150, 130}, 70, 40)});
    const std::vector<int> before = labels_of(plain, NearestCentreLabels());
    const std::vector<int> after = labels_of(m, NearestCentreLabels());
    int64_t wrong = 0;
    int64_t changed = 0;
    int64_t first = 0;
    for (int64_t y = 0; y < m.canvas.height; ++y) {
        for (int64_t x = 0; x < m.canvas.width; ++x) {
            const Vec3 d =
                m.canvas.direction(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
            const auto at = static_cast<size_t>(y * m.canvas.width + x);
            // By the exact projection; pixels a hundredth from an edge may go either way.
            const auto inside = [&](size_t f, double grow, bool outline) {
                const FramePoint p = m.geometry[f].at(d, 1 / norm(d));
                if (!p.valid) return false;
                for (const double dx : {-grow, grow}) {
                    for (const double dy : {-grow, grow}) {
                        if (!m.geometry[f].covers(p.x + dx, p.y + dy)) return false;
                        if (outline && !m.geometry[f].masks()->kept(p.x + dx, p.y + dy))
                            return false;
                    }
                }
                return true;
            };
            if (inside(1, 0.05, true)) {
                wrong += after[at] != 1;
                ++first;
            } else if (after[at] != 1 && inside(2, 0.05, false)) {
                wrong += after[at] != 2;
            }
            changed += after[at] != before[at];
        }
    }
    CHECK(wrong == 0);
    CHECK(first > 2000);
    CHECK(changed > 2000);
}

TEST_CASE("a mask that keeps a frame goes before the solved seams", "[masks][seam_labels]") {
    const MadeUpCanvas plain = covered_sphere();
    const MadeUpCanvas m = with_masks(plain, 1,
                                      {ring(FrameMask::Kind::keep, {150, 130}, 70, 40),
                                       ring(FrameMask::Kind::keep, {60, 250}, 30, 12)});
    // Solved in favour of frame 2 wherever there is a choice.
    LabelGrid grid(plain.canvas);
    std::fill(grid.frame.begin(), grid.frame.end(), int16_t{2});
    const std::vector<int> before = labels_of(plain, GridLabels(grid));
    const std::vector<int> after = labels_of(m, GridLabels(grid));
    const std::vector<int> kept = labels_of(m, NearestCentreLabels());
    const RegionMaps maps = maps_over(m);
    int64_t wrong = 0;
    int64_t inside = 0;
    int64_t taken = 0;
    for (int64_t cy = 0; cy < maps.region().height(); ++cy) {
        for (int64_t cx = 0; cx < maps.region().width(); ++cx) {
            CellCoords coords;
            int64_t ox = 0;
            int64_t oy = 0;
            maps.map(1).coordinates(cx, cy, plain_kernels(), coords, ox, oy);
            bool keeps[kCellArea];
            maps.map(1).kept(coords, ox, oy, keeps);
            for (int i = 0; i < kCellArea; ++i) {
                const int64_t x = cx * kCell + i % kCell;
                const int64_t y = cy * kCell + i / kCell;
                if (x >= m.canvas.width || y >= m.canvas.height) continue;
                const auto at = static_cast<size_t>(y * m.canvas.width + x);
                wrong += after[at] != (keeps[i] ? 1 : before[at]);
                wrong += keeps[i] && kept[at] != 1;
                inside += keeps[i];
                taken += keeps[i] && before[at] == 2;
            }
        }
    }
    CHECK(wrong == 0);
    CHECK(inside > 5000);
    CHECK(taken > 1000);
}

TEST_CASE("blocks with masks equal the whole canvas at once", "[masks][multiband][exact]") {
    const MadeUpCanvas plain = flat_sphere();
    MadeUpCanvas m = same_frames(plain);
    Dice dice(21);
    for (size_t f = 0; f < m.frames.size(); f += 2) {
        const auto width = static_cast<double>(m.cameras[f].width);
        const auto height = static_cast<double>(m.cameras[f].height);
        const Vec2 centre{width * dice.between(0.2, 0.8), height * dice.between(0.2, 0.8)};
        const auto kind = f % 4 == 0 ? FrameMask::Kind::leave_out : FrameMask::Kind::keep;
        m = with_masks(m, f, {ring(kind, centre, height / 4, 30)});
    }
    const std::vector<uint8_t> before = rendered(plain, 4);
    const WholeCanvas whole(m.canvas, m.geometry, m.samplers, {46, 40, 52});
    for (const int bands : {0, 1, 4, 6}) {
        const std::vector<uint8_t> expected = bands == 0 ? whole.hard_cut() : whole.blended(bands);
        CHECK(differing_pixels(rendered(m, bands), expected) == 0);
    }
    CHECK(differing_pixels(rendered(m, 4), before) > 1000);
}

TEST_CASE("nothing of what is left out shows, not even by blending", "[masks][multiband]") {
    // The kernel reads three frame pixels on either side of a position (6 taps): what lies
    // farther than that inside the outline has no way into the picture.
    const int64_t reach = 4;
    std::vector<MadeUpCanvas> canvases;
    canvases.push_back(flat_sphere());
    canvases.push_back(whole_cylinder());
    for (const MadeUpCanvas& plain : canvases) {
        for (size_t f = 0; f < 2; ++f) {
            const auto width = static_cast<double>(plain.cameras[f].width);
            const auto height = static_cast<double>(plain.cameras[f].height);
            const FrameMask mask =
                ring(FrameMask::Kind::leave_out, {width * 0.4, height * 0.6}, height / 4, 60);
            // The same frame twice, its planes otherwise painted well inside the outline.
            MadeUpCanvas painted = same_frames(plain);
            const FrameSampler& from = plain.samplers[f];
            std::array<std::vector<uint8_t>, 3> planes;
            FrameSampler& sampler = painted.samplers[f];
            const int64_t border = 8;
            for (size_t c = 0; c < static_cast<size_t>(from.planes); ++c) {
                const int64_t step = from.plane[c].step_x;
                const int64_t w = (from.width + step - 1) / step;
                const int64_t h = (from.height + step - 1) / step;
                const int64_t bytes = from.sixteen_bits ? 2 : 1;
                const int64_t stride = from.plane[c].stride;
                planes[c].resize(static_cast<size_t>(stride * (h + 2 * border + 2)));
                const uint8_t* first = from.plane[c].origin - border * stride - border * bytes;
                std::copy(first, first + planes[c].size(), planes[c].begin());
                const int64_t wide = reach * step;
                for (int64_t y = 0; y < h; ++y) {
                    for (int64_t x = 0; x < w; ++x) {
                        bool deep = true;
                        for (const int64_t dx : {-wide, int64_t{0}, wide}) {
                            for (const int64_t dy : {-wide, int64_t{0}, wide}) {
                                deep = deep && in_outline(mask.outline_px,
                                                          static_cast<double>(x * step + dx) + 0.5,
                                                          static_cast<double>(y * step + dy) + 0.5);
                            }
                        }
                        if (!deep) continue;
                        uint8_t* at = &planes[c][static_cast<size_t>((y + border) * stride +
                                                                     (x + border) * bytes)];
                        // Magenta in R, G, B; in Y, Cb, Cr something as far from grey.
                        std::fill(at, at + bytes, static_cast<uint8_t>(c == 1 ? 0 : 255));
                    }
                }
                sampler.plane[c].origin = planes[c].data() + border * stride + border * bytes;
            }
            for (const int bands : {0, 2, 5}) {
                INFO(plain.name << ", frame " << f << ", bands " << bands);
                const auto clean = rendered(with_masks(plain, f, {mask}), bands);
                const auto dirty = rendered(with_masks(painted, f, {mask}), bands);
                CHECK(differing_pixels(clean, dirty) == 0);
                // Negative control: without the mask the paint shows.
                CHECK(differing_pixels(rendered(plain, bands), rendered(painted, bands)) > 1000);
            }
        }
    }
}

TEST_CASE("bare canvas is the background to the last bit, beside every seam and in every hole",
          "[masks][multiband]") {
    const std::array<uint8_t, 3> background{201, 7, 99};
    std::vector<MadeUpCanvas> canvases;
    canvases.push_back(flat_sphere());
    canvases.push_back(small_sphere());
    canvases.push_back(flat_cylinder());
    for (const MadeUpCanvas& m : canvases) {
        // A hole that no other frame fills: left out of all of them.
        MadeUpCanvas holed = same_frames(m);
        for (size_t f = 0; f < m.frames.size(); ++f) {
            const auto width = static_cast<double>(m.cameras[f].width);
            const auto height = static_cast<double>(m.cameras[f].height);
            holed = with_masks(
                std::move(holed), f,
                {ring(FrameMask::Kind::leave_out, {width / 2, height / 2}, height / 3, 40)});
        }
        const WholeCanvas whole(holed.canvas, holed.geometry, holed.samplers, background);
        for (const int bands : {1, 3, 5, kMaxBands}) {
            const std::vector<uint8_t> picture = rendered(holed, bands, background);
            int64_t smeared = 0;
            int64_t bare = 0;
            int64_t same_elsewhere = 0;
            for (int64_t y = 0; y < whole.height(); ++y) {
                for (int64_t x = 0; x < whole.width(); ++x) {
                    const uint8_t* p = &picture[4 * static_cast<size_t>(y * whole.width() + x)];
                    const bool is_background = std::equal(p, p + 3, background.begin());
                    if (whole.source(x, y) < 0) {
                        ++bare;
                        smeared += !is_background;
                    } else {
                        same_elsewhere += is_background;
                    }
                }
            }
            INFO(m.name << ", bands " << bands);
            CHECK(bare > 500);
            CHECK(smeared == 0);
            CHECK(same_elsewhere < bare / 10);
        }
    }
}
