/// Lattice nodes of the canvas in a frame, several at once: what vector code needs to follow
/// FrameGeometry::at(), which is its definition and its oracle.
#pragma once

#include <array>
#include <cstddef>

namespace broadloom {

/// A uniform cubic B-spline over the upright frame, as FrameFields holds them; columns 0: none.
struct NodeSpline {
    int columns = 0, rows = 0;
    std::array<const float*, 3> coefficients{};  ///< of the values that share the grid
};

/// A frame; names as in FrameGeometry.
struct NodeProjection {
    std::array<double, 9> to_camera{};  ///< row by row
    double focal = 1, cx = 0, cy = 0, k1 = 0, k2 = 0, k3 = 0, p1 = 0, p2 = 0, fold_sq = 0;
    double width = 0, height = 0;
    NodeSpline shift, light;            ///< two values and three
    const float* vignetting = nullptr;  ///< pairs of h and g over r^2; null: none
    double inverse_half_diagonal_sq = 0, table_scale = 0, table_steps = 0;
    /// Nodes whose score is below are of no interest: not valid, nothing but the score is there.
    double least_score = -2;
    /// Nodes further outside the upright frame, px, are neither shifted nor lit.
    double margin = 0;
};

/// Up to kSize nodes of one row of the lattice; arrays are read and written whole.
struct NodeBatch {
    static constexpr size_t kSize = 8;
    alignas(64) double sine[kSize], cosine[kSize];  ///< of the columns' longitudes
    double across = 0, down = 0, inverse_norm = 1;  ///< of the row

    alignas(64) double x[kSize], y[kSize];  ///< upright pixels; meaningless unless valid
    alignas(64) double score[kSize];
    alignas(64) float h[3][kSize], g[3][kSize];
    alignas(64) double valid[kSize];   ///< 0 or 1
    alignas(64) double single[kSize];  ///< 1: left to FrameGeometry::at()
};

}  // namespace broadloom
