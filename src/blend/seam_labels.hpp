/// Which frame each pixel is taken from. The rule stands behind one interface, so that a costlier
/// labelling can take the place of the nearest centre.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "canvas/cell_map.hpp"

namespace broadloom {

/// The frames that can touch a region, with their maps over it, each made when it is first asked
/// for: most of a picture is far from all frames but one. For one thread at a time.
class RegionMaps {
  public:
    /// `geometry` must stay. Maps are made with `kernels`; null: one node at a time.
    RegionMaps(const Canvas& canvas, const CellRegion& region,
               const std::vector<FrameGeometry>& geometry, const std::vector<int>& candidates,
               const Kernels* kernels = nullptr);
    RegionMaps(const RegionMaps&) = delete;  // maps point into directions
    RegionMaps& operator=(const RegionMaps&) = delete;
    ~RegionMaps() = default;

    [[nodiscard]] const CellRegion& region() const { return directions_.region(); }
    [[nodiscard]] const Canvas& canvas() const { return directions_.canvas(); }
    /// Scene indices, rising.
    [[nodiscard]] const std::vector<int>& frames() const { return frames_; }
    /// Of frames()[k].
    [[nodiscard]] const CellMap& map(size_t k) const {
        std::optional<CellMap>& map = maps_[k];
        if (!map) map.emplace(directions_, geometry(k), kernels_);
        return *map;
    }
    [[nodiscard]] const FrameGeometry& geometry(size_t k) const {
        return geometry_[static_cast<size_t>(frames_[k])];
    }

  private:
    LatticeDirections directions_;
    const std::vector<FrameGeometry>& geometry_;
    const Kernels* kernels_;
    std::vector<int> frames_;
    mutable std::vector<std::optional<CellMap>> maps_;
};

/// A label: k >= 0 is RegionMaps::frames()[k] and covers the pixel; kNobody: nothing covers it and
/// nobody is near; otherwise uncovered, and orphan_of(label) is the frame whose weight reaches
/// there.
using Label = int16_t;
inline constexpr Label kNobody = -1;
constexpr Label orphan_label(int k) { return static_cast<Label>(-2 - k); }
constexpr int orphan_of(Label label) { return -2 - label; }
/// The frame whose weight holds at this pixel, covered or not; -1: none.
constexpr int weight_owner(Label label) { return label <= -2 ? orphan_of(label) : label; }

class LabelRegion {
  public:
    static constexpr Label kMixed = INT16_MIN;

    explicit LabelRegion(const CellRegion& region)
        : region_(region), cells_(static_cast<size_t>(region.width() * region.height())) {}

    /// The label of all the cell's pixels, or kMixed.
    [[nodiscard]] Label cell(int64_t cx, int64_t cy) const { return cells_[index(cx, cy)].label; }
    /// The 256 labels of a mixed cell.
    [[nodiscard]] const std::array<Label, kCellArea>& pixels(int64_t cx, int64_t cy) const {
        return mixed_[cells_[index(cx, cy)].mixed];
    }
    void set(int64_t cx, int64_t cy, Label label) { cells_[index(cx, cy)] = {label, 0}; }
    /// Becomes uniform when all labels are equal.
    void set(int64_t cx, int64_t cy, const std::array<Label, kCellArea>& labels);

    /// Weight owners present in a rectangle of pixels (in the region's coordinates, cut to it),
    /// rising; nobody does not count.
    [[nodiscard]] std::vector<int> owners(const Rect& pixels) const;

    [[nodiscard]] const CellRegion& region() const { return region_; }

  private:
    struct Cell {
        Label label = kNobody;
        uint32_t mixed = 0;
    };
    [[nodiscard]] size_t index(int64_t cx, int64_t cy) const {
        return static_cast<size_t>(cy * region_.width() + cx);
    }
    CellRegion region_;
    std::vector<Cell> cells_;
    std::vector<std::array<Label, kCellArea>> mixed_;
};

/// A rule that labels every pixel, as a function of the scene and the pixel alone: any two regions
/// that hold a pixel give it the same frame.
class SeamLabels {
  public:
    SeamLabels() = default;
    SeamLabels(const SeamLabels&) = delete;
    SeamLabels& operator=(const SeamLabels&) = delete;
    virtual ~SeamLabels() = default;
    [[nodiscard]] virtual LabelRegion label(const RegionMaps& maps,
                                            const Kernels& kernels) const = 0;
};

/// The frame whose axis is nearest among those that cover the pixel; the earlier frame on ties.
/// Masks that keep a frame go before that.
/// Uncovered pixels belong, for blending weights only, to the nearest frame whose cone holds them.
class NearestCentreLabels final : public SeamLabels {
  public:
    [[nodiscard]] LabelRegion label(const RegionMaps& maps, const Kernels& kernels) const override;
    /// One cell of the region, into `out`.
    static void label_cell(const RegionMaps& maps, const Kernels& kernels, int64_t cx, int64_t cy,
                           LabelRegion& out);
};

}  // namespace broadloom
