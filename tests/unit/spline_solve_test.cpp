// The joint solve against the same equations written out in full and eliminated by Gauss; outliers;
// what is not reached.
#include "settle/spline_solve.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "support/memory_frames.hpp"

using namespace broadloom;
using namespace broadloom::test;
using Catch::Matchers::WithinAbs;

namespace {

using Matrix = std::vector<std::vector<double>>;

SplineTap tap_at(uint32_t frame, const SplineGrid& grid, double x, double y,
                 std::array<std::array<double, 2>, 2> factor) {
    const SplineBasis basis = spline_basis(grid, x, y, 300, 200);
    return {frame, basis.column, basis.row, basis.x, basis.y, factor};
}

/// Three frames of two grids in a row, each tied to the next by random equations.
SplineProblem random_problem(int components, Dice& dice) {
    SplineProblem p;
    p.components = components;
    p.grids = {{6, 5}, {4, 4}, {6, 5}};
    p.pull = 0.3;
    p.level_pull = components == 1 ? 0.02 : 0.3;
    p.smooth = 1.7;
    p.hold_unreached = false;
    p.rounds = 1;
    const auto factor = [&](double sign) {
        std::array<std::array<double, 2>, 2> f{};
        for (auto& row : f) {
            row = {sign * dice.between(0.5, 1), sign * dice.between(-0.3, 0.3)};
            if (components == 1) row[1] = 0;
        }
        return f;
    };
    for (int i = 0; i < 60; ++i) {
        const auto first = static_cast<uint32_t>(i % 2);
        SplineMeasurement m;
        m.equations = components == 1 ? 1 : 1 + i % 3 % 2;
        m.tap[0] =
            tap_at(first, p.grids[first], dice.between(150, 300), dice.between(0, 200), factor(-1));
        m.tap[1] = tap_at(first + 1, p.grids[first + 1], dice.between(0, 150), dice.between(0, 200),
                          factor(1));
        m.target = {dice.between(-3, 3), dice.between(-3, 3)};
        m.weight = {dice.between(0.5, 4), dice.between(0.5, 4)};
        p.measurements.push_back(m);
    }
    return p;
}

/// All equations as rows over all coefficients, weighted; the last column is the right side.
Matrix rows_of(const SplineProblem& p) {
    std::vector<size_t> start;
    size_t unknowns = 0;
    for (const SplineGrid& g : p.grids) {
        start.push_back(unknowns);
        unknowns += g.size() * static_cast<size_t>(p.components);
    }
    Matrix rows;
    const auto add = [&] {
        rows.emplace_back(unknowns + 1, 0.0);
        return &rows.back();
    };
    for (const SplineMeasurement& m : p.measurements) {
        for (size_t e = 0; e < static_cast<size_t>(m.equations); ++e) {
            const double root = std::sqrt(m.weight[e]);
            auto& row = *add();
            for (const SplineTap& tap : m.tap) {
                const SplineGrid& g = p.grids[tap.frame];
                for (size_t k = 0; k < static_cast<size_t>(p.components); ++k) {
                    for (size_t j = 0; j < 4; ++j) {
                        for (size_t i = 0; i < 4; ++i) {
                            const size_t at = start[tap.frame] + k * g.size() +
                                              (static_cast<size_t>(tap.row) + j) *
                                                  static_cast<size_t>(g.columns) +
                                              static_cast<size_t>(tap.column) + i;
                            row[at] += root * tap.factor[e][k] * tap.x[i] * tap.y[j];
                        }
                    }
                }
            }
            row[unknowns] = root * m.target[e];
        }
    }
    for (size_t f = 0; f < p.grids.size(); ++f) {
        const SplineGrid& g = p.grids[f];
        for (size_t k = 0; k < static_cast<size_t>(p.components); ++k) {
            const size_t first = start[f] + k * g.size();
            const auto at = [&](int i, int j) {
                return first + static_cast<size_t>(j * g.columns + i);
            };
            for (int j = 0; j < g.rows; ++j) {
                for (int i = 0; i < g.columns; ++i) {
                    const double s = std::sqrt(p.smooth);
                    if (i > 0 && i + 1 < g.columns) {
                        auto& row = *add();
                        row[at(i - 1, j)] = row[at(i + 1, j)] = s;
                        row[at(i, j)] = -2 * s;
                    }
                    if (j > 0 && j + 1 < g.rows) {
                        auto& row = *add();
                        row[at(i, j - 1)] = row[at(i, j + 1)] = s;
                        row[at(i, j)] = -2 * s;
                    }
                    if (i + 1 < g.columns && j + 1 < g.rows) {
                        auto& row = *add();
                        row[at(i, j)] = row[at(i + 1, j + 1)] = s * std::sqrt(2.0);
                        row[at(i + 1, j)] = row[at(i, j + 1)] = -s * std::sqrt(2.0);
                    }
                    auto& pull = *add();
                    for (size_t n = first; n < first + g.size(); ++n) {
                        pull[n] = -std::sqrt(p.pull) / static_cast<double>(g.size());
                    }
                    pull[at(i, j)] += std::sqrt(p.pull);
                }
            }
            auto& level = *add();
            for (size_t n = first; n < first + g.size(); ++n) {
                level[n] = std::sqrt(p.level_pull / static_cast<double>(g.size()));
            }
        }
    }
    return rows;
}

/// Least squares by the normal equations and Gauss's elimination with pivots.
std::vector<double> eliminated(const Matrix& rows) {
    const size_t n = rows.front().size() - 1;
    Matrix a(n, std::vector<double>(n + 1, 0.0));
    for (const auto& row : rows) {
        for (size_t i = 0; i < n; ++i) {
            if (row[i] == 0) continue;
            for (size_t j = 0; j <= n; ++j) a[i][j] += row[i] * row[j];
        }
    }
    for (size_t i = 0; i < n; ++i) {
        size_t pivot = i;
        for (size_t k = i + 1; k < n; ++k) {
            if (std::abs(a[k][i]) > std::abs(a[pivot][i])) pivot = k;
        }
        std::swap(a[i], a[pivot]);
        for (size_t k = 0; k < n; ++k) {
            if (k == i) continue;
            const double factor = a[k][i] / a[i][i];
            for (size_t j = i; j <= n; ++j) a[k][j] -= factor * a[i][j];
        }
    }
    std::vector<double> x(n);
    for (size_t i = 0; i < n; ++i) x[i] = a[i][n] / a[i][i];
    return x;
}

double largest_error(const SplineProblem& p, const SplineSolution& solution) {
    const auto expected = eliminated(rows_of(p));
    size_t at = 0;
    double largest = 0;
    for (const auto& frame : solution.coefficients) {
        for (const double c : frame) largest = std::max(largest, std::abs(c - expected[at++]));
    }
    REQUIRE(at == expected.size());
    return largest;
}

}  // namespace

