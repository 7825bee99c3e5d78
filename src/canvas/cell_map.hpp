/// Where the pixels of a canvas region lie in a frame, on a lattice of cells of 16x16 pixels that
/// is fixed to the canvas, so that every region sees the same numbers. Cells are interpolated from
/// their corners where that is exact to 1/64 px (of the canvas where that is coarser than the
/// frame), else from points 4 px apart where that is (near poles, in short-focus pictures, on
/// coarse canvases), and evaluated pixel by pixel at the limits of the lens.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "broadloom/canvas.hpp"
#include "broadloom/rect.hpp"
#include "canvas/frame_geometry.hpp"
#include "image/kernels.hpp"

namespace broadloom {

/// A region in cells; x may lie outside the canvas on one that wraps (it is taken modulo its width)
/// and y and x may on others (the surface is continued).
struct CellRegion {
    int64_t x0 = 0, y0 = 0, x1 = 0, y1 = 0;
    [[nodiscard]] int64_t width() const { return x1 - x0; }
    [[nodiscard]] int64_t height() const { return y1 - y0; }
    [[nodiscard]] Rect pixels() const { return {x0 * kCell, y0 * kCell, x1 * kCell, y1 * kCell}; }
};

/// The cells that hold a rectangle of pixels.
CellRegion cells_of(const Rect& pixels);

/// Directions of lattice columns and rows of a region (one node more on each side than its
/// corners), and of other places.
class LatticeDirections {
  public:
    LatticeDirections(const Canvas& canvas, const CellRegion& region);

    /// The direction at node (i, j), i = 0 at the region's left edge; -1 and width() + 1 exist.
    [[nodiscard]] Vec3 node(int64_t i, int64_t j) const { return combine(column(i), row(j)); }
    [[nodiscard]] double inverse_norm(int64_t j) const { return row(j).inverse_norm; }
    [[nodiscard]] const CellRegion& region() const { return region_; }
    [[nodiscard]] const Canvas& canvas() const { return canvas_; }

    struct Column {
        double sine = 0, cosine = 1;
    };
    struct Row {
        double across = 1, down = 0, inverse_norm = 1;
    };
    /// Of nodes, counted as above.
    [[nodiscard]] const Column& column(int64_t i) const {
        return columns_[static_cast<size_t>(i + 1)];
    }
    [[nodiscard]] const Row& row(int64_t j) const { return rows_[static_cast<size_t>(j + 1)]; }
    /// Of canvas coordinates as in the region.
    [[nodiscard]] Column column_at(double x) const;
    [[nodiscard]] Row row_at(double y) const;
    static Vec3 combine(const Column& c, const Row& r) {
        return {r.across * c.sine, r.down, r.across * c.cosine};
    }

  private:
    const Canvas& canvas_;
    CellRegion region_;
    std::vector<Column> columns_;
    std::vector<Row> rows_;
};

/// The pixels between four points of a frame (top left, top right, bottom left, bottom right, all
/// valid), as CellMap::coordinates gives them.
void interpolate_points(const std::array<FramePoint, 4>& corner, const FrameGeometry& frame,
                        const Kernels& kernels, CellCoords& out, int64_t& origin_x,
                        int64_t& origin_y);

enum class Coverage : uint8_t { none, part, full };

/// One frame over one region.
class CellMap {
  public:
    /// With `kernels` nodes that no cell in view depends on are left out; else it is the same.
    /// Directions and frame must stay.
    CellMap(const LatticeDirections& directions, const FrameGeometry& frame,
            const Kernels* kernels = nullptr);
    CellMap(const LatticeDirections& directions, FrameGeometry&& frame,
            const Kernels* kernels = nullptr) = delete;

    /// How much of the cell's 256 pixels the frame covers (in view and not left out by a mask);
    /// `part` is also said where it is not known. (cx, cy) counted from the region's corner.
    [[nodiscard]] Coverage coverage(int64_t cx, int64_t cy) const {
        return cells_[index(cx, cy)].coverage;
    }

    /// How much of the cell's pixels the frame covers and a mask keeps; likewise.
    [[nodiscard]] Coverage kept(int64_t cx, int64_t cy) const { return cells_[index(cx, cy)].kept; }

    /// Scores (cosine of the angle to the frame's axis) at the cell's corners, as in CellCorners.
    void corner_scores(int64_t cx, int64_t cy, double out[4]) const;

    /// The coordinates of a cell's pixels relative to an integer origin that is a multiple of 64 in
    /// stored pixels. Coordinates of pixels out of view are far outside the frame.
    void coordinates(int64_t cx, int64_t cy, const Kernels& kernels, CellCoords& out,
                     int64_t& origin_x, int64_t& origin_y) const;

    /// Which pixels the frame covers, for coordinates as above: in view and not left out.
    void covered(const CellCoords& coords, int64_t origin_x, int64_t origin_y,
                 bool out[kCellArea]) const;
    /// Which pixels the frame covers and a mask keeps.
    void kept(const CellCoords& coords, int64_t origin_x, int64_t origin_y,
              bool out[kCellArea]) const;

    [[nodiscard]] const FrameGeometry& frame() const { return *frame_; }

    /// Bytes held, for the memory budget.
    static size_t bytes(const CellRegion& region);

  private:
    /// What a cell's pixels are taken from.
    enum class Way : uint8_t { corners, points, pixels };
    struct Cell {
        Coverage coverage, kept;
        Way way;
    };
    /// Points of a cell and its upper left one's place and the distance between, canvas px.
    template <int kSide>
    void points_of(int64_t cx, int64_t cy, double offset, double step,
                   std::array<FramePoint, kSide * kSide>& out) const;
    [[nodiscard]] size_t index(int64_t cx, int64_t cy) const {
        return static_cast<size_t>(cy * width_ + cx);
    }
    [[nodiscard]] const FramePoint& node(int64_t i, int64_t j) const {
        return nodes_[static_cast<size_t>((j + 1) * (width_ + 3) + i + 1)];
    }
    [[nodiscard]] double cell_reach() const;
    void project_nodes(const Kernels& kernels);
    void classify();
    void classify_by_pixels(int64_t cx, int64_t cy, Cell& cell) const;
    void apply_masks(double x_low, double y_low, double x_high, double y_high, Cell& cell) const;
    /// Whether a cell may be interpolated from points 4 px apart.
    [[nodiscard]] bool points_suffice(int64_t cx, int64_t cy) const;
    void coordinates_from_points(int64_t cx, int64_t cy, CellCoords& out, int64_t& origin_x,
                                 int64_t& origin_y) const;
    void exact_coordinates(int64_t cx, int64_t cy, CellCoords& out, int64_t& origin_x,
                           int64_t& origin_y) const;

    const LatticeDirections* directions_;
    const FrameGeometry* frame_;
    int64_t width_, height_;
    double largest_error_;  // of interpolation, stored px
    std::vector<FramePoint> nodes_;
    std::vector<Cell> cells_;
};

}  // namespace broadloom
