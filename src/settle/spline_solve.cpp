#include "settle/spline_solve.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <utility>

namespace broadloom {

namespace {

using Coefficients = std::vector<std::vector<double>>;

constexpr int kMostIterations = 200;
constexpr double kTolerance = 1e-7;  // of the right side's length
/// Outliers may be this many times larger at first, and half of that after each round.
constexpr double kFirstTolerance = 8;
/// A measurement that is believed less says nothing.
constexpr double kLeastBelief = 0.02;

double tap_value(const SplineTap& tap, int equation, const SplineGrid& grid,
                 const std::vector<double>& coefficients) {
    const auto& factor = tap.factor[static_cast<size_t>(equation)];
    const auto columns = static_cast<size_t>(grid.columns);
    const size_t corner = static_cast<size_t>(tap.row) * columns + static_cast<size_t>(tap.column);
    double sum = 0;
    for (size_t component = 0; component * grid.size() < coefficients.size(); ++component) {
        if (factor[component] == 0) continue;
        const double* c = coefficients.data() + component * grid.size() + corner;
        double value = 0;
        for (size_t j = 0; j < 4; ++j) {
            const double* line = c + j * columns;
            double along = 0;
            for (size_t i = 0; i < 4; ++i) along += static_cast<double>(tap.x[i]) * line[i];
            value += static_cast<double>(tap.y[j]) * along;
        }
        sum += factor[component] * value;
    }
    return sum;
}

/// Adds `amount` times the equation's row.
void add_row(const SplineTap& tap, int equation, double amount, const SplineGrid& grid,
             std::vector<double>& out) {
    const auto& factor = tap.factor[static_cast<size_t>(equation)];
    const auto columns = static_cast<size_t>(grid.columns);
    const size_t corner = static_cast<size_t>(tap.row) * columns + static_cast<size_t>(tap.column);
    for (size_t component = 0; component * grid.size() < out.size(); ++component) {
        if (factor[component] == 0) continue;
        double* c = out.data() + component * grid.size() + corner;
        for (size_t j = 0; j < 4; ++j) {
            const double part = amount * factor[component] * static_cast<double>(tap.y[j]);
            for (size_t i = 0; i < 4; ++i) {
                c[j * columns + i] += part * static_cast<double>(tap.x[i]);
            }
        }
    }
}

/// Adds weight times the gradient of half the squared second differences of one spline: along
/// columns, along rows, and twice the mixed one (the energy of a thin plate).
void add_smoothness(const SplineGrid& grid, double weight, const double* c, double* out) {
    const int w = grid.columns;
    const int h = grid.rows;
    const auto at = [w](int i, int j) { return static_cast<size_t>(j * w + i); };
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

double inner(const std::vector<double>& a, const std::vector<double>& b) {
    double sum = 0;
    for (size_t i = 0; i < a.size(); ++i) sum += a[i] * b[i];
    return sum;
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
    explicit Solver(const SplineProblem& problem) : problem_(problem) {
        const size_t frames = problem.grids.size();
        of_frame_.resize(frames);
        for (size_t m = 0; m < problem.measurements.size(); ++m) {
            for (size_t t = 0; t < 2; ++t) {
                of_frame_[problem.measurements[m].tap[t].frame].push_back({m, t});
            }
        }
        values_.resize(problem.measurements.size());
        belief_.assign(problem.measurements.size(), 1.0);
        free_.resize(frames);
        own_.resize(frames);
        solution_ = zeros();
    }

    SplineSolution solve() {
        double tolerance = kFirstTolerance;
        for (int round = 0; round < std::max(problem_.rounds, 1); ++round) {
            if (round > 0) doubt(problem_.outlier * std::max(tolerance, 1.0));
            if (round > 0) tolerance /= 2;
            prepare();
            iterate();
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

    void for_frames(const std::function<void(size_t)>& body) const {
        for (size_t f = 0; f < problem_.grids.size(); ++f) body(f);
    }

    /// Sums over frames, in their order.
    [[nodiscard]] static double inner_all(const Coefficients& a, const Coefficients& b) {
        double sum = 0;
        for (size_t f = 0; f < a.size(); ++f) sum += inner(a[f], b[f]);
        return sum;
    }

    void doubt(double outlier) {
        for (size_t m = 0; m < belief_.size(); ++m) {
            const auto r = residuals(problem_.measurements[m], problem_.grids, solution_);
            const double share = (r[0] * r[0] + r[1] * r[1]) / (outlier * outlier);
            const double root = 1 / (1 + share);
            belief_[m] = root * root < kLeastBelief ? 0 : root * root;
        }
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
        SplineGrid grid_of_hold;
        std::vector<double> hold;
        const auto components = static_cast<size_t>(problem_.components);
        for_frames([&](size_t f) {
            const SplineGrid& grid = problem_.grids[f];
            const size_t n = grid.size();
            if (hold.empty() || !(grid == grid_of_hold)) {
                hold = hold_matrix(grid);
                grid_of_hold = grid;
            }
            free_[f].assign(n * components, 1);
            own_[f].resize(components);
            for (size_t k = 0; k < components; ++k) {
                const size_t band = band_of(grid);
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
        });
    }

    /// Adds a measurement's row times itself, over one spline's coefficients.
    void add_square(const Use& use, size_t component, size_t band, const SplineGrid& grid,
                    std::vector<double>& matrix, std::vector<char>& reached) const {
        const SplineMeasurement& m = problem_.measurements[use.measurement];
        const SplineTap& tap = m.tap[use.tap];
        const auto columns = static_cast<size_t>(grid.columns);
        const size_t corner =
            static_cast<size_t>(tap.row) * columns + static_cast<size_t>(tap.column);
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
                value[4 * j + i] = static_cast<double>(tap.y[j]) * static_cast<double>(tap.x[i]);
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

    void measure(const Coefficients& x) {
        for (size_t m = 0; m < values_.size(); ++m) {
            const SplineMeasurement& measurement = problem_.measurements[m];
            for (int e = 0; e < measurement.equations; ++e) {
                double sum = 0;
                for (const SplineTap& tap : measurement.tap) {
                    sum += tap_value(tap, e, problem_.grids[tap.frame], x[tap.frame]);
                }
                values_[m][static_cast<size_t>(e)] = sum;
            }
        }
    }

    /// The normal matrix times x; the right side instead of x when `x` is null.
    void apply(const Coefficients* x, Coefficients& out) {
        if (x != nullptr) measure(*x);
        for_frames([&](size_t f) {
            const SplineGrid& grid = problem_.grids[f];
            std::vector<double>& o = out[f];
            std::fill(o.begin(), o.end(), 0.0);
            for (const Use& use : of_frame_[f]) {
                const SplineMeasurement& m = problem_.measurements[use.measurement];
                for (int e = 0; e < m.equations; ++e) {
                    const auto eq = static_cast<size_t>(e);
                    const double value = x != nullptr ? values_[use.measurement][eq] : m.target[eq];
                    add_row(m.tap[use.tap], e, belief_[use.measurement] * m.weight[eq] * value,
                            grid, o);
                }
            }
            if (x != nullptr) add_hold(grid, (*x)[f], o);
            for (size_t i = 0; i < o.size(); ++i) o[i] *= free_[f][i];
        });
    }

    void iterate() {
        Coefficients r = zeros();
        Coefficients z = zeros();
        Coefficients q = zeros();
        apply(nullptr, r);
        const double goal = kTolerance * kTolerance * inner_all(r, r);
        apply(&solution_, q);
        std::vector<double> length(r.size());  // of each frame's part of r, squared
        std::vector<double> product(r.size());
        const auto sum = [](const std::vector<double>& parts) {
            double all = 0;
            for (const double part : parts) all += part;
            return all;
        };
        for_frames([&](size_t f) {
            for (size_t i = 0; i < r[f].size(); ++i) r[f][i] -= q[f][i];
            foretell(f, r[f], z[f]);
            length[f] = inner(r[f], r[f]);
            product[f] = inner(r[f], z[f]);
        });
        Coefficients p = z;
        double rz = sum(product);
        for (int i = 0; i < kMostIterations && sum(length) > goal; ++i) {
            apply(&p, q);
            const double curvature = inner_all(p, q);
            if (!(curvature > 0)) break;
            const double step = rz / curvature;
            for_frames([&](size_t f) {
                for (size_t k = 0; k < r[f].size(); ++k) {
                    solution_[f][k] += step * p[f][k];
                    r[f][k] -= step * q[f][k];
                }
                foretell(f, r[f], z[f]);
                length[f] = inner(r[f], r[f]);
                product[f] = inner(r[f], z[f]);
            });
            const double next = sum(product);
            const double turn = next / rz;
            rz = next;
            for (size_t f = 0; f < p.size(); ++f) {
                for (size_t k = 0; k < r[f].size(); ++k) p[f][k] = z[f][k] + turn * p[f][k];
            }
        }
    }

    const SplineProblem& problem_;
    std::vector<std::vector<Use>> of_frame_;
    std::vector<std::array<double, 2>> values_;
    std::vector<double> belief_;
    std::vector<std::vector<Factored>> own_;  // of each frame, by component
    Coefficients solution_, free_;
};

}  // namespace

std::array<double, 2> residuals(const SplineMeasurement& measurement,
                                const std::vector<SplineGrid>& grids,
                                const std::vector<std::vector<double>>& coefficients) {
    std::array<double, 2> r{};
    for (int e = 0; e < measurement.equations; ++e) {
        double sum = -measurement.target[static_cast<size_t>(e)];
        for (const SplineTap& tap : measurement.tap) {
            sum += tap_value(tap, e, grids[tap.frame], coefficients[tap.frame]);
        }
        r[static_cast<size_t>(e)] = sum;
    }
    return r;
}

SplineSolution solve_splines(const SplineProblem& problem) { return Solver(problem).solve(); }

}  // namespace broadloom
