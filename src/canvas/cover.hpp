/// Which pixels of a canvas some frame covers.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "broadloom/canvas.hpp"
#include "broadloom/rect.hpp"
#include "canvas/cell_map.hpp"
#include "canvas/frame_index.hpp"

namespace broadloom {

/// The covered pixels of a region of cells, exactly. Nothing beyond the canvas is covered; on one
/// that wraps x is taken modulo its width.
class CoverRegion {
  public:
    explicit CoverRegion(const CellRegion& region)
        : region_(region), cells_(static_cast<size_t>(region.width() * region.height())) {}

    [[nodiscard]] const CellRegion& region() const { return region_; }
    /// Never `part` when all or none of the cell's pixels are covered. (cx, cy) counted from the
    /// region's corner.
    [[nodiscard]] Coverage cell(int64_t cx, int64_t cy) const {
        return cells_[index(cx, cy)].coverage;
    }
    /// Pixels of one of the cell's rows, the first in bit 0.
    [[nodiscard]] uint16_t row(int64_t cx, int64_t cy, int64_t row) const;
    /// A pixel in the region's coordinates.
    [[nodiscard]] bool covered(int64_t x, int64_t y) const {
        const int64_t cx = floor_div(x, kCell);
        const int64_t cy = floor_div(y, kCell);
        return (row(cx - region_.x0, cy - region_.y0, y - cy * kCell) >> (x - cx * kCell) & 1) != 0;
    }

  private:
    friend class Cover;
    using Rows = std::array<uint16_t, kCell>;
    struct Cell {
        Coverage coverage = Coverage::none;
        uint32_t rows = 0;  ///< place in rows_, of part cells
    };
    [[nodiscard]] size_t index(int64_t cx, int64_t cy) const {
        return static_cast<size_t>(cy * region_.width() + cx);
    }
    CellRegion region_;
    std::vector<Cell> cells_;
    std::vector<Rows> rows_;
};

class Cover {
  public:
    Cover(const Canvas& canvas, const std::vector<FrameGeometry>& frames, const Kernels& kernels)
        : canvas_(canvas), frames_(frames), kernels_(kernels), index_(canvas, frames) {}

    /// Cost: about a projection a cell and frame that is needed to decide about it. May be called
    /// from any thread.
    [[nodiscard]] CoverRegion over(const CellRegion& region) const;
    [[nodiscard]] const Canvas& canvas() const { return canvas_; }
    [[nodiscard]] const FrameIndex& index() const { return index_; }

  private:
    [[nodiscard]] std::vector<int> nearest_first(const Rect& pixels) const;
    void union_of_parts(const std::vector<CellMap>& maps, CoverRegion& out) const;
    void cut_to_canvas(CoverRegion& out) const;

    const Canvas& canvas_;
    const std::vector<FrameGeometry>& frames_;
    const Kernels& kernels_;
    FrameIndex index_;
};

}  // namespace broadloom
