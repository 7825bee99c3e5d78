#include "blend/label_runs.hpp"

namespace broadloom {

LabelRuns::LabelRuns(const LabelGrid& grid)
    : surface(grid.surface),
      left_deg(grid.left_deg),
      top_deg(grid.top_deg),
      pixels_per_degree(grid.pixels_per_degree),
      width(grid.width),
      height(grid.height),
      wraps(grid.wraps) {
    rows_.reserve(static_cast<size_t>(height) + 1);
    rows_.push_back(0);
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            const int16_t label = grid.at(x, y);
            if (x > 0 && runs_.back().label == label) {
                ++runs_.back().end;
            } else {
                runs_.push_back({static_cast<int32_t>(x + 1), label});
            }
        }
        rows_.push_back(static_cast<std::ptrdiff_t>(runs_.size()));
    }
    runs_.shrink_to_fit();
}

}  // namespace broadloom
