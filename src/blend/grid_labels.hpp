/// Labels of any canvas of a scene (other scale, a crop, a draft) from the labels of its coarse
/// canvas.
#pragma once

#include <vector>

#include "blend/label_grid.hpp"
#include "blend/label_runs.hpp"
#include "blend/seam_labels.hpp"

namespace broadloom {

/// The four coarse pixels whose centres stand around a pixel vote with their bilinear weights; of
/// the frames that cover the pixel the one with the greatest sum wins, the earlier one on ties.
/// Where none of the four covers it, the rule of NearestCentreLabels holds, as it does for pixels
/// that no frame covers. Masks that keep a frame go before all of that.
class GridLabels final : public SeamLabels {
  public:
    /// The grid's labels count the frames as RegionMaps::frames() does.
    explicit GridLabels(const LabelGrid& grid);

    [[nodiscard]] LabelRegion label(const RegionMaps& maps, const Kernels& kernels) const override;

    /// The frames that the grid names for a rectangle of a canvas's pixels, rising.
    [[nodiscard]] std::vector<int> frames_in(const Canvas& canvas, const Rect& pixels) const;

    [[nodiscard]] size_t bytes() const { return runs_.bytes(); }

  private:
    LabelRuns runs_;
};

}  // namespace broadloom
