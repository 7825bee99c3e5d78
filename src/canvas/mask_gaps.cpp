#include "canvas/mask_gaps.hpp"

#include <algorithm>
#include <bit>
#include <numeric>
#include <optional>

#include "base/parallel.hpp"
#include "canvas/cover.hpp"

namespace broadloom {

namespace {

/// Cells that are looked at, at most.
constexpr int64_t kMostCells = int64_t{1} << 20;
/// Cells that are projected at once, each way.
constexpr int64_t kBlock = 32;

/// A cell with bare pixels, at its place in the (coarser) canvas.
struct BareCell {
    int64_t x = 0, y = 0;
    int pixels = 0;
    std::vector<int> frames;
};

/// The canvas at 1/step, whose pixel x stands for the whole's pixels from step x on.
Canvas coarser(const Canvas& whole, int64_t step) {
    Canvas c = whole;
    c.pixels_per_degree = whole.pixels_per_degree / static_cast<double>(step);
    c.width = ceil_div(whole.width, step);
    c.height = ceil_div(whole.height, step);
    return c;
}

int64_t step_for(const Canvas& canvas) {
    // Wrapping widths are multiples of 512: up to 32 they stay multiples of a cell.
    const int64_t most = canvas.wraps ? kWrapMultiple / kCell : 1024;
    int64_t step = 1;
    while (step < most &&
           ceil_div(canvas.width, step * kCell) * ceil_div(canvas.height, step * kCell) >
               kMostCells) {
        step *= 2;
    }
    return step;
}

class GapFinder {
  public:
    GapFinder(const Canvas& canvas, const std::vector<FrameGeometry>& frames, const Rect& area,
              int64_t step, const Kernels& kernels)
        : canvas_(coarser(canvas, step)),
          frames_(frames),
          bare_frames_(unmasked(frames)),
          // A pixel counts when its centre lies in the area.
          area_{ceil_div(2 * area.x0 - step, 2 * step), ceil_div(2 * area.y0 - step, 2 * step),
                ceil_div(2 * area.x1 - step, 2 * step), ceil_div(2 * area.y1 - step, 2 * step)},
          kernels_(kernels),
          masked_(canvas_, frames_, kernels),
          unmasked_(canvas_, bare_frames_, kernels) {}

    [[nodiscard]] const Canvas& canvas() const { return canvas_; }

    [[nodiscard]] std::vector<BareCell> find(int threads) const {
        const CellRegion all = cells_of(area_);
        const int64_t across = ceil_div(all.width(), kBlock);
        const int64_t down = ceil_div(all.height(), kBlock);
        std::vector<std::vector<BareCell>> found(static_cast<size_t>(across * down));
        for_each_index(found.size(), threads, [&](size_t i, int) {
            const int64_t x = all.x0 + static_cast<int64_t>(i) % across * kBlock;
            const int64_t y = all.y0 + static_cast<int64_t>(i) / across * kBlock;
            found[i] = in_block({x, y, std::min(x + kBlock, all.x1), std::min(y + kBlock, all.y1)});
        });
        std::vector<BareCell> cells;
        for (auto& block : found) {
            for (BareCell& cell : block) cells.push_back(std::move(cell));
        }
        return cells;
    }

  private:
    static std::vector<FrameGeometry> unmasked(const std::vector<FrameGeometry>& frames) {
        std::vector<FrameGeometry> out;
        out.reserve(frames.size());
        for (const FrameGeometry& f : frames) out.push_back(f.without_masks());
        return out;
    }

    [[nodiscard]] std::vector<BareCell> in_block(const CellRegion& region) const {
        std::vector<int> maskers;
        for (const int k : masked_.index().touching(region.pixels())) {
            const FrameMasks* masks = frames_[static_cast<size_t>(k)].masks();
            if (masks != nullptr && masks->any_left_out()) maskers.push_back(k);
        }
        std::vector<BareCell> cells;
        if (maskers.empty()) return cells;
        const CoverRegion covered = masked_.over(region);
        std::optional<CoverRegion> coverable;
        const LatticeDirections directions(canvas_, region);
        std::vector<CellMap> maps;
        for (int64_t cy = 0; cy < region.height(); ++cy) {
            for (int64_t cx = 0; cx < region.width(); ++cx) {
                if (covered.cell(cx, cy) == Coverage::full) continue;
                if (!coverable) {
                    coverable = unmasked_.over(region);
                    for (const int k : maskers) {
                        maps.emplace_back(directions, bare_frames_[static_cast<size_t>(k)]);
                    }
                }
                BareCell cell{region.x0 + cx, region.y0 + cy, 0, {}};
                uint16_t bare[kCell];
                for (int64_t j = 0; j < kCell; ++j) {
                    bare[j] = static_cast<uint16_t>(coverable->row(cx, cy, j) &
                                                    ~covered.row(cx, cy, j) & in_area(cell, j));
                    cell.pixels += std::popcount(bare[j]);
                }
                if (cell.pixels == 0) continue;
                for (size_t i = 0; i < maps.size(); ++i) {
                    if (covers_any(maps[i], cx, cy, bare)) cell.frames.push_back(maskers[i]);
                }
                cells.push_back(std::move(cell));
            }
        }
        return cells;
    }

    /// The pixels of a cell's row that lie in the area.
    [[nodiscard]] unsigned in_area(const BareCell& cell, int64_t row) const {
        const int64_t y = cell.y * kCell + row;
        if (y < area_.y0 || y >= area_.y1) return 0;
        unsigned bits = 0;
        for (int64_t i = 0; i < kCell; ++i) {
            const int64_t x = cell.x * kCell + i;
            if (x >= area_.x0 && x < area_.x1) bits |= 1U << i;
        }
        return bits;
    }

