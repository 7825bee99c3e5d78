#include "settle/spline_solve.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "base/parallel.hpp"

namespace broadloom {

namespace {

using Coefficients = std::vector<std::vector<double>>;

constexpr int kMostIterations = 400;
/// The residual's length against the right side's at which a solution is as good as exact.
constexpr double kExact = 1e-5;
/// While beliefs still change, steps may be so many times larger when they end.
constexpr double kRoughly = 4;
/// Outliers may be this many times larger at first, and half of that after each round.
constexpr double kFirstTolerance = 8;
/// A measurement that is believed less says nothing.
constexpr double kLeastBelief = 0.02;

/// Corner of the tap's coefficients in a component.
size_t corner_of(const SplineTap& tap, const SplineGrid& grid) {
    return static_cast<size_t>(tap.row) * static_cast<size_t>(grid.columns) +
           static_cast<size_t>(tap.column);
}

/// The components' values at the tap.
std::array<double, 2> tap_values(const SplineTap& tap, const SplineGrid& grid,
                                 const std::vector<double>& coefficients) {
    const auto columns = static_cast<size_t>(grid.columns);
    const double* c = coefficients.data() + corner_of(tap, grid);
    std::array<double, 2> value{};
    for (size_t component = 0; component * grid.size() < coefficients.size(); ++component) {
        for (size_t j = 0; j < 4; ++j) {
            const double* line = c + component * grid.size() + j * columns;
            double along = 0;
            for (size_t i = 0; i < 4; ++i) along += tap.x[i] * line[i];
            value[component] += tap.y[j] * along;
        }
    }
    return value;
}

/// The measurement's left sides.
std::array<double, 2> left_sides(const SplineMeasurement& m, const std::vector<SplineGrid>& grids,
                                 const std::vector<std::vector<double>>& coefficients) {
    std::array<double, 2> sum{};
    for (const SplineTap& tap : m.tap) {
        const auto value = tap_values(tap, grids[tap.frame], coefficients[tap.frame]);
        for (size_t e = 0; e < static_cast<size_t>(m.equations); ++e) {
            sum[e] += tap.factor[e][0] * value[0] + tap.factor[e][1] * value[1];
        }
    }
    return sum;
}

/// Adds the equations' rows at the tap, each times its amount.
void add_rows(const SplineTap& tap, const std::array<double, 2>& amount, const SplineGrid& grid,
              std::vector<double>& out) {
    const auto columns = static_cast<size_t>(grid.columns);
    double* c = out.data() + corner_of(tap, grid);
    for (size_t component = 0; component * grid.size() < out.size(); ++component) {
        const double all =
            amount[0] * tap.factor[0][component] + amount[1] * tap.factor[1][component];
        for (size_t j = 0; j < 4; ++j) {
            double* line = c + component * grid.size() + j * columns;
            const double part = all * tap.y[j];
            for (size_t i = 0; i < 4; ++i) line[i] += part * tap.x[i];
        }
    }
}

/// Adds weight times the gradient of half the squared second differences of one spline: along
/// columns, along rows, and twice the mixed one (the energy of a thin plate).
void add_smoothness(const SplineGrid& grid, double weight, const double* c, double* out) {
    const int w = grid.columns;
    const int h = grid.rows;
    const auto at = [w](int i, int j) {
        return static_cast<size_t>(j) * static_cast<size_t>(w) + static_cast<size_t>(i);
    };
    for (int j = 0; j < h; ++j) {
        for (int i = 0; i < w; ++i) {
            if (i >= 1 && i + 1 < w) {
                const double d = weight * (c[at(i - 1, j)] - 2 * c[at(i, j)] + c[at(i + 1, j)]);
                out[at(i - 1, j)] += d;
                out[at(i, j)] -= 2 * d;
                out[at(i + 1, j)] += d;
            }
            if (j >= 1 && j + 1 < h) {
                const double d = weight * (c[at(i, j - 1)] - 2 * c[at(i, j)] + c[at(i, j + 1)]);
                out[at(i, j - 1)] += d;
                out[at(i, j)] -= 2 * d;
                out[at(i, j + 1)] += d;
            }
            if (i + 1 < w && j + 1 < h) {
                const double d =
                    2 * weight *
                    (c[at(i, j)] - c[at(i + 1, j)] - c[at(i, j + 1)] + c[at(i + 1, j + 1)]);
                out[at(i, j)] += d;
                out[at(i + 1, j)] -= d;
                out[at(i, j + 1)] -= d;
                out[at(i + 1, j + 1)] += d;
            }
        }
    }
}

double inner(const Coefficients& a, const Coefficients& b) {
    double all = 0;
    for (size_t f = 0; f < a.size(); ++f) {
        double sum = 0;
        for (size_t i = 0; i < a[f].size(); ++i) sum += a[f][i] * b[f][i];
        all += sum;
    }
    return all;
}

double largest(const Coefficients& a) {
    double most = 0;
    for (const auto& of_frame : a) {
        for (const double v : of_frame) most = std::max(most, std::abs(v));
    }
    return most;
}

/// A symmetric positive definite matrix whose entries lie within `band` of the diagonal, factored
/// as L L'. Kept in single precision: it only foretells.
class Factored {
  public:
    /// Row i of `matrix` holds columns i - band .. i, of which those below 0 do not count.
    void assign(std::vector<double> matrix, size_t n, size_t band) {
        n_ = n;
        band_ = band;
        const size_t width = band + 1;
        for (size_t i = 0; i < n; ++i) {
            double* row = matrix.data() + i * width;
            const size_t first = i > band ? i - band : 0;
            for (size_t j = first; j <= i; ++j) {
                const double* other = matrix.data() + j * width;
                const size_t from = std::max(first, j > band ? j - band : 0);
                double sum = row[band + j - i];
                for (size_t k = from; k < j; ++k) sum -= row[band + k - i] * other[band + k - j];
                // Rounding may leave nothing of what is hardly held.
                row[band + j - i] = i == j ? std::sqrt(std::max(sum, 1e-12)) : sum / other[band];
            }
        }
        l_.assign(matrix.begin(), matrix.end());
    }

