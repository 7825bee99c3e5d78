/// A grid of labels as renders hold it: runs of equal labels, a few in each row.
#pragma once

#include <algorithm>
#include <cstdint>
#include <vector>

#include "blend/label_grid.hpp"

namespace broadloom {

class LabelRuns {
  public:
    explicit LabelRuns(const LabelGrid& grid);

    // As in LabelGrid.
    Surface surface;
    double left_deg, top_deg, pixels_per_degree;
    int64_t width, height;
    bool wraps;

    /// The labels of row `y` at `columns`, which rise; written to `out`, as many.
    void pick(int64_t y, const std::vector<int64_t>& columns, int16_t* out) const {
        if (columns.empty()) return;
        auto run =
            std::upper_bound(runs_.begin() + rows_[static_cast<size_t>(y)],
                             runs_.begin() + rows_[static_cast<size_t>(y) + 1], columns.front(),
                             [](int64_t x, const Run& r) { return x < r.end; });
        for (const int64_t x : columns) {
            while (run->end <= x) ++run;
            *out++ = run->label;
        }
    }

    [[nodiscard]] size_t bytes() const {
        return runs_.capacity() * sizeof(Run) + rows_.capacity() * sizeof(rows_[0]);
    }

  private:
    struct Run {
        int32_t end;  ///< the pixel behind the last one
        int16_t label;
    };

    std::vector<Run> runs_;
    std::vector<std::ptrdiff_t> rows_;  // where each row's runs begin, and where the last ones end
};

}  // namespace broadloom
