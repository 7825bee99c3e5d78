#include "canvas/frame_masks.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace broadloom {

namespace {

/// Grid cells are at least this wide, px: about two cells of the canvas's lattice at full size.
constexpr double kLeastStep = 32;
/// Cells along the longer side, at most; a grid then stays below 256 KiB.
constexpr double kMostSteps = 512;
/// Edges are looked up by bands of rows, so that few are tried for a point.
constexpr size_t kBands = 64;
/// Cells this near to an edge are left to the exact test, px; far above rounding at coordinates of
/// up to 1e7.
constexpr double kMargin = 1e-3;

/// The stretch of the segment's x inside y_low..y_high, which it meets.
std::pair<double, double> x_between(Vec2 a, Vec2 b, double y_low, double y_high) {
    if (a.y > b.y) std::swap(a, b);
    const auto x_at = [&](double y) {
        const double t = a.y < b.y ? std::clamp((y - a.y) / (b.y - a.y), 0.0, 1.0) : 0.0;
        return a.x + t * (b.x - a.x);
    };
    // A level segment has all of its x in the one row.
    if (!(a.y < b.y)) return std::minmax(a.x, b.x);
    return std::minmax({x_at(y_low), x_at(y_high)});
}

}  // namespace

OutlineArea::OutlineArea(const std::vector<const FrameMask*>& masks, double width, double height,
                         double grown_px)
    : width_(width),
      height_(height),
      grown_(grown_px),
      step_(std::max(kLeastStep, std::ceil(std::max(width, height) / kMostSteps))),
      columns_(static_cast<int64_t>(std::ceil(width / step_))),
      rows_(static_cast<int64_t>(std::ceil(height / step_))) {
    if (masks.empty()) return;
    grid_.assign(static_cast<size_t>(columns_ * rows_), Share::none);
    for (uint32_t i = 0; i < masks.size(); ++i) {
        const std::vector<Vec2>& outline = masks[i]->outline_px;
        for (size_t k = 0; k < outline.size(); ++k) {
            const Vec2 a = outline[k];
            const Vec2 b = outline[(k + 1) % outline.size()];
            mark_edge(a, b);
            if (a.y <= b.y) edges_.push_back({a.x, a.y, b.x, b.y, i});
            if (a.y > b.y) edges_.push_back({b.x, b.y, a.x, a.y, i});
        }
    }
    sort_into_bands();
    for (int64_t row = 0; row < rows_; ++row) fill_row(row);
}

size_t OutlineArea::band_of(double y) const {
    const double at = std::clamp(y / height_, 0.0, 1.0) * static_cast<double>(kBands);
    return std::min(static_cast<size_t>(at), kBands - 1);
}

int64_t OutlineArea::column_of(double x) const {
    return std::clamp<int64_t>(static_cast<int64_t>(std::floor(x / step_)), 0, columns_ - 1);
}

int64_t OutlineArea::row_of(double y) const {
    return std::clamp<int64_t>(static_cast<int64_t>(std::floor(y / step_)), 0, rows_ - 1);
}

/// The cells that an edge may touch are left to the exact test.
void OutlineArea::mark_edge(Vec2 a, Vec2 b) {
    const double margin = kMargin + grown_;
    const double low = std::min(a.y, b.y) - margin;
    const double high = std::max(a.y, b.y) + margin;
    if (high < 0 || low > height_) return;
    for (int64_t row = row_of(low); row <= row_of(high); ++row) {
        const double y_low = static_cast<double>(row) * step_ - margin;
        const auto [x_low, x_high] = x_between(a, b, y_low, y_low + step_ + 2 * margin);
        if (x_high + margin < 0 || x_low - margin > width_) continue;
        const int64_t first = column_of(x_low - margin);
        const int64_t last = column_of(x_high + margin);
        std::fill_n(grid_.begin() + row * columns_ + first, last - first + 1, Share::some);
    }
}

void OutlineArea::sort_into_bands() {
    // Counted first, so that the lists lie in one block.
    const auto bands_of = [&](const Edge& e) {
        // One band more on either side forgives the rounding of y / height.
        const size_t low = band_of(e.y0 - grown_);
        const size_t high = band_of(e.y1 + grown_);
        return std::pair{low > 0 ? low - 1 : 0, std::min(high + 1, kBands - 1)};
    };
    first_.assign(kBands + 1, 0);
    const auto beyond = [&](const Edge& e) { return e.y1 + grown_ < 0 || e.y0 - grown_ > height_; };
    for (const Edge& e : edges_) {
        if (beyond(e)) continue;
        const auto [low, high] = bands_of(e);
        for (size_t b = low; b <= high; ++b) ++first_[b + 1];
    }
    for (size_t b = 0; b < kBands; ++b) first_[b + 1] += first_[b];
    in_band_.resize(first_[kBands]);
    std::vector<size_t> at(first_.begin(), first_.end() - 1);
    for (uint32_t i = 0; i < edges_.size(); ++i) {
        if (beyond(edges_[i])) continue;
        const auto [low, high] = bands_of(edges_[i]);
        for (size_t b = low; b <= high; ++b) in_band_[at[b]++] = i;
    }
}