    /// x = inverse * b
    void solve(const double* b, double* x) const {
        const size_t width = band_ + 1;
        for (size_t i = 0; i < n_; ++i) {
            const float* row = l_.data() + i * width;
            double sum = b[i];
            for (size_t k = i > band_ ? i - band_ : 0; k < i; ++k) {
                sum -= static_cast<double>(row[band_ + k - i]) * x[k];
            }
            x[i] = sum / static_cast<double>(row[band_]);
        }
        for (size_t i = n_; i-- > 0;) {
            const float* row = l_.data() + i * width;
            x[i] /= static_cast<double>(row[band_]);
            for (size_t k = i > band_ ? i - band_ : 0; k < i; ++k) {
                x[k] -= static_cast<double>(row[band_ + k - i]) * x[i];
            }
        }
    }

  private:
    size_t n_ = 0, band_ = 0;
    std::vector<float> l_;
};

class Solver {
  public:
    Solver(const SplineProblem& problem, int threads)
        : problem_(problem),
          threads_(threads),
          of_frame_(problem.grids.size()),
          belief_(problem.measurements.size(), 1.0),
          amount_(problem.measurements.size()),
          own_(problem.grids.size()),
          solution_(zeros()),
          free_(zeros()) {
        for (size_t m = 0; m < problem.measurements.size(); ++m) {
            for (size_t t = 0; t < 2; ++t) {
                of_frame_[problem.measurements[m].tap[t].frame].push_back({m, t});
            }
        }
    }

    SplineSolution solve() {
        double tolerance = kFirstTolerance;
        const int rounds = std::max(problem_.rounds, 1);
        for (int round = 0; round < rounds; ++round) {
            if (round > 0) {
                doubt(problem_.outlier * std::max(tolerance, 1.0));
                tolerance /= 2;
            }
            prepare();
            iterate(problem_.negligible * (round + 1 < rounds ? kRoughly : 1));
        }
        return {std::move(solution_), std::move(belief_)};
    }

  private:
    struct Use {
        size_t measurement, tap;
    };

    [[nodiscard]] Coefficients zeros() const {
        Coefficients all(problem_.grids.size());
        for (size_t f = 0; f < all.size(); ++f) {
            all[f].assign(problem_.grids[f].size() * static_cast<size_t>(problem_.components), 0);
        }
        return all;
    }

    /// body(frame)
    template <typename Body>
    void for_frames(const Body& body) const {
        for_each_index(of_frame_.size(), threads_, [&](size_t f, int) { body(f); });
    }
    /// body(measurement)
    template <typename Body>
    void for_measurements(const Body& body) const {
        constexpr size_t kChunk = 512;
        const size_t count = belief_.size();
        for_each_index((count + kChunk - 1) / kChunk, threads_, [&](size_t chunk, int) {
            const size_t end = std::min(count, (chunk + 1) * kChunk);
            for (size_t m = chunk * kChunk; m < end; ++m) body(m);
        });
    }

    void doubt(double outlier) {
        for_measurements([&](size_t m) {
            const auto r = residuals(problem_.measurements[m], problem_.grids, solution_);
            const double root = 1 / (1 + (r[0] * r[0] + r[1] * r[1]) / (outlier * outlier));
            belief_[m] = root * root < kLeastBelief ? 0 : root * root;
        });
    }

