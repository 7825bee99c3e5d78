#include "gather/grid_angles.hpp"

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include "broadloom/rotation.hpp"

namespace broadloom {
namespace {

struct Line {
    double start = 0, step = 0;
};

/// y = start + step x by least squares, twice without what lies more than `most` off. Keeps `guess`
/// where the points do not tell.
Line fitted_line(const std::vector<double>& x, const std::vector<double>& y, Line guess,
                 double most) {
    std::vector<double> rest;
    for (size_t i = 0; i < x.size(); ++i) rest.push_back(y[i] - guess.step * x[i]);
    if (rest.empty()) return guess;
    const auto middle = rest.begin() + static_cast<std::ptrdiff_t>(rest.size() / 2);
    std::nth_element(rest.begin(), middle, rest.end());
    Line line{*middle, guess.step};
    for (int round = 0; round < 3; ++round) {
        double n = 0;
        double sx = 0;
        double sy = 0;
        double sxx = 0;
        double sxy = 0;
        for (size_t i = 0; i < x.size(); ++i) {
            if (std::abs(y[i] - line.start - line.step * x[i]) > most) continue;
            n += 1;
            sx += x[i];
            sy += y[i];
            sxx += x[i] * x[i];
            sxy += x[i] * y[i];
        }
        if (n < 1) break;
        const double spread = sxx - sx * sx / n;
        const double step = spread > 0.4 ? (sxy - sx * sy / n) / spread : line.step;
        line = {(sy - step * sx) / n, step};
    }
    return line;
}

}  // namespace

void set_angles(const GridFit& fit, const RoughPositions& rough, const GridSteps& steps,
                double width_deg, Arrangement& out) {
    const auto rows = static_cast<size_t>(out.rows);
    const int64_t most_columns = *std::max_element(out.columns.begin(), out.columns.end());
    const bool even = std::all_of(out.columns.begin(), out.columns.end(),
                                  [&](int64_t c) { return c == most_columns; });
    // Which way a column lies from its row's middle, so that rows of different length compare.
    const auto from_middle = [&](const Placement& p) {
        return static_cast<double>(*p.column) -
               0.5 * static_cast<double>(out.columns[static_cast<size_t>(*p.row)] - 1);
    };
    std::vector<double> row_of;
    std::vector<double> pitch_of;
    for (size_t i = 0; i < out.frames.size(); ++i) {
        if (rough.component[i] != 0) continue;
        row_of.push_back(static_cast<double>(*out.frames[i].row));
        pitch_of.push_back(rough.aims[i].pitch_deg);
    }
    Line pitch = fitted_line(row_of, pitch_of, {0, -steps.step_up_deg}, 0.5 * steps.step_up_deg);
    if (!rough.pitch_known) pitch.start = -0.5 * pitch.step * static_cast<double>(rows - 1);
    // Yaw of the cell that a row's middle would be, and the step.
    std::vector<Line> yaw(rows, Line{0, steps.step_right_deg});
    std::optional<double> middle;
    const auto yaw_line = [&](std::optional<size_t> row, Line guess) {
        std::vector<double> x;
        std::vector<double> y;
        for (size_t i = 0; i < out.frames.size(); ++i) {
            const Placement& p = out.frames[i];
            if (rough.component[i] != 0) continue;
            if (row && static_cast<size_t>(*p.row) != *row) continue;
            const double along = from_middle(p);
            x.push_back(along);
            if (!middle) middle = rough.aims[i].yaw_deg - guess.step * along;
            const double expected = *middle + guess.step * along;
            y.push_back(expected + yaw_between(expected, rough.aims[i].yaw_deg));
        }
        return fitted_line(x, y, guess, 0.5 * guess.step);
    };
    if (even) {
        std::fill(yaw.begin(), yaw.end(), yaw_line(std::nullopt, yaw.front()));
    } else {
        for (size_t r = 0; r < rows; ++r) {
            const double extent = fit.extent_deg;
            const auto count = static_cast<double>(out.columns[r]);
            const double step = fit.round   ? 360 / count
                                : count > 1 ? extent / (count - 1)
                                            : steps.step_right_deg;
            yaw[r] = yaw_line(r, {middle.value_or(0), step});
        }
    }
    // The set's middle at yaw 0.
    double least = 1e9;
    double most = -1e9;
    for (size_t r = 0; r < rows; ++r) {
        const double half = 0.5 * static_cast<double>(out.columns[r] - 1) * yaw[r].step;
        least = std::min(least, yaw[r].start - half);
        most = std::max(most, yaw[r].start + half);
    }
    const double centre = 0.5 * (least + most);
    for (size_t i = 0; i < out.frames.size(); ++i) {
        Placement& p = out.frames[i];
        const Line& line = yaw[static_cast<size_t>(*p.row)];
        p.yaw_deg = line.start + line.step * from_middle(p) - centre;
        p.pitch_deg = pitch.start + pitch.step * static_cast<double>(*p.row);
        p.by_sequence = rough.component[i] < 0 || fit.misplaced[i];
    }
    out.step_up_deg = -pitch.step;
    size_t nearest = 0;
    for (size_t r = 0; r < rows; ++r) {
        const auto level = [&](size_t k) {
            return std::abs(pitch.start + pitch.step * static_cast<double>(k));
        };
        if (level(r) < level(nearest)) nearest = r;
    }
    out.step_right_deg = yaw[nearest].step;
    const double round = static_cast<double>(out.columns[nearest]) * out.step_right_deg;
    out.wraps = most_columns > 2 && (even ? steps.round_columns == most_columns : fit.round) &&
                std::abs(round - 360) < 0.5 * width_deg;
}

}  // namespace broadloom
