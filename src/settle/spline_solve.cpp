#include "settle/spline_solve.hpp"

#include <algorithm>
#include <cmath>

#include "base/parallel.hpp"

namespace broadloom {

namespace {

using Coefficients = std::vector<std::vector<double>>;

constexpr int kFirstIterations = 300;
constexpr int kLaterIterations = 100;
constexpr double kTolerance = 1e-7;  // of the right side's length
/// Outliers may be this many times larger at first, and half of that after each round.
constexpr double kFirstTolerance = 8;
/// Below so many measurements threads cost more than they bring.
constexpr size_t kWorthThreads = 4000;
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

class Solver {
  public:
    Solver(const SplineProblem& problem, int threads)
        : problem_(problem), threads_(problem.measurements.size() < kWorthThreads ? 1 : threads) {
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
        inverse_diagonal_.resize(frames);
        solution_ = zeros();
    }

    SplineSolution solve() {
        double tolerance = kFirstTolerance;
        for (int round = 0; round < std::max(problem_.rounds, 1); ++round) {
            if (round > 0) doubt(problem_.outlier * std::max(tolerance, 1.0));
            if (round > 0) tolerance /= 2;
            prepare();
            iterate(round == 0 ? kFirstIterations : kLaterIterations);
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
        for_each_index(problem_.grids.size(), threads_, [&](size_t f, int) { body(f); });
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

    /// Which coefficients move, and the diagonal of the normal matrix.
    void prepare() {
        for_frames([&](size_t f) {
            const SplineGrid& grid = problem_.grids[f];
            std::vector<double> diagonal(solution_[f].size(), 0);
            const auto columns = static_cast<size_t>(grid.columns);
            for (const Use& use : of_frame_[f]) {
                const SplineMeasurement& m = problem_.measurements[use.measurement];
                const SplineTap& tap = m.tap[use.tap];
                const size_t corner =
                    static_cast<size_t>(tap.row) * columns + static_cast<size_t>(tap.column);
                for (int e = 0; e < m.equations; ++e) {
                    const auto eq = static_cast<size_t>(e);
                    const double weight = belief_[use.measurement] * m.weight[eq];
                    for (size_t k = 0; k < static_cast<size_t>(problem_.components); ++k) {
                        const double factor = tap.factor[eq][k];
                        double* d = diagonal.data() + k * grid.size() + corner;
                        for (size_t j = 0; j < 4; ++j) {
                            for (size_t i = 0; i < 4; ++i) {
                                const double b = factor * static_cast<double>(tap.y[j]) *
                                                 static_cast<double>(tap.x[i]);
                                d[j * columns + i] += weight * b * b;
                            }
                        }
                    }
                }
            }
            free_[f].assign(diagonal.size(), 1);
            inverse_diagonal_[f].resize(diagonal.size());
            // Second differences meet an inner coefficient with 1 + 4 + 1 on each axis and
            // 4 * 2 mixed.
            const double always = problem_.pull + 20 * problem_.smooth;
            for (size_t i = 0; i < diagonal.size(); ++i) {
                if (problem_.hold_unreached && !(diagonal[i] > 0)) free_[f][i] = 0;
                inverse_diagonal_[f][i] = free_[f][i] != 0 ? 1 / (diagonal[i] + always) : 0;
                if (free_[f][i] == 0) solution_[f][i] = 0;
            }
        });
    }

    void measure(const Coefficients& x) {
        constexpr size_t kChunk = 4096;
        const size_t count = problem_.measurements.size();
        for_each_index((count + kChunk - 1) / kChunk, threads_, [&](size_t chunk, int) {
            for (size_t m = chunk * kChunk; m < std::min(count, (chunk + 1) * kChunk); ++m) {
                const SplineMeasurement& measurement = problem_.measurements[m];
                for (int e = 0; e < measurement.equations; ++e) {
                    double sum = 0;
                    for (const SplineTap& tap : measurement.tap) {
                        sum += tap_value(tap, e, problem_.grids[tap.frame], x[tap.frame]);
                    }
                    values_[m][static_cast<size_t>(e)] = sum;
                }
            }
        });
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
            if (x != nullptr) {
                const auto n = grid.size();
                for (size_t k = 0; k < static_cast<size_t>(problem_.components); ++k) {
                    const double* c = (*x)[f].data() + k * n;
                    double* to = o.data() + k * n;
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
            for (size_t i = 0; i < o.size(); ++i) o[i] *= free_[f][i];
        });
    }

    void iterate(int limit) {
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
            for (size_t i = 0; i < r[f].size(); ++i) {
                r[f][i] -= q[f][i];
                z[f][i] = inverse_diagonal_[f][i] * r[f][i];
            }
            length[f] = inner(r[f], r[f]);
            product[f] = inner(r[f], z[f]);
        });
        Coefficients p = z;
        double rz = sum(product);
        for (int i = 0; i < limit && sum(length) > goal; ++i) {
            apply(&p, q);
            const double curvature = inner_all(p, q);
            if (!(curvature > 0)) break;
            const double step = rz / curvature;
            for_frames([&](size_t f) {
                for (size_t k = 0; k < r[f].size(); ++k) {
                    solution_[f][k] += step * p[f][k];
                    r[f][k] -= step * q[f][k];
                    z[f][k] = inverse_diagonal_[f][k] * r[f][k];
                }
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
    int threads_;
    std::vector<std::vector<Use>> of_frame_;
    std::vector<std::array<double, 2>> values_;
    std::vector<double> belief_;
    Coefficients solution_, inverse_diagonal_, free_;
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

SplineSolution solve_splines(const SplineProblem& problem, int threads) {
    return Solver(problem, threads).solve();
}

}  // namespace broadloom