    /// What holds one frame's coefficients besides measurements, times x.
    void add_hold(const SplineGrid& grid, const std::vector<double>& x,
                  std::vector<double>& out) const {
        const auto n = grid.size();
        for (size_t k = 0; k < static_cast<size_t>(problem_.components); ++k) {
            const double* c = x.data() + k * n;
            double* to = out.data() + k * n;
            add_smoothness(grid, problem_.smooth, c, to);
            double mean = 0;
            if (problem_.level_pull != problem_.pull) {
                for (size_t i = 0; i < n; ++i) mean += c[i];
                mean /= static_cast<double>(std::max<size_t>(n, 1));
            }
            const double level = (problem_.level_pull - problem_.pull) * mean;
            for (size_t i = 0; i < n; ++i) to[i] += problem_.pull * c[i] + level;
        }
    }

    /// How far from the diagonal the entries of one spline's own part lie.
    [[nodiscard]] size_t band_of(const SplineGrid& grid) const {
        if (problem_.level_pull != problem_.pull) return grid.size() - 1;
        return std::min(grid.size() - 1, 3 * static_cast<size_t>(grid.columns) + 3);
    }

    /// add_hold() of one spline as a matrix within its band.
    [[nodiscard]] std::vector<double> hold_matrix(const SplineGrid& grid) const {
        const size_t n = grid.size();
        const size_t band = band_of(grid);
        std::vector<double> matrix(n * (band + 1), 0);
        std::vector<double> unit(n * static_cast<size_t>(problem_.components), 0);
        std::vector<double> column(unit.size());
        for (size_t i = 0; i < n; ++i) {
            unit[i] = 1;
            std::fill(column.begin(), column.end(), 0.0);
            add_hold(grid, unit, column);
            for (size_t j = i; j < std::min(n, i + band + 1); ++j) {
                matrix[j * (band + 1) + band + i - j] = column[j];
            }
            unit[i] = 0;
        }
        return matrix;
    }

    /// Which coefficients move, and each spline's own part of the normal matrix: inverted, it
    /// foretells the solution well, since frames hold each other at their borders only.
    void prepare() {
        // Splines of one shape are held alike.
        std::vector<std::pair<SplineGrid, std::vector<double>>> holds;
        for (const SplineGrid& grid : problem_.grids) {
            if (std::none_of(holds.begin(), holds.end(),
                             [&](const auto& h) { return h.first == grid; })) {
                holds.emplace_back(grid, hold_matrix(grid));
            }
        }
        for_frames([&](size_t f) {
            const auto held = std::find_if(holds.begin(), holds.end(), [&](const auto& h) {
                return h.first == problem_.grids[f];
            });
            prepare(f, held->second);
        });
    }

    void prepare(size_t f, const std::vector<double>& hold) {
        const auto components = static_cast<size_t>(problem_.components);
        const SplineGrid& grid = problem_.grids[f];
        const size_t n = grid.size();
        const size_t band = band_of(grid);
        free_[f].assign(n * components, 1);
        own_[f].resize(components);
        for (size_t k = 0; k < components; ++k) {
            std::vector<double> matrix = hold;
            std::vector<char> reached(n, 0);
            for (const Use& use : of_frame_[f]) add_square(use, k, band, grid, matrix, reached);
            for (size_t i = 0; problem_.hold_unreached && i < n; ++i) {
                if (reached[i] != 0) continue;
                free_[f][k * n + i] = 0;
                solution_[f][k * n + i] = 0;
                for (size_t j = 0; j <= band; ++j) {
                    matrix[i * (band + 1) + j] = 0;
                    if (j > 0 && i + j < n) matrix[(i + j) * (band + 1) + band - j] = 0;
                }
                matrix[i * (band + 1) + band] = 1;
            }
            own_[f][k].assign(std::move(matrix), n, band);
        }
    }

    /// Adds a measurement's row times itself, over one spline's coefficients.
    void add_square(const Use& use, size_t component, size_t band, const SplineGrid& grid,
                    std::vector<double>& matrix, std::vector<char>& reached) const {
        const SplineMeasurement& m = problem_.measurements[use.measurement];
        const SplineTap& tap = m.tap[use.tap];
        const auto columns = static_cast<size_t>(grid.columns);
        const size_t corner = corner_of(tap, grid);
        std::array<size_t, 16> at{};
        std::array<double, 16> value{};
        double weight = 0;
        for (int e = 0; e < m.equations; ++e) {
            const auto eq = static_cast<size_t>(e);
            const double factor = tap.factor[eq][component];
            weight += belief_[use.measurement] * m.weight[eq] * factor * factor;
        }
        if (!(weight > 0)) return;
        for (size_t j = 0; j < 4; ++j) {
            for (size_t i = 0; i < 4; ++i) {
                at[4 * j + i] = corner + j * columns + i;
                value[4 * j + i] = tap.y[j] * tap.x[i];
            }
        }
        for (size_t i = 0; i < 16; ++i) {
            if (value[i] != 0) reached[at[i]] = 1;
            for (size_t j = 0; j <= i; ++j) {
                matrix[at[i] * (band + 1) + band + at[j] - at[i]] += weight * value[i] * value[j];
            }
        }
    }

