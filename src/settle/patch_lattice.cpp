#include <algorithm>
#include <cmath>
#include <tuple>

#include "canvas/cell_map.hpp"
#include "settle/local_shift.hpp"

namespace broadloom {

namespace {

/// Points a frame's shorter side.
constexpr double kPointsAcross = 12;
/// Frame pixels that the patch's border keeps from the frame's.
constexpr double kBorder = 1;
/// Frame pixels that sampling mixes in from beyond a position: three samples, decoded at 1/8 at
/// least.
constexpr double kSampleReach = 24;
/// Most samples on each axis whose mean is a patch pixel.
constexpr int kMostSamples = 4;

/// The angle across the frame's shorter side, about.
double short_side_rad(const FrameGeometry& g) {
    const double width = g.upright_width();
    const double height = g.upright_height();
    return 2 * g.cone_rad() * std::min(width, height) / std::hypot(width, height);
}

bool inside(const FrameGeometry& g, const std::optional<Vec2>& p) {
    return p && p->x >= kBorder && p->x <= g.upright_width() - kBorder && p->y >= kBorder &&
           p->y <= g.upright_height() - kBorder;
}

/// All of the patch and a little around it lies in the frame, and nothing that a mask leaves out.
bool shows_patch(const PatchLattice& lattice, const PatchLattice::Point& point,
                 const FrameGeometry& g) {
    const Vec3 centre = lattice.direction(point);
    if (dot(centre, g.axis()) < g.cone_cos() || !inside(g, g.upright(centre))) return false;
    constexpr int kSteps = 4;
    constexpr double kReach = kPatchSide / 2.0;
    Vec2 low{1e9, 1e9};
    Vec2 high{-1e9, -1e9};
    for (int i = 0; i <= kSteps; ++i) {
        const double t = kReach * (2.0 * i / kSteps - 1);
        for (const Vec2 p :
             {Vec2{t, -kReach}, Vec2{t, kReach}, Vec2{-kReach, t}, Vec2{kReach, t}}) {
            const std::optional<Vec2> at = g.upright(lattice.direction(point, p.x, p.y));
            if (!inside(g, at)) return false;
            low = {std::min(low.x, at->x), std::min(low.y, at->y)};
            high = {std::max(high.x, at->x), std::max(high.y, at->y)};
        }
    }
    return g.masks() == nullptr ||
           g.masks()->left_out_upright(low.x - kSampleReach, low.y - kSampleReach,
                                       high.x + kSampleReach, high.y + kSampleReach) == Share::none;
}

std::vector<PatchLattice::Point> points_in(const PatchLattice& lattice, const FrameGeometry& g) {
    std::vector<PatchLattice::Point> points;
    const double latitude = -std::asin(std::clamp(g.axis().y, -1.0, 1.0)) * kDegPerRad;
    const double longitude = std::atan2(g.axis().x, g.axis().z) * kDegPerRad;
    const double cone = g.cone_rad() * kDegPerRad;
    // Longitudes that a cone can reach: all when it holds a pole.
    double half = 180;
    if (std::abs(latitude) + cone < 89.9) {
        half = std::asin(std::min(1.0, std::sin(g.cone_rad()) / std::cos(latitude * kRadPerDeg))) *
                   kDegPerRad +
               1e-6;
    }
    const auto rows = static_cast<int64_t>(lattice.columns.size());
    for (int64_t row = 0; row < rows; ++row) {
        const double at = lattice.top_deg - (static_cast<double>(row) + 0.5) * lattice.row_step_deg;
        if (std::abs(at - latitude) > cone) continue;
        const int64_t columns = lattice.columns[static_cast<size_t>(row)];
        const double step = lattice.width_deg / static_cast<double>(columns);
        for (int64_t column = 0; column < columns; ++column) {
            const double there = lattice.left_deg + (static_cast<double>(column) + 0.5) * step;
            const double apart = std::remainder(there - longitude, 360);
            if (std::abs(apart) > half) continue;
            if (shows_patch(lattice, {column, row}, g)) points.push_back({column, row});
        }
    }
    return points;
}

}  // namespace

Vec3 PatchLattice::direction(const Point& point) const { return direction(point, 0, 0); }

Vec3 PatchLattice::direction(const Point& point, double x, double y) const {
    const double latitude =
        (top_deg - (static_cast<double>(point.row) + 0.5) * row_step_deg) * kRadPerDeg;
    const double step = width_deg / static_cast<double>(columns[static_cast<size_t>(point.row)]);
    const double longitude =
        (left_deg + (static_cast<double>(point.column) + 0.5) * step) * kRadPerDeg;
    const double sine = std::sin(longitude);
    const double cosine = std::cos(longitude);
    const Vec3 centre{std::cos(latitude) * sine, -std::sin(latitude), std::cos(latitude) * cosine};
    const Vec3 east{cosine, 0, -sine};
    const Vec3 down{std::sin(latitude) * sine, std::cos(latitude), std::sin(latitude) * cosine};
    return centre + (x * pixel_rad) * east + (y * pixel_rad) * down;
}

PatchLattice patch_lattice(const CoarseCanvas& coarse, const std::vector<FrameGeometry>& frames) {
    PatchLattice lattice;
    const Canvas& canvas = coarse.canvas;
    lattice.scale = std::clamp(coarse.step / 4, 1, 2);
    lattice.pixel_rad = lattice.scale / (canvas.pixels_per_degree * coarse.step) * kRadPerDeg;
    lattice.left_deg = canvas.left_deg;
    lattice.width_deg = canvas.right_deg - canvas.left_deg;
    lattice.top_deg = canvas.top_deg;
    lattice.points.resize(frames.size());
    if (frames.empty()) return lattice;

    double side = short_side_rad(frames.front());
    for (const FrameGeometry& g : frames) side = std::min(side, short_side_rad(g));
    const double spacing = side / kPointsAcross * kDegPerRad;
    const double height = canvas.top_deg - canvas.bottom_deg;
    const auto rows = std::max<int64_t>(1, std::llround(height / spacing));
    lattice.row_step_deg = height / static_cast<double>(rows);
    for (int64_t row = 0; row < rows; ++row) {
        const double latitude =
            lattice.top_deg - (static_cast<double>(row) + 0.5) * lattice.row_step_deg;
        const double across = lattice.width_deg * std::cos(latitude * kRadPerDeg);
        lattice.columns.push_back(std::max<int64_t>(1, std::llround(across / spacing)));
    }

    std::vector<std::tuple<PatchLattice::Point, size_t>> seen;
    for (size_t f = 0; f < frames.size(); ++f) {
        lattice.points[f] = points_in(lattice, frames[f]);
        for (const auto& p : lattice.points[f]) seen.emplace_back(p, f);
    }
    // What no other frame shows is of no use.
    std::sort(seen.begin(), seen.end());
    for (auto& points : lattice.points) points.clear();
    for (size_t i = 0; i < seen.size(); ++i) {
        const auto& point = std::get<0>(seen[i]);
        const bool before = i > 0 && std::get<0>(seen[i - 1]) == point;
        const bool after = i + 1 < seen.size() && std::get<0>(seen[i + 1]) == point;
        if (before || after) lattice.points[std::get<1>(seen[i])].push_back(point);
    }
    return lattice;
}

std::vector<Patch> cut_patches(const PatchLattice& lattice, size_t frame,
                               const FrameGeometry& geometry, const FrameSampler& sampler,
                               const Kernels& kernels) {
    std::vector<Patch> patches;
    patches.reserve(lattice.points[frame].size());
    std::vector<int16_t> rgb(static_cast<size_t>(3) * kCellArea);
    std::vector<int32_t> sums(static_cast<size_t>(kPatchSide) * kPatchSide);
    CellCoords coords;
    for (const auto& point : lattice.points[frame]) {
        // Decoded samples a patch pixel: so many are averaged.
        const auto a = geometry.upright(lattice.direction(point, -0.5, 0));
        const auto b = geometry.upright(lattice.direction(point, 0.5, 0));
        const double stride = a && b ? std::hypot(b->x - a->x, b->y - a->y) : 1;
        const int samples = static_cast<int>(
            std::clamp<int64_t>(std::llround(stride / sampler.plane[0].step_x), 1, kMostSamples));
        std::fill(sums.begin(), sums.end(), 0);
        const int cells = kPatchSide * samples / kCell;
        const double step = 1.0 / samples;
        for (int cy = 0; cy < cells; ++cy) {
            for (int cx = 0; cx < cells; ++cx) {
                std::array<FramePoint, 4> corner;
                for (int k = 0; k < 4; ++k) {
                    const int right = cx + k % 2;
                    const int down = cy + k / 2;
                    const double x = right * kCell * step - kPatchSide / 2.0;
                    const double y = down * kCell * step - kPatchSide / 2.0;
                    const Vec3 d = lattice.direction(point, x, y);
                    corner[static_cast<size_t>(k)] = geometry.at(d, 1 / norm(d));
                }
                int64_t origin_x = 0;
                int64_t origin_y = 0;
                interpolate_points(corner, geometry, kernels, coords, origin_x, origin_y);
                int16_t* const out[3] = {rgb.data(), rgb.data() + kCellArea,
                                         rgb.data() + ptrdiff_t{2} * kCellArea};
                sample_frame(kernels, sampler, origin_x, origin_y, coords, out, kCell);
                for (int i = 0; i < kCellArea; ++i) {
                    const auto at = static_cast<size_t>(i);
                    // Rec. ITU-R BT.601 luma in 256ths.
                    const int luma = 77 * rgb[at] + 150 * rgb[at + kCellArea] +
                                     29 * rgb[at + static_cast<size_t>(2) * kCellArea];
                    const int x = (cx * kCell + i % kCell) / samples;
                    const int y = (cy * kCell + i / kCell) / samples;
                    sums[static_cast<size_t>(y) * kPatchSide + static_cast<size_t>(x)] += luma >> 4;
                }
            }
        }
        Patch patch{point.column, point.row, std::vector<uint8_t>(sums.size())};
        const int32_t unit = (samples * samples) << (8 + kWorkShift - 4);
        for (size_t i = 0; i < sums.size(); ++i) {
            patch.grey[i] = static_cast<uint8_t>(std::clamp((sums[i] + unit / 2) / unit, 0, 255));
        }
        patches.push_back(std::move(patch));
    }
    return patches;
}

}  // namespace broadloom