/// No edge touches the cells that are not marked: one point speaks for each, and a run of them
/// between two marked ones shares its answer.
void OutlineArea::fill_row(int64_t row) {
    const double y = std::min((static_cast<double>(row) + 0.5) * step_,
                              (static_cast<double>(row) * step_ + height_) / 2);
    Share before = Share::some;
    for (int64_t column = 0; column < columns_; ++column) {
        Share& cell = grid_[static_cast<size_t>(row * columns_ + column)];
        if (cell != Share::some) {
            if (before == Share::some) {
                const double x = std::min((static_cast<double>(column) + 0.5) * step_,
                                          (static_cast<double>(column) * step_ + width_) / 2);
                cell = holds_by_edges(x, y) ? Share::all : Share::none;
            } else {
                cell = before;
            }
        }
        before = cell;
    }
}

/// Whether a point lies nearer to an edge than `reach`.
bool OutlineArea::near(const Edge& e, double x, double y, double reach) {
    const double along_x = e.x1 - e.x0;
    const double along_y = e.y1 - e.y0;
    const double length_sq = along_x * along_x + along_y * along_y;
    const double at =
        length_sq > 0
            ? std::clamp(((x - e.x0) * along_x + (y - e.y0) * along_y) / length_sq, 0.0, 1.0)
            : 0.0;
    const double dx = e.x0 + at * along_x - x;
    const double dy = e.y0 + at * along_y - y;
    return dx * dx + dy * dy < reach * reach;
}

bool OutlineArea::holds_by_edges(double x, double y) const {
    const size_t band = band_of(y);
    bool inside = false;
    uint32_t outline = 0;
    for (size_t i = first_[band]; i < first_[band + 1]; ++i) {
        const Edge& e = edges_[in_band_[i]];
        if (e.outline != outline) {
            if (inside) return true;
            outline = e.outline;
        }
        if (grown_ > 0 && near(e, x, y, grown_)) return true;
        if (crosses_right_of(e, x, y)) inside = !inside;
    }
    return inside;
}

bool OutlineArea::holds(double x, double y) const {
    if (grid_.empty() || !(x >= 0 && x <= width_ && y >= 0 && y <= height_)) return false;
    switch (grid_[static_cast<size_t>(row_of(y) * columns_ + column_of(x))]) {
        case Share::none:
            return false;
        case Share::all:
            return true;
        default:
            return holds_by_edges(x, y);
    }
}

Share OutlineArea::share(double x0, double y0, double x1, double y1) const {
    if (grid_.empty()) return Share::none;
    const int64_t column = column_of(std::min(x0, x1) - kMargin);
    const int64_t last_column = column_of(std::max(x0, x1) + kMargin);
    const int64_t row = row_of(std::min(y0, y1) - kMargin);
    const int64_t last_row = row_of(std::max(y0, y1) + kMargin);
    const Share first = grid_[static_cast<size_t>(row * columns_ + column)];
    for (int64_t r = row; r <= last_row; ++r) {
        for (int64_t c = column; c <= last_column; ++c) {
            if (grid_[static_cast<size_t>(r * columns_ + c)] != first) return Share::some;
        }
    }
    return first;
}

size_t OutlineArea::bytes() const {
    return grid_.capacity() * sizeof(Share) + edges_.capacity() * sizeof(Edge) +
           in_band_.capacity() * sizeof(uint32_t) + first_.capacity() * sizeof(size_t);
}

FrameMasks::FrameMasks(std::vector<FrameMask> masks, double width, double height, int orientation,
                       double grown_px)
    : masks_(std::move(masks)), width_(width), height_(height), orientation_(orientation) {
    std::vector<const FrameMask*> left_out;
    std::vector<const FrameMask*> kept;
    for (const FrameMask& mask : masks_) {
        (mask.kind == FrameMask::Kind::keep ? kept : left_out).push_back(&mask);
    }
    left_out_ = OutlineArea(left_out, width, height, grown_px);
    kept_ = OutlineArea(kept, width, height);
}

/// Stored to upright pixels; EXIF 2.3, tag 274.
Vec2 FrameMasks::upright(double x, double y) const {
    switch (orientation_) {
        case 2:
            return {width_ - x, y};
        case 3:
            return {width_ - x, height_ - y};
        case 4:
            return {x, height_ - y};
        case 5:
            return {y, x};
        case 6:
            return {width_ - y, x};
        case 7:
            return {width_ - y, height_ - x};
        case 8:
            return {y, height_ - x};
        default:
            return {x, y};
    }
}

Share FrameMasks::share(const OutlineArea& area, double x0, double y0, double x1, double y1) const {
    const Vec2 a = upright(x0, y0);
    const Vec2 b = upright(x1, y1);
    return area.share(a.x, a.y, b.x, b.y);
}

bool FrameMasks::left_out(double x, double y) const {
    const Vec2 p = upright(x, y);
    return left_out_.holds(p.x, p.y);
}
bool FrameMasks::kept(double x, double y) const {
    const Vec2 p = upright(x, y);
    return kept_.holds(p.x, p.y);
}
Share FrameMasks::left_out(double x0, double y0, double x1, double y1) const {
    return share(left_out_, x0, y0, x1, y1);
}
Share FrameMasks::kept(double x0, double y0, double x1, double y1) const {
    return share(kept_, x0, y0, x1, y1);
}

}  // namespace broadloom