    void foretell(size_t f, const std::vector<double>& b, std::vector<double>& x) const {
        const size_t n = problem_.grids[f].size();
        for (size_t k = 0; k < own_[f].size(); ++k) own_[f][k].solve(&b[k * n], &x[k * n]);
    }

    /// Adds each measurement's rows times amount_ at one frame's taps, in the measurements' order.
    void add_uses(size_t f, std::vector<double>& out) const {
        for (const Use& use : of_frame_[f]) {
            if (belief_[use.measurement] == 0) continue;
            add_rows(problem_.measurements[use.measurement].tap[use.tap], amount_[use.measurement],
                     problem_.grids[f], out);
        }
        for (size_t i = 0; i < out.size(); ++i) out[i] *= free_[f][i];
    }

    void right_side(Coefficients& out) {
        out = zeros();
        for_measurements([&](size_t m) {
            const SplineMeasurement& one = problem_.measurements[m];
            amount_[m] = {};
            for (size_t e = 0; e < static_cast<size_t>(one.equations); ++e) {
                amount_[m][e] = belief_[m] * one.weight[e] * one.target[e];
            }
        });
        for_frames([&](size_t f) { add_uses(f, out[f]); });
    }

    /// The normal matrix times x.
    void apply(const Coefficients& x, Coefficients& out) {
        for_measurements([&](size_t m) {
            if (belief_[m] == 0) return;
            const SplineMeasurement& one = problem_.measurements[m];
            amount_[m] = left_sides(one, problem_.grids, x);
            for (size_t e = 0; e < 2; ++e) amount_[m][e] *= belief_[m] * one.weight[e];
        });
        for_frames([&](size_t f) {
            std::fill(out[f].begin(), out[f].end(), 0.0);
            add_hold(problem_.grids[f], x[f], out[f]);
            add_uses(f, out[f]);
        });
    }

    /// Until what is left to do, as far as it is foretold, is less than `negligible` everywhere.
    void iterate(double negligible) {
        Coefficients r;
        right_side(r);
        const double goal = kExact * kExact * inner(r, r);
        Coefficients q = zeros();
        apply(solution_, q);
        Coefficients z = zeros();
        for_frames([&](size_t f) {
            for (size_t i = 0; i < r[f].size(); ++i) r[f][i] -= q[f][i];
            foretell(f, r[f], z[f]);
        });
        Coefficients p = z;
        double rz = inner(r, z);
        for (int i = 0; i < kMostIterations && largest(z) > negligible && inner(r, r) > goal; ++i) {
            apply(p, q);
            const double curvature = inner(p, q);
            if (!(curvature > 0)) break;
            const double step = rz / curvature;
            for_frames([&](size_t f) {
                for (size_t k = 0; k < r[f].size(); ++k) {
                    solution_[f][k] += step * p[f][k];
                    r[f][k] -= step * q[f][k];
                }
                foretell(f, r[f], z[f]);
            });
            const double next = inner(r, z);
            const double turn = next / rz;
            rz = next;
            for (size_t f = 0; f < p.size(); ++f) {
                for (size_t k = 0; k < p[f].size(); ++k) p[f][k] = z[f][k] + turn * p[f][k];
            }
        }
    }

    const SplineProblem& problem_;
    int threads_;
    std::vector<std::vector<Use>> of_frame_;
    std::vector<double> belief_;
    std::vector<std::array<double, 2>> amount_;  // of each measurement, while rows are added
    std::vector<std::vector<Factored>> own_;     // of each frame, by component
    Coefficients solution_, free_;
};

}  // namespace

std::array<double, 2> residuals(const SplineMeasurement& measurement,
                                const std::vector<SplineGrid>& grids,
                                const std::vector<std::vector<double>>& coefficients) {
    auto r = left_sides(measurement, grids, coefficients);
    for (size_t e = 0; e < static_cast<size_t>(measurement.equations); ++e) {
        r[e] -= measurement.target[e];
    }
    return r;
}

SplineSolution solve_splines(const SplineProblem& problem, int threads) {
    return Solver(problem, threads).solve();
}

}  // namespace broadloom
