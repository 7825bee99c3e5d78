/// Robust linear least squares over the spline coefficients of many frames at once: measurements
/// tie two frames' values at a place, differences of neighbouring coefficients and the coefficients
/// themselves are kept small. Iteratively reweighted; each step by conjugate gradients (M.
/// Hestenes, E. Stiefel, 1952) preconditioned with each frame's own part of the matrix, in double
/// and in a fixed order.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <vector>

#include "canvas/frame_fields.hpp"

namespace broadloom {

/// One frame's part of a measurement: sum over components of factor[component] times that
/// component's value at the basis.
struct SplineTap {
    uint32_t frame = 0;
    int column = 0, row = 0;
    std::array<double, 4> x{}, y{};
    std::array<std::array<double, 2>, 2> factor{};  ///< of each equation
};

/// Up to two equations about two frames, each: sum of both taps = target. They are believed or
/// doubted together.
struct SplineMeasurement {
    std::array<SplineTap, 2> tap;
    int equations = 1;
    std::array<double, 2> target{};
    std::array<double, 2> weight{};  ///< 1 / variance
};

struct SplineProblem {
    int components = 1;  ///< splines a frame, 1 or 2
    std::vector<SplineGrid> grids;
    std::vector<SplineMeasurement> measurements;
    double pull = 0.1;        ///< weight of each coefficient's squared difference from their mean
    double level_pull = 0.1;  ///< weight of the squared mean, once for each coefficient
    double smooth = 1;        ///< weight of each squared second difference of neighbours
    double outlier = 1;       ///< residual at which a measurement counts a quarter
    bool hold_unreached = true;  ///< coefficients that no measurement reaches stay 0
    int rounds = 6;              ///< of reweighting
    /// Steps of the solution that no coefficient notices: a twentieth of what it may err by, since
    /// errors that all frames share go slowly. 0: until it is as good as exact.
    double negligible = 0;
};

struct SplineSolution {
    /// Coefficients of each frame, component after component; zero where held.
    std::vector<std::vector<double>> coefficients;
    std::vector<double> belief;  ///< of each measurement, 0..1
};

/// The same for any number of threads.
SplineSolution solve_splines(const SplineProblem& problem, int threads = 1);

/// The residuals of a measurement's equations.
std::array<double, 2> residuals(const SplineMeasurement& measurement,
                                const std::vector<SplineGrid>& grids,
                                const std::vector<std::vector<double>>& coefficients);

}  // namespace broadloom
