/// Labels of any canvas of a scene (other scale, a crop, a draft) from the labels of its coarse
/// canvas.
#pragma once

#include <memory>

#include "blend/label_grid.hpp"
#include "blend/seam_labels.hpp"

namespace broadloom {

/// The four coarse pixels whose centres stand around a pixel vote with their bilinear weights; of
/// the frames that cover the pixel the one with the greatest sum wins, the earlier one on ties.
/// Where none of the four covers it, the rule of NearestCentreLabels holds, as it does for pixels
/// that no frame covers.
class GridLabels final : public SeamLabels {
  public:
    /// The grid's labels count the frames as RegionMaps::frames does.
    explicit GridLabels(std::shared_ptr<const LabelGrid> grid);

    [[nodiscard]] LabelRegion label(const RegionMaps& maps, const Kernels& kernels) const override;

    [[nodiscard]] const LabelGrid& grid() const { return *grid_; }

  private:
    std::shared_ptr<const LabelGrid> grid_;
};

}  // namespace broadloom
