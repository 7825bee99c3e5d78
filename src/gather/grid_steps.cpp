#include "gather/grid_steps.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <optional>

#include "broadloom/rotation.hpp"

namespace broadloom {
namespace {

// Frames of a grid overlap by less than this share; what moved less is a retake or an aim error.
constexpr double kMostOverlap = 0.75;
constexpr double kGuessedStep = 0.7;  // of the frame's side, where no displacement tells

/// The smallest step that many moves share: frames two steps apart may be linked as well.
std::optional<double> smallest_step(std::vector<double> moves) {
    if (moves.empty()) return std::nullopt;
    std::sort(moves.begin(), moves.end());
    constexpr double kWindow = 0.25;
    constexpr double kSpread = 0.4;
    const auto within = [&](double middle, double window) {
        const auto first = std::lower_bound(moves.begin(), moves.end(), middle * (1 - window));
        const auto last = std::upper_bound(moves.begin(), moves.end(), middle * (1 + window));
        return std::pair(first, last);
    };
    const auto count = [&](double middle) {
        const auto [first, last] = within(middle, kWindow);
        return last - first;
    };
    std::ptrdiff_t most = 0;
    for (const double m : moves) most = std::max(most, count(m));
    double step = 0;
    for (const double m : moves) {
        if (count(m) * 3 >= most) {
            step = m;
            break;
        }
    }
    for (int k = 0; k < 30; ++k) {
        // The full width of what aim errors spread, so that the mean is not drawn aside.
        const auto [first, last] = within(step, k < 15 ? kWindow : kSpread);
        double sum = 0;
        for (auto it = first; it != last; ++it) sum += *it;
        step = sum / static_cast<double>(last - first);
    }
    return step;
}

std::complex<double> mean_phase(std::span<const double> values, double step) {
    std::complex<double> sum = 0;
    for (const double v : values) sum += std::polar(1.0, 2 * kPi * v / step);
    return values.empty() ? sum : sum / static_cast<double>(values.size());
}

struct Regular {
    double step = 0, shear = 0;
};

/// The step near `step`, and the drift of the values along `across`, with which they lie most
/// evenly: what is left of a camera or head that stands askew.
Regular most_regular(std::span<const double> values, std::span<const double> across, double step,
                     bool may_drift) {
    constexpr double kMostDrift = 0.03;  // about two degrees
    constexpr size_t kEnough = 12;
    std::vector<double> moved(values.size());
    Regular best{step, 0};
    double most = -1;
    const int drifts = may_drift && values.size() >= kEnough ? 15 : 0;
    for (int j = -drifts; j <= drifts; ++j) {
        const double shear = kMostDrift * j / 15;
        for (size_t i = 0; i < values.size(); ++i) moved[i] = values[i] - shear * across[i];
        for (int k = -40; k <= 40; ++k) {
            const double s = step * (1 + 0.001 * k);
            const double regular =
                std::abs(mean_phase(moved, s)) - 1e-4 * (std::abs(k) + std::abs(j));
            if (regular <= most) continue;
            most = regular;
            best = {s, shear};
        }
    }
    return best;
}

}  // namespace

GridSteps grid_steps(const RoughPositions& rough, std::span<const Displacement> displacements,
                     double width_deg, double height_deg) {
    GridSteps out;
    std::vector<double> ups;
    std::vector<double> rights;
    size_t closing = 0;
    const double least_up = (1 - kMostOverlap) * height_deg;
    const double least_right = (1 - kMostOverlap) * width_deg;
    for (size_t k = 0; k < displacements.size(); ++k) {
        if (!rough.kept[k]) continue;
        const Aim& a = rough.aims[displacements[k].a];
        const Aim& b = rough.aims[displacements[k].b];
        const double up = std::abs(b.pitch_deg - a.pitch_deg);
        const double right = std::abs(yaw_between(a.yaw_deg, b.yaw_deg));
        const double shrink = std::cos(0.5 * (a.pitch_deg + b.pitch_deg) * kRadPerDeg);
        if (up > least_up) ups.push_back(up);
        if (right * shrink > least_right && up < least_up) rights.push_back(right);
        if (std::abs(b.yaw_deg - a.yaw_deg) > 180) ++closing;
    }
    const auto step_up = smallest_step(ups);
    const auto step_right = smallest_step(rights);
    out.rows_seen = step_up.has_value();
    out.columns_seen = step_right.has_value();
    out.step_up_deg = step_up.value_or(kGuessedStep * height_deg);
    out.step_right_deg = step_right.value_or(kGuessedStep * width_deg);

    std::vector<double> pitches;
    std::vector<double> yaws;
    for (size_t i = 0; i < rough.aims.size(); ++i) {
        if (rough.component[i] != 0) continue;
        pitches.push_back(rough.aims[i].pitch_deg);
        yaws.push_back(rough.aims[i].yaw_deg);
    }
    Regular up{out.step_up_deg, 0};
    Regular right{out.step_right_deg, 0};
    if (out.columns_seen) {
        const double columns = std::round(360 / out.step_right_deg);
        if (closing > 0 && rough.widest_gap_deg < 1.5 * out.step_right_deg) {
            out.round_columns = static_cast<int64_t>(columns);
            right.step = 360 / columns;
        } else {
            right = most_regular(yaws, pitches, right.step, true);
        }
        out.step_right_deg = right.step;
        for (size_t i = 0; i < yaws.size(); ++i) yaws[i] -= right.shear * pitches[i];
        out.columns_agree = std::abs(mean_phase(yaws, out.step_right_deg));
    }
    if (out.rows_seen) {
        up = most_regular(pitches, yaws, up.step, out.round_columns == 0);
        out.step_up_deg = up.step;
    }
    const auto straight = [&](const Aim& aim) {
        const double yaw = aim.yaw_deg - right.shear * aim.pitch_deg;
        return Aim{yaw, aim.pitch_deg - up.shear * yaw};
    };
    out.at.resize(rough.aims.size());
    for (int c = 0; c < rough.components; ++c) {
        std::vector<double> x;
        std::vector<double> y;
        for (size_t i = 0; i < rough.aims.size(); ++i) {
            if (rough.component[i] != c) continue;
            const Aim aim = straight(rough.aims[i]);
            x.push_back(aim.yaw_deg);
            y.push_back(-aim.pitch_deg);
        }
        const double phase_x =
            std::arg(mean_phase(x, out.step_right_deg)) / (2 * kPi) * out.step_right_deg;
        const double phase_y =
            std::arg(mean_phase(y, out.step_up_deg)) / (2 * kPi) * out.step_up_deg;
        for (size_t i = 0; i < rough.aims.size(); ++i) {
            if (rough.component[i] != c) continue;
            const Aim aim = straight(rough.aims[i]);
            out.at[i] = {(aim.yaw_deg - phase_x) / out.step_right_deg,
                         (-aim.pitch_deg - phase_y) / out.step_up_deg};
        }
    }
    return out;
}

}  // namespace broadloom
