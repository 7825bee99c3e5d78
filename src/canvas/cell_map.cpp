#include "canvas/cell_map.hpp"

#include <algorithm>
#include <array>
#include <cmath>

namespace broadloom {

namespace {

/// Interpolation is used where its estimated error stays below this, in pixels of frame or canvas,
/// whichever are larger. The estimate is the second difference over 8 (the error of linear
/// interpolation, to first order), so the true error stays below 1/50 px also where the curvature
/// changes within a cell.
constexpr double kLargestError = 1.0 / 64;
/// Canvas pixels between a cell's points where its corners are too far apart, and points on a side.
constexpr int kPointStep = 4;
constexpr int kPoints = kCell / kPointStep + 1;
constexpr double kFarOutside = -1e6;
/// Origins of cells are multiples of this in stored pixels, so that they stay whole in planes
/// subsampled by up to 4 that were decoded at 1/16.
constexpr int64_t kOriginStep = 64;

int64_t origin_of(double v, int64_t side) {
    const double inside = std::clamp(v, 0.0, static_cast<double>(side));
    return static_cast<int64_t>(std::floor(inside)) / kOriginStep * kOriginStep;
}

}  // namespace

CellRegion cells_of(const Rect& pixels) {
    const Rect r = aligned_outwards(pixels, kCell);
    return {r.x0 / kCell, r.y0 / kCell, r.x1 / kCell, r.y1 / kCell};
}

LatticeDirections::LatticeDirections(const Canvas& canvas, const CellRegion& region)
    : canvas_(canvas), region_(region) {
    columns_.reserve(static_cast<size_t>(region.width() + 3));
    for (int64_t i = -1; i <= region.width() + 1; ++i) {
        columns_.push_back(column_at(static_cast<double>((region.x0 + i) * kCell)));
    }
    rows_.reserve(static_cast<size_t>(region.height() + 3));
    for (int64_t j = -1; j <= region.height() + 1; ++j) {
        rows_.push_back(row_at(static_cast<double>((region.y0 + j) * kCell)));
    }
}

LatticeDirections::Column LatticeDirections::column_at(double x) const {
    if (canvas_.wraps) {  // the same node, the same bits, on either side of the edge
        const auto width = static_cast<double>(canvas_.width);
        x -= std::floor(x / width) * width;
    }
    const double longitude = (canvas_.left_deg + x / canvas_.pixels_per_degree) * kRadPerDeg;
    return {std::sin(longitude), std::cos(longitude)};
}

LatticeDirections::Row LatticeDirections::row_at(double y) const {
    if (canvas_.surface == Surface::sphere) {
        const double latitude = (canvas_.top_deg - y / canvas_.pixels_per_degree) * kRadPerDeg;
        return {std::cos(latitude), -std::sin(latitude), 1.0};
    }
    const double height =
        std::tan(canvas_.top_deg * kRadPerDeg) - y / canvas_.pixels_per_degree * kRadPerDeg;
    return {1.0, -height, 1 / std::sqrt(1 + height * height)};
}

void interpolate_points(const std::array<FramePoint, 4>& corner, const FrameGeometry& frame,
                        const Kernels& kernels, CellCoords& out, int64_t& origin_x,
                        int64_t& origin_y) {
    origin_x = origin_of(corner[0].x, frame.stored_width());
    origin_y = origin_of(corner[0].y, frame.stored_height());
    CellCorners corners{};
    corners.by_channel = frame.per_channel();
    for (size_t i = 0; i < 4; ++i) {
        corners.u[i] = static_cast<float>(corner[i].x - static_cast<double>(origin_x));
        corners.v[i] = static_cast<float>(corner[i].y - static_cast<double>(origin_y));
        for (size_t c = 0; c < 3; ++c) {
            corners.h[c][i] = corner[i].h[c];
            corners.g[c][i] = corner[i].g[c];
        }
    }
    kernels.interpolate_cell(corners, out);
}

CellMap::CellMap(const LatticeDirections& directions, const FrameGeometry& frame,
                 const Kernels* kernels)
    : directions_(&directions),
      frame_(&frame),
      width_(directions.region().width()),
      height_(directions.region().height()),
      largest_error_(kLargestError * std::max(1.0, frame.focal_px() * kRadPerDeg /
                                                       directions.canvas().pixels_per_degree)) {
    nodes_.resize(static_cast<size_t>((width_ + 3) * (height_ + 3)));
    if (kernels != nullptr && kernels->project_nodes != nullptr) {
        project_nodes(*kernels);
        classify();
        return;
    }
    for (int64_t j = -1; j <= height_ + 1; ++j) {
        FramePoint* row = nodes_.data() + (j + 1) * (width_ + 3) + 1;
        const double inverse_norm = directions.inverse_norm(j);
        for (int64_t i = -1; i <= width_ + 1; ++i) {
            row[i] = frame.at(directions.node(i, j), inverse_norm);
        }
    }
    classify();
}

/// No pixel of a cell is farther than this from its nearest corner, in radians on the sphere (on a
/// cylinder angles are smaller).
double CellMap::cell_reach() const {
    return 1.42 * kCell / directions_->canvas().pixels_per_degree * kRadPerDeg;
}

void CellMap::project_nodes(const Kernels& kernels) {
    NodeProjection projection = frame_->node_projection();
    // A cell that may be in view depends on its corners and on their neighbours.
    const double angle = frame_->cone_rad() + 4 * cell_reach();
    if (angle < kPi) projection.least_score = std::cos(angle);
    // The same in frame pixels: four cells as large as they are on the axis, four times as large
    // far off a wide lens's axis.
    projection.margin =
        16 * kCell *
        std::max(1.0, frame_->focal_px() * kRadPerDeg / directions_->canvas().pixels_per_degree);
    if (frame_->fields()) projection.margin += frame_->fields()->longest_shift();
    NodeBatch batch;
    constexpr auto kSize = static_cast<int64_t>(NodeBatch::kSize);
    for (int64_t j = -1; j <= height_ + 1; ++j) {
        FramePoint* row = nodes_.data() + (j + 1) * (width_ + 3) + 1;
        const LatticeDirections::Row& at = directions_->row(j);
        batch.across = at.across;
        batch.down = at.down;
        batch.inverse_norm = at.inverse_norm;
        for (int64_t first = -1; first <= width_ + 1; first += kSize) {
            const int64_t count = std::min(kSize, width_ + 2 - first);
            for (int64_t i = 0; i < kSize; ++i) {
                const auto& column = directions_->column(first + std::min(i, count - 1));
                batch.sine[i] = column.sine;
                batch.cosine[i] = column.cosine;
            }
            kernels.project_nodes(projection, batch);
            frame_->points_of(batch, static_cast<size_t>(count), row + first);
        }
    }
}

size_t CellMap::bytes(const CellRegion& region) {
    return static_cast<size_t>((region.width() + 3) * (region.height() + 3)) *
           (sizeof(FramePoint) + sizeof(Cell));
}

void CellMap::classify() {
    cells_.resize(static_cast<size_t>(width_ * height_));
    const double angle = frame_->cone_rad() + cell_reach();
    const double reject = angle < kPi ? std::cos(angle) : -2;
    const auto w = static_cast<double>(frame_->stored_width());
    const auto h = static_cast<double>(frame_->stored_height());
    for (int64_t cy = 0; cy < height_; ++cy) {
        for (int64_t cx = 0; cx < width_; ++cx) {
            Cell& cell = cells_[index(cx, cy)];
            cell = {Coverage::none, Coverage::none, Way::corners};
            const FramePoint* corner[4] = {&node(cx, cy), &node(cx + 1, cy), &node(cx, cy + 1),
                                           &node(cx + 1, cy + 1)};
            if (std::all_of(corner, corner + 4,
                            [&](const FramePoint* p) { return p->score < reject; })) {
                continue;
            }
            // Second differences need the corners' neighbours.
            bool smooth = true;
            double error_x = 0;
            double error_y = 0;
            for (int64_t j = cy; j <= cy + 1 && smooth; ++j) {
                for (int64_t i = cx; i <= cx + 1 && smooth; ++i) {
                    const FramePoint& p = node(i, j);
                    const FramePoint& a = node(i - 1, j);
                    const FramePoint& b = node(i + 1, j);
                    const FramePoint& c = node(i, j - 1);
                    const FramePoint& d = node(i, j + 1);
                    smooth = p.valid && a.valid && b.valid && c.valid && d.valid;
                    if (!smooth) break;
                    error_x = std::max(
                        error_x, std::abs(a.x - 2 * p.x + b.x) + std::abs(c.x - 2 * p.x + d.x));
                    error_y = std::max(
                        error_y, std::abs(a.y - 2 * p.y + b.y) + std::abs(c.y - 2 * p.y + d.y));
                }
            }
            if (!smooth ||
                error_x * error_x + error_y * error_y > 64 * largest_error_ * largest_error_) {
                cell.way = points_suffice(cx, cy) ? Way::points : Way::pixels;
                classify_by_pixels(cx, cy, cell);
            } else {
                const auto [x_low, x_high] =
                    std::minmax({corner[0]->x, corner[1]->x, corner[2]->x, corner[3]->x});
                const auto [y_low, y_high] =
                    std::minmax({corner[0]->y, corner[1]->y, corner[2]->y, corner[3]->y});
                // The margin covers float rounding of the interpolated coordinates.
                constexpr double kMargin = 1e-3;
                const double border = frame_->border();
                if (x_high < border - kMargin || x_low > w - border + kMargin ||
                    y_high < border - kMargin || y_low > h - border + kMargin) {
                    cell.coverage = Coverage::none;
                } else if (x_low > border + kMargin && x_high < w - border - kMargin &&
                           y_low > border + kMargin && y_high < h - border - kMargin) {
                    cell.coverage = Coverage::full;
                } else {
                    cell.coverage = Coverage::part;
                }
                if (frame_->masks() != nullptr) {
                    apply_masks(x_low - kMargin, y_low - kMargin, x_high + kMargin,
                                y_high + kMargin, cell);
                }
            }
        }
    }
}

/// What masks make of a cell whose pixels lie between two corners in the stored frame.
void CellMap::apply_masks(double x_low, double y_low, double x_high, double y_high,
                          Cell& cell) const {
    if (cell.coverage == Coverage::none) return;
    const FrameMasks& masks = *frame_->masks();
    switch (masks.left_out(x_low, y_low, x_high, y_high)) {
        case Share::all:
            cell.coverage = Coverage::none;
            return;
        case Share::some:
            cell.coverage = Coverage::part;
            break;
        case Share::none:
            break;
    }
    const Share kept = masks.kept(x_low, y_low, x_high, y_high);
    if (kept != Share::none) cell.kept = kept == Share::all ? cell.coverage : Coverage::part;
}

void CellMap::classify_by_pixels(int64_t cx, int64_t cy, Cell& cell) const {
    CellCoords coords;
    int64_t origin_x = 0;
    int64_t origin_y = 0;
    if (cell.way == Way::points) {
        coordinates_from_points(cx, cy, coords, origin_x, origin_y);
    } else {
        exact_coordinates(cx, cy, coords, origin_x, origin_y);
    }
    bool inside[kCellArea];
    covered(coords, origin_x, origin_y, inside);
    const auto share = [&] {
        const auto count = std::count(inside, inside + kCellArea, true);
        return count == 0 ? Coverage::none : (count == kCellArea ? Coverage::full : Coverage::part);
    };
    cell.coverage = share();
    if (frame_->masks() == nullptr || !frame_->masks()->any_kept()) return;
    kept(coords, origin_x, origin_y, inside);
    cell.kept = share();
}

template <int kSide>
void CellMap::points_of(int64_t cx, int64_t cy, double offset, double step,
                        std::array<FramePoint, kSide * kSide>& out) const {
    const CellRegion& region = directions_->region();
    std::array<LatticeDirections::Column, kSide> columns;
    for (int i = 0; i < kSide; ++i) {
        columns[static_cast<size_t>(i)] = directions_->column_at(
            static_cast<double>((region.x0 + cx) * kCell) + offset + step * i);
    }
    for (int j = 0; j < kSide; ++j) {
        const LatticeDirections::Row row =
            directions_->row_at(static_cast<double>((region.y0 + cy) * kCell) + offset + step * j);
        for (int i = 0; i < kSide; ++i) {
            out[static_cast<size_t>(j) * kSide + static_cast<size_t>(i)] = frame_->at(
                LatticeDirections::combine(columns[static_cast<size_t>(i)], row), row.inverse_norm);
        }
    }
}

bool CellMap::points_suffice(int64_t cx, int64_t cy) const {
    std::array<FramePoint, kPoints * kPoints> points;
    points_of<kPoints>(cx, cy, 0, kPointStep, points);
    if (!std::all_of(points.begin(), points.end(), [](const FramePoint& p) { return p.valid; })) {
        return false;
    }
    double error_x = 0;
    double error_y = 0;
    const auto bend = [](double a, double b, double c) { return std::abs(a - 2 * b + c); };
    for (size_t j = 1; j + 1 < kPoints; ++j) {
        for (size_t i = 1; i + 1 < kPoints; ++i) {
            const FramePoint* p = &points[j * kPoints + i];
            const FramePoint* above = p - kPoints;
            const FramePoint* below = p + kPoints;
            error_x =
                std::max(error_x, bend(p[-1].x, p->x, p[1].x) + bend(above->x, p->x, below->x));
            error_y =
                std::max(error_y, bend(p[-1].y, p->y, p[1].y) + bend(above->y, p->y, below->y));
        }
    }
    return std::hypot(error_x, error_y) / 8 <= largest_error_;
}

void CellMap::coordinates_from_points(int64_t cx, int64_t cy, CellCoords& out, int64_t& origin_x,
                                      int64_t& origin_y) const {
    std::array<FramePoint, kPoints * kPoints> points;
    points_of<kPoints>(cx, cy, 0, kPointStep, points);
    origin_x = origin_of(points[0].x, frame_->stored_width());
    origin_y = origin_of(points[0].y, frame_->stored_height());
    out.by_channel = frame_->per_channel();
    out.monotone = out.corners_of_g = false;
    const size_t channels = out.by_channel ? 3 : 1;
    const auto mean = [](const auto& of, double u, double v) {
        return (1 - v) * ((1 - u) * of(0) + u * of(1)) +
               v * ((1 - u) * of(kPoints) + u * of(kPoints + 1));
    };
    for (int j = 0; j < kCell; ++j) {
        const double v = (j % kPointStep + 0.5) / kPointStep;
        for (int i = 0; i < kCell; ++i) {
            const double u = (i % kPointStep + 0.5) / kPointStep;
            const FramePoint* p = points.data() + j / kPointStep * kPoints + i / kPointStep;
            const int at = j * kCell + i;
            out.u[at] = static_cast<float>(mean([&](int k) { return p[k].x; }, u, v) -
                                           static_cast<double>(origin_x));
            out.v[at] = static_cast<float>(mean([&](int k) { return p[k].y; }, u, v) -
                                           static_cast<double>(origin_y));
            for (size_t c = 0; c < channels; ++c) {
                out.h[c][at] = static_cast<float>(
                    mean([&](int k) { return static_cast<double>(p[k].h[c]); }, u, v));
                out.g[c][at] = static_cast<float>(
                    mean([&](int k) { return static_cast<double>(p[k].g[c]); }, u, v));
            }
        }
    }
}

void CellMap::exact_coordinates(int64_t cx, int64_t cy, CellCoords& out, int64_t& origin_x,
                                int64_t& origin_y) const {
    std::array<FramePoint, kCellArea> points;
    points_of<kCell>(cx, cy, 0.5, 1, points);
    const auto* first = std::find_if(points.begin(), points.end(), [&](const FramePoint& p) {
        return p.valid && frame_->covers(p.x, p.y);
    });
    const bool some = first != points.end();
    origin_x = origin_of(some ? first->x : 0, frame_->stored_width());
    origin_y = origin_of(some ? first->y : 0, frame_->stored_height());
    out.by_channel = frame_->per_channel();
    out.monotone = out.corners_of_g = false;
    const size_t channels = out.by_channel ? 3 : 1;
    for (int i = 0; i < kCellArea; ++i) {
        const FramePoint& p = points[static_cast<size_t>(i)];
        out.u[i] = static_cast<float>(p.valid ? p.x - static_cast<double>(origin_x) : kFarOutside);
        out.v[i] = static_cast<float>(p.valid ? p.y - static_cast<double>(origin_y) : kFarOutside);
        for (size_t c = 0; c < channels; ++c) {
            out.h[c][i] = p.h[c];
            out.g[c][i] = p.g[c];
        }
    }
}

void CellMap::corner_scores(int64_t cx, int64_t cy, double out[4]) const {
    out[0] = node(cx, cy).score;
    out[1] = node(cx + 1, cy).score;
    out[2] = node(cx, cy + 1).score;
    out[3] = node(cx + 1, cy + 1).score;
}

void CellMap::coordinates(int64_t cx, int64_t cy, const Kernels& kernels, CellCoords& out,
                          int64_t& origin_x, int64_t& origin_y) const {
    switch (cells_[index(cx, cy)].way) {
        case Way::corners:
            interpolate_points(
                {node(cx, cy), node(cx + 1, cy), node(cx, cy + 1), node(cx + 1, cy + 1)}, *frame_,
                kernels, out, origin_x, origin_y);
            break;
        case Way::points:
            coordinates_from_points(cx, cy, out, origin_x, origin_y);
            break;
        case Way::pixels:
            exact_coordinates(cx, cy, out, origin_x, origin_y);
            break;
    }
}

void CellMap::covered(const CellCoords& coords, int64_t origin_x, int64_t origin_y,
                      bool out[kCellArea]) const {
    const double border = frame_->border();
    const auto u_low = static_cast<float>(border - static_cast<double>(origin_x));
    const auto v_low = static_cast<float>(border - static_cast<double>(origin_y));
    const auto u_high =
        static_cast<float>(static_cast<double>(frame_->stored_width() - origin_x) - border);
    const auto v_high =
        static_cast<float>(static_cast<double>(frame_->stored_height() - origin_y) - border);
    for (int i = 0; i < kCellArea; ++i) {
        out[i] = coords.u[i] >= u_low && coords.u[i] <= u_high && coords.v[i] >= v_low &&
                 coords.v[i] <= v_high;
    }
    const FrameMasks* masks = frame_->masks();
    if (masks == nullptr || !masks->any_left_out()) return;
    for (int i = 0; i < kCellArea; ++i) {
        out[i] = out[i] &&
                 !masks->left_out(static_cast<double>(coords.u[i]) + static_cast<double>(origin_x),
                                  static_cast<double>(coords.v[i]) + static_cast<double>(origin_y));
    }
}

void CellMap::kept(const CellCoords& coords, int64_t origin_x, int64_t origin_y,
                   bool out[kCellArea]) const {
    const FrameMasks* masks = frame_->masks();
    if (masks == nullptr || !masks->any_kept()) {
        std::fill(out, out + kCellArea, false);
        return;
    }
    covered(coords, origin_x, origin_y, out);
    for (int i = 0; i < kCellArea; ++i) {
        out[i] =
            out[i] && masks->kept(static_cast<double>(coords.u[i]) + static_cast<double>(origin_x),
                                  static_cast<double>(coords.v[i]) + static_cast<double>(origin_y));
    }
}

}  // namespace broadloom
