/// What the page needs to show seams: which frame each place of the picture is from, and where it
/// lies in every frame. Written as a script beside the page, since a page opened from disk may load
/// scripts but not fetch data.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace broadloom {

/// A used frame: its name, and its camera as in broadloom/camera.hpp.
struct SeamFrame {
    std::string file;   ///< as the scene names it; may hold anything
    int64_t index = 0;  ///< in the scene's list of frames
    std::optional<int64_t> row, column;
    int64_t width = 0, height = 0;  ///< upright, pixels
    double focal_px = 0;
    std::array<double, 2> principal_point_px{0, 0};
    std::array<double, 3> radial{0, 0, 0};
    std::array<double, 2> tangential{0, 0};
    double fold_radius = 0;            ///< may be infinite
    std::array<double, 9> rotation{};  ///< camera to world, row by row
    /// Coefficients of a uniform cubic B-spline over the upright frame that is added to its
    /// pixels' coordinates: column i's basis is centred at (i - 1) width / (columns - 3); 0 x 0 for
    /// none, at least 4 each otherwise.
    int shift_columns = 0, shift_rows = 0;
    std::vector<float> shift_x, shift_y;
};

/// Labels on a grid over the picture's canvas.
struct SeamOverlay {
    int64_t columns = 0, rows = 0;
    /// Cell (i, j) covers the canvas from (left + i cell_width, top + j cell_height) on, in canvas
    /// pixels.
    double left = 0, top = 0, cell_width = 1, cell_height = 1;
    bool wraps = false;               ///< the last column is the first one's neighbour
    std::span<const int16_t> labels;  ///< places in `frames`, row by row; negative: nobody
    std::vector<SeamFrame> frames;
};

/// How large the script may become; labels are thinned by powers of two until they keep to it.
struct SeamScriptLimits {
    size_t most_label_bytes = size_t{4} << 20;
    int64_t most_cells = 24'000'000;  ///< what a page decodes in a moment
};

/// The script as UTF-8 text: one call of a function of the page, whose argument is JSON. Equal
/// inputs give equal bytes. Throws Error{internal} when the grid is empty, a size does not fit, a
/// label names no frame or a number is not finite.
std::string seam_script(const SeamOverlay& overlay, const SeamScriptLimits& limits = {});

}  // namespace broadloom
