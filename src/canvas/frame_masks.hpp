/// A frame's masks, made quick to ask about: each kind as the union of its outlines over a coarse
/// grid of the frame, so that nearly every question is answered by the grid alone.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

#include "broadloom/scene.hpp"

namespace broadloom {

/// How much of something lies in an area; `some` is also said where it is not known.
enum class Share : uint8_t { none, some, all };

/// The union of outlines inside the rectangle from (0, 0) to (width, height).
class OutlineArea {
  public:
    OutlineArea() = default;
    /// `grown_px` widens the outlines on all sides: what lies nearer to one than that is in it.
    OutlineArea(const std::vector<const FrameMask*>& masks, double width, double height,
                double grown_px = 0);

    [[nodiscard]] bool empty() const { return edges_.empty(); }

    /// Whether a point lies in an outline, by the even-odd rule of each. Left and upper edges
    /// belong to it, right and lower ones do not. False outside the rectangle.
    [[nodiscard]] bool holds(double x, double y) const;

    /// How much of the rectangle between two corners, cut to the frame, lies in the area.
    [[nodiscard]] Share share(double x0, double y0, double x1, double y1) const;

    [[nodiscard]] size_t bytes() const;

  private:
    /// y0 <= y1; level edges cross no row, but may be near.
    struct Edge {
        double x0, y0, x1, y1;
        uint32_t outline;
    };
    [[nodiscard]] static bool crosses_right_of(const Edge& e, double x, double y) {
        return e.y0 <= y && y < e.y1 && x < e.x0 + (y - e.y0) / (e.y1 - e.y0) * (e.x1 - e.x0);
    }
    [[nodiscard]] static bool near(const Edge& e, double x, double y, double reach);
    [[nodiscard]] bool holds_by_edges(double x, double y) const;
    void mark_edge(Vec2 a, Vec2 b);
    void fill_row(int64_t row);
    void sort_into_bands();
    [[nodiscard]] size_t band_of(double y) const;
    [[nodiscard]] int64_t column_of(double x) const;
    [[nodiscard]] int64_t row_of(double y) const;

    double width_ = 0, height_ = 0;
    double grown_ = 0;
    double step_ = 1;  ///< side of a grid cell, px
    int64_t columns_ = 0, rows_ = 0;
    std::vector<Share> grid_;
    std::vector<Edge> edges_;  ///< by outline
    /// Edges that meet each band of rows: band b's are in_band_[first_[b]] ... [first_[b + 1]],
    /// rising.
    std::vector<uint32_t> in_band_;
    std::vector<size_t> first_;
};

/// Both kinds, asked in stored pixels (the file's own orientation, EXIF 1..8).
class FrameMasks {
  public:
    /// Width and height of the upright frame, which the outlines are drawn in. Those that leave out
    /// are widened by `grown_px` on all sides.
    FrameMasks(std::vector<FrameMask> masks, double width, double height, int orientation,
               double grown_px = 0);
    [[nodiscard]] FrameMasks grown(double px) const {
        return {masks_, width_, height_, orientation_, px};
    }

    [[nodiscard]] bool any_left_out() const { return !left_out_.empty(); }
    [[nodiscard]] bool any_kept() const { return !kept_.empty(); }

    [[nodiscard]] bool left_out(double x, double y) const;
    [[nodiscard]] Share left_out(double x0, double y0, double x1, double y1) const;
    /// The same in upright pixels.
    [[nodiscard]] Share left_out_upright(double x0, double y0, double x1, double y1) const {
        return left_out_.share(x0, y0, x1, y1);
    }
    [[nodiscard]] bool kept(double x, double y) const;
    [[nodiscard]] Share kept(double x0, double y0, double x1, double y1) const;

    [[nodiscard]] size_t bytes() const { return left_out_.bytes() + kept_.bytes(); }

  private:
    [[nodiscard]] Vec2 upright(double x, double y) const;
    [[nodiscard]] Share share(const OutlineArea& area, double x0, double y0, double x1,
                              double y1) const;

    std::vector<FrameMask> masks_;
    double width_, height_;
    int orientation_;
    OutlineArea left_out_, kept_;
};

}  // namespace broadloom