    [[nodiscard]] bool covers_any(const CellMap& map, int64_t cx, int64_t cy,
                                  const uint16_t bare[kCell]) const {
        if (map.coverage(cx, cy) == Coverage::none) return false;
        CellCoords coords;
        int64_t origin_x = 0;
        int64_t origin_y = 0;
        map.coordinates(cx, cy, kernels_, coords, origin_x, origin_y);
        bool inside[kCellArea];
        map.covered(coords, origin_x, origin_y, inside);
        for (int i = 0; i < kCellArea; ++i) {
            if (inside[i] && (bare[i / kCell] >> (i % kCell) & 1) != 0) return true;
        }
        return false;
    }

    Canvas canvas_;
    const std::vector<FrameGeometry>& frames_;
    std::vector<FrameGeometry> bare_frames_;
    Rect area_;
    const Kernels& kernels_;
    Cover masked_, unmasked_;
};

/// Joins cells that touch, by their corners too.
class Clusters {
  public:
    Clusters(std::vector<BareCell> cells, const Canvas& canvas)
        : cells_(std::move(cells)),
          width_(canvas.wraps ? canvas.width / kCell : 0),
          parent_(cells_.size()) {
        // Where the canvas wraps, cells beyond its right edge stand for those on the left.
        for (BareCell& c : cells_) {
            if (width_ > 0) c.x -= floor_div(c.x, width_) * width_;
        }
        std::sort(cells_.begin(), cells_.end(), [](const BareCell& a, const BareCell& b) {
            return a.y != b.y ? a.y < b.y : a.x < b.x;
        });
        std::iota(parent_.begin(), parent_.end(), size_t{0});
        for (size_t i = 0; i < cells_.size(); ++i) {
            const BareCell& c = cells_[i];
            // An area that goes all the way round may meet one cell from both ends.
            if (i > 0 && cells_[i - 1].x == c.x && cells_[i - 1].y == c.y) parent_[root(i - 1)] = i;
            for (const auto& [dx, dy] : {std::pair{-1, 0}, {-1, -1}, {0, -1}, {1, -1}, {1, 0}}) {
                const size_t j = at(c.x + dx, c.y + dy);
                if (j < cells_.size()) parent_[root(j)] = root(i);
            }
        }
    }

    [[nodiscard]] std::vector<MaskGap> gaps(int64_t step) {
        std::vector<MaskGap> out;
        std::vector<size_t> place(cells_.size(), cells_.size());
        std::vector<int64_t> first_x;
        for (size_t i = 0; i < cells_.size(); ++i) {
            const BareCell& c = cells_[i];
            size_t& mine = place[root(i)];
            if (mine == cells_.size()) {
                mine = out.size();
                out.emplace_back();
                first_x.push_back(c.x);
            }
            MaskGap& gap = out[mine];
            gap.pixels += c.pixels;
            // The short way round from the first cell.
            int64_t x = c.x;
            if (width_ > 0 && x - first_x[mine] > width_ / 2) x -= width_;
            if (width_ > 0 && first_x[mine] - x > width_ / 2) x += width_;
            gap.centre.x += (static_cast<double>(x) + 0.5) * c.pixels;
            gap.centre.y += (static_cast<double>(c.y) + 0.5) * c.pixels;
            gap.frames.insert(gap.frames.end(), c.frames.begin(), c.frames.end());
            std::sort(gap.frames.begin(), gap.frames.end());
            gap.frames.erase(std::unique(gap.frames.begin(), gap.frames.end()), gap.frames.end());
        }
        for (MaskGap& gap : out) {
            const double scale =
                static_cast<double>(step * kCell) / static_cast<double>(gap.pixels);
            gap.centre = {gap.centre.x * scale, gap.centre.y * scale};
            gap.pixels *= step * step;
        }
        std::stable_sort(out.begin(), out.end(),
                         [](const MaskGap& a, const MaskGap& b) { return a.pixels > b.pixels; });
        return out;
    }

  private:
    [[nodiscard]] size_t at(int64_t x, int64_t y) const {
        if (width_ > 0) x -= floor_div(x, width_) * width_;
        const auto found =
            std::lower_bound(cells_.begin(), cells_.end(), std::pair{y, x},
                             [](const BareCell& c, const std::pair<int64_t, int64_t>& key) {
                                 return c.y != key.first ? c.y < key.first : c.x < key.second;
                             });
        return found != cells_.end() && found->x == x && found->y == y
                   ? static_cast<size_t>(found - cells_.begin())
                   : cells_.size();
    }
    size_t root(size_t i) {
        while (parent_[i] != i) i = parent_[i] = parent_[parent_[i]];
        return i;
    }

    std::vector<BareCell> cells_;
    int64_t width_;  // cells round a canvas that wraps; 0: it does not
    std::vector<size_t> parent_;
};

}  // namespace

MaskGaps find_mask_gaps(const Canvas& canvas, const std::vector<FrameGeometry>& frames,
                        const Rect& area, const Kernels& kernels, int threads) {
    MaskGaps out;
    const bool any = std::any_of(frames.begin(), frames.end(), [](const FrameGeometry& f) {
        return f.masks() != nullptr && f.masks()->any_left_out();
    });
    if (!any) return out;
    out.step = step_for(canvas);
    const GapFinder finder(canvas, frames, area, out.step, kernels);
    out.gaps = Clusters(finder.find(threads), finder.canvas()).gaps(out.step);
    for (const MaskGap& gap : out.gaps) out.pixels += gap.pixels;
    return out;
}

}  // namespace broadloom
