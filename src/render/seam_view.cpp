#include "render/seam_view.hpp"

#include <algorithm>
#include <cmath>

#include "broadloom/error.hpp"
#include "broadloom/rotation.hpp"
#include "io/seam_overlay.hpp"

namespace broadloom {

namespace {

SeamFrame seam_frame(const Scene& scene, size_t index) {
    const Frame& frame = scene.frames[index];
    const Camera& camera = scene.cameras.at(frame.camera);
    const Vec2 centre = camera.principal_point();
    SeamFrame out;
    out.file = frame.file;
    out.index = static_cast<int64_t>(index);
    out.row = frame.row;
    out.column = frame.column;
    out.width = camera.width;
    out.height = camera.height;
    out.focal_px = camera.focal_px;
    out.principal_point_px = {centre.x, centre.y};
    out.radial = camera.radial;
    out.tangential = camera.tangential;
    out.fold_radius = Lens(camera).fold_radius();
    const Rotation rotation = Rotation::from_yaw_pitch_roll_deg(
        frame.yaw_deg.value_or(0), frame.pitch_deg.value_or(0), frame.roll_deg);
    for (size_t i = 0; i < 9; ++i) out.rotation[i] = rotation.m[i / 3][i % 3];
    return out;
}

/// Vertical distances on the surface, in degrees of the canvas's scale, below `from`.
double height_deg(Surface surface, double from_deg, double to_deg) {
    if (surface == Surface::sphere) return from_deg - to_deg;
    return (std::tan(from_deg * kRadPerDeg) - std::tan(to_deg * kRadPerDeg)) * kDegPerRad;
}

/// A range of whole cells.
struct Cells {
    int64_t first = 0, count = 0;
};

/// The cells that [from, from + length) touches; a hair beyond an edge does not count.
Cells cells_of(double from, double length) {
    constexpr double kHair = 1e-6;
    const auto first = static_cast<int64_t>(std::floor(from + kHair));
    const auto end = static_cast<int64_t>(std::ceil(from + length - kHair));
    return {first, std::max<int64_t>(end - first, 1)};
}

}  // namespace

std::string seam_view_script(const Scene& scene, const Canvas& canvas, const LabelGrid& grid,
                             const std::vector<FrameFields>& fields) {
    SeamOverlay overlay;
    for (size_t i = 0; i < scene.frames.size(); ++i) {
        if (scene.frames[i].use) overlay.frames.push_back(seam_frame(scene, i));
    }
    for (size_t i = 0; i < std::min(fields.size(), overlay.frames.size()); ++i) {
        if (!fields[i].moves()) continue;
        overlay.frames[i].shift_columns = fields[i].shift_grid.columns;
        overlay.frames[i].shift_rows = fields[i].shift_grid.rows;
        overlay.frames[i].shift_x = fields[i].dx;
        overlay.frames[i].shift_y = fields[i].dy;
    }

    // Where the rendered canvas lies on the grid, in cells.
    const double s = grid.pixels_per_degree;
    const double cell = canvas.pixels_per_degree / s;
    double left = canvas.left_deg - grid.left_deg;
    const double width_deg = static_cast<double>(grid.width) / s;
    // Longitudes of either may be whole turns apart.
    while (left < -1e-9) left += 360;
    while (left >= width_deg) left -= 360;
    left *= s;
    const double top = height_deg(grid.surface, grid.top_deg, canvas.top_deg) * s;
    Cells across = cells_of(left, static_cast<double>(canvas.width) / cell);
    Cells down = cells_of(top, static_cast<double>(canvas.height) / cell);
    if (grid.wraps) {
        across.count = std::min(across.count, grid.width);
    } else {
        const int64_t end = std::min(across.first + across.count, grid.width);
        across.first = std::max<int64_t>(across.first, 0);
        across.count = end - across.first;
    }
    const int64_t bottom = std::min(down.first + down.count, grid.height);
    down.first = std::max<int64_t>(down.first, 0);
    down.count = bottom - down.first;
    if (across.count < 1 || down.count < 1) {
        throw Error(ErrorCode::internal,
                    "seams: the labels do not meet the canvas; please report this");
    }

    std::vector<int16_t> labels;
    labels.reserve(static_cast<size_t>(across.count) * static_cast<size_t>(down.count));
    for (int64_t y = down.first; y < bottom; ++y) {
        for (int64_t x = across.first; x < across.first + across.count; ++x) {
            labels.push_back(grid.at(grid.wraps ? (x + grid.width) % grid.width : x, y));
        }
    }
    overlay.columns = across.count;
    overlay.rows = down.count;
    overlay.left = (static_cast<double>(across.first) - left) * cell;
    overlay.top = (static_cast<double>(down.first) - top) * cell;
    overlay.cell_width = cell;
    overlay.cell_height = cell;
    overlay.wraps = canvas.wraps;
    overlay.labels = labels;
    return seam_script(overlay);
}

}  // namespace broadloom