TEST_CASE("the joint solve gives what elimination gives", "[spline_solve][property]") {
    Dice dice(21);
    for (const int components : {1, 2, 1, 2}) {
        const SplineProblem p = random_problem(components, dice);
        const SplineSolution solution = solve_splines(p);
        // Coefficients are of order 1; the steps end at 1e-5 of the right side.
        CHECK(largest_error(p, solution) < 2e-3);
        SplineProblem other = p;  // the control
        other.smooth *= 1.2;
        CHECK(largest_error(other, solution) > 2e-3);
        double left = 0;
        double before = 0;
        for (const auto& m : p.measurements) {
            const auto r = residuals(m, p.grids, solution.coefficients);
            left += r[0] * r[0];
            before += m.target[0] * m.target[0];
        }
        CHECK(left < before);
    }
}

TEST_CASE("measurements that contradict the others are not believed", "[spline_solve]") {
    Dice dice(4);
    SplineProblem p;
    p.grids = {{6, 5}, {6, 5}};
    p.pull = p.level_pull = 0.05;
    p.outlier = 0.5;
    for (int i = 0; i < 80; ++i) {
        SplineMeasurement m;
        const double y = dice.between(0, 200);
        m.tap[0] = tap_at(0, p.grids[0], dice.between(200, 300), y, {{{-1, 0}, {0, 0}}});
        m.tap[1] = tap_at(1, p.grids[1], dice.between(0, 100), y, {{{1, 0}, {0, 0}}});
        m.target[0] = i % 5 == 0 ? 7 : 2;
        m.weight[0] = 20;
        p.measurements.push_back(m);
    }
    const SplineSolution robust = solve_splines(p);
    SplineProblem trusting = p;
    trusting.rounds = 1;
    const SplineSolution plain = solve_splines(trusting);  // the control
    double worst = 0;
    double worst_plain = 0;
    for (size_t i = 0; i < p.measurements.size(); ++i) {
        if (i % 5 == 0) {
            CHECK(robust.belief[i] < 0.05);
            continue;
        }
        CHECK(robust.belief[i] > 0.8);
        const auto& m = p.measurements[i];
        worst = std::max(worst, std::abs(residuals(m, p.grids, robust.coefficients)[0]));
        worst_plain = std::max(worst_plain, std::abs(residuals(m, p.grids, plain.coefficients)[0]));
    }
    CHECK(worst < 0.2);
    CHECK(worst_plain > 0.5);
    // Columns 0 and 1 of the first reach x = 100 at most, where nothing was measured.
    for (int j = 0; j < 5; ++j) {
        for (int i = 0; i < 2; ++i) {
            CHECK(robust.coefficients[0][static_cast<size_t>(j * 6 + i)] == 0);
        }
    }
    CHECK_THAT(robust.coefficients[0][2 * 6 + 5] - robust.coefficients[1][2 * 6],
               WithinAbs(-2, 0.5));
}
