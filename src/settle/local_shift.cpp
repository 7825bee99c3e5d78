#include "settle/local_shift.hpp"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <map>
#include <optional>
#include <utility>

#include "base/parallel.hpp"
#include "settle/patch_match.hpp"
#include "settle/spline_solve.hpp"

namespace broadloom {

namespace {

/// Splines have this many spans across a frame's shorter side.
constexpr int kSpansAcross = 8;
constexpr int kMostSpans = 24;
/// A point that many frames show is compared between the nearest of them alone.
constexpr size_t kMostFramesAPoint = 6;
/// So many other matches of the pair within so many rows of a match must say the same as it, to
/// this many full-size pixels: what stands alone is chance, or moved.
constexpr int kLeastSupport = 2;
constexpr double kSupportRows = 2.5;
constexpr double kSupportDifference = 2;
/// A frame with fewer believed matches is left as it is.
constexpr size_t kLeastMatches = 8;
constexpr double kLeastBelief = 0.25;
/// What a displacement errs by at least, full-size pixels: the two frames' lenses and noise.
constexpr double kLeastDeviation = 0.15;
/// Residual at which a displacement counts a quarter, full-size pixels.
constexpr double kOutlier = 1.0;
/// A coefficient of this size is as unlikely as one deviation of a displacement, pixels.
constexpr double kUsualShift = 4;
constexpr double kSmooth = 2;
/// Steps of the solution that end it, full-size pixels.
constexpr double kNegligible = 2e-4;

/// What two frames show of the same points.
struct PairMatches {
    struct Match {
        PatchLattice::Point point;
        PatchOffset displacement;
    };
    size_t first = 0, second = 0;
    std::vector<std::pair<size_t, size_t>> patches;  ///< indices into the frames' patches
    std::vector<Match> matches;
};

/// Pairs of frames, rising, with the points they share.
std::vector<PairMatches> shared_points(const PatchLattice& lattice,
                                       const std::vector<FrameGeometry>& frames) {
    std::map<PatchLattice::Point, std::vector<std::pair<size_t, size_t>>> at;
    for (size_t f = 0; f < lattice.points.size(); ++f) {
        for (size_t i = 0; i < lattice.points[f].size(); ++i) {
            at[lattice.points[f][i]].emplace_back(f, i);
        }
    }
    std::map<std::pair<size_t, size_t>, std::vector<std::pair<size_t, size_t>>> pairs;
    for (auto& [point, seen] : at) {
        if (seen.size() > kMostFramesAPoint) {
            const Vec3 d = lattice.direction(point);
            std::stable_sort(seen.begin(), seen.end(), [&](const auto& a, const auto& b) {
                return dot(frames[a.first].axis(), d) > dot(frames[b.first].axis(), d);
            });
            seen.resize(kMostFramesAPoint);
            std::sort(seen.begin(), seen.end());
        }
        for (size_t i = 0; i < seen.size(); ++i) {
            for (size_t j = i + 1; j < seen.size(); ++j) {
                pairs[{seen[i].first, seen[j].first}].emplace_back(seen[i].second, seen[j].second);
            }
        }
    }
    std::vector<PairMatches> all;
    all.reserve(pairs.size());
    for (auto& [frames_of, patches] : pairs) {
        all.push_back({frames_of.first, frames_of.second, std::move(patches), {}});
    }
    return all;
}

/// Drops matches that are longer than both frames may be moved together, and those that stand
/// alone.
void keep_supported(const PatchLattice& lattice, double longest, PairMatches& pair) {
    const double unit = lattice.scale;
    std::erase_if(pair.matches, [&](const PairMatches::Match& m) {
        return std::hypot(m.displacement.by.x, m.displacement.by.y) * unit > longest;
    });
    const double near = std::cos(kSupportRows * lattice.row_step_deg * kRadPerDeg);
    std::vector<Vec3> at;
    at.reserve(pair.matches.size());
    for (const auto& m : pair.matches) at.push_back(lattice.direction(m.point));
    std::vector<PairMatches::Match> kept;
    for (size_t i = 0; i < at.size(); ++i) {
        const PatchOffset& mine = pair.matches[i].displacement;
        int support = 0;
        for (size_t j = 0; j < at.size(); ++j) {
            if (j == i || dot(at[i], at[j]) < near) continue;
            const PatchOffset& other = pair.matches[j].displacement;
            const double apart = (mine.by.x - other.by.x) * mine.axis[0].x +
                                 (mine.by.y - other.by.y) * mine.axis[0].y;
            if (std::abs(apart) * unit < kSupportDifference) ++support;
        }
        if (support >= kLeastSupport) kept.push_back(pair.matches[i]);
    }
    pair.matches = std::move(kept);
}

void match(const PatchLattice& lattice, const PatchSource& source, double longest, int threads,
           std::vector<PairMatches>& pairs) {
    // A little more than that tells what lies beyond.
    const int search =
        std::min(kFarthestSearch, static_cast<int>(std::ceil(longest / lattice.scale)) + 1);
    for_each_index(pairs.size(), threads, [&](size_t p, int) {
        PairMatches& pair = pairs[p];
        const auto first = source.get(pair.first);
        const auto second = source.get(pair.second);
        for (const auto& [i, j] : pair.patches) {
            const auto found = match_patches((*first)[i].grey, (*second)[j].grey, search);
            if (found) pair.matches.push_back({lattice.points[pair.first][i], *found});
        }
        pair.patches = {};
        keep_supported(lattice, longest, pair);
    });
}

SplineGrid grid_for(const FrameGeometry& g) {
    const double side = std::min(g.upright_width(), g.upright_height()) / kSpansAcross;
    const auto spans = [&](double length) {
        return std::clamp(static_cast<int>(std::lround(length / side)), kSpansAcross, kMostSpans);
    };
    return {spans(g.upright_width()) + 3, spans(g.upright_height()) + 3};
}

/// A place in a frame, and what a shift of the frame's pixels there does to its patch: full-size
/// canvas pixels a frame pixel.
struct Place {
    Vec2 at;
    double xx = 0, xy = 0, yx = 0, yy = 0;
};

std::optional<Place> place(const PatchLattice& lattice, const PatchLattice::Point& point,
                           const FrameGeometry& g) {
    constexpr double kStep = kPatchSide / 8.0;
    const auto centre = g.upright(lattice.direction(point));
    const auto left = g.upright(lattice.direction(point, -kStep, 0));
    const auto right = g.upright(lattice.direction(point, kStep, 0));
    const auto above = g.upright(lattice.direction(point, 0, -kStep));
    const auto below = g.upright(lattice.direction(point, 0, kStep));
    if (!centre || !left || !right || !above || !below) return std::nullopt;
    const double unit = 2 * kStep * lattice.scale;
    const double a = (right->x - left->x) / unit;
    const double b = (below->x - above->x) / unit;
    const double c = (right->y - left->y) / unit;
    const double d = (below->y - above->y) / unit;
    const double det = a * d - b * c;
    if (!(std::abs(det) > 1e-6)) return std::nullopt;
    return Place{*centre, d / det, -b / det, -c / det, a / det};
}

SplineTap tap_at(size_t frame, const FrameGeometry& g, const SplineGrid& grid, const Place& p,
                 const std::array<Vec2, 2>& axis, double sign) {
    const SplineBasis basis =
        spline_basis(grid, p.at.x, p.at.y, g.upright_width(), g.upright_height());
    SplineTap tap;
    tap.frame = static_cast<uint32_t>(frame);
    tap.column = basis.column;
    tap.row = basis.row;
    tap.x = basis.x;
    tap.y = basis.y;
    for (size_t e = 0; e < 2; ++e) {
        tap.factor[e] = {sign * (axis[e].x * p.xx + axis[e].y * p.yx),
                         sign * (axis[e].x * p.xy + axis[e].y * p.yy)};
    }
    return tap;
}

/// What stands at p in the first stands at p + d in the second. Moved by a and b, the first's
/// pixel that was at p + a is at p, the second's that was at p + b: they agree when b - a = d.
std::vector<SplineMeasurement> measurements_of(const PatchLattice& lattice,
                                               const std::vector<FrameGeometry>& frames,
                                               const std::vector<SplineGrid>& grids,
                                               const std::vector<PairMatches>& pairs) {
    std::vector<SplineMeasurement> all;
    for (const PairMatches& pair : pairs) {
        for (const auto& found : pair.matches) {
            const auto first = place(lattice, found.point, frames[pair.first]);
            const auto second = place(lattice, found.point, frames[pair.second]);
            if (!first || !second) continue;
            const PatchOffset& d = found.displacement;
            SplineMeasurement m;
            m.equations = d.deviation[1] < PatchOffset::kUnknown ? 2 : 1;
            m.tap[0] =
                tap_at(pair.first, frames[pair.first], grids[pair.first], *first, d.axis, -1);
            m.tap[1] =
                tap_at(pair.second, frames[pair.second], grids[pair.second], *second, d.axis, 1);
            for (size_t e = 0; e < static_cast<size_t>(m.equations); ++e) {
                const double deviation = d.deviation[e] * lattice.scale;
                m.target[e] = (d.by.x * d.axis[e].x + d.by.y * d.axis[e].y) * lattice.scale;
                m.weight[e] = 1 / (deviation * deviation + kLeastDeviation * kLeastDeviation);
            }
            all.push_back(m);
        }
    }
    return all;
}

/// Believed matches of each frame.
std::vector<size_t> count_matches(const std::vector<SplineMeasurement>& measurements,
                                  const std::vector<double>* belief, size_t frames) {
    std::vector<size_t> count(frames, 0);
    for (size_t m = 0; m < measurements.size(); ++m) {
        if (belief != nullptr && (*belief)[m] < kLeastBelief) continue;
        for (const SplineTap& tap : measurements[m].tap) ++count[tap.frame];
    }
    return count;
}

/// The frame's part of its measurements is left out, so that nothing moves it.
void hold_still(const std::vector<char>& still, std::vector<SplineMeasurement>& measurements) {
    for (SplineMeasurement& m : measurements) {
        for (SplineTap& tap : m.tap) {
            if (still[tap.frame] != 0) tap.factor = {};
        }
    }
}

FrameFields bounded_fields(const SplineGrid& grid, const std::vector<double>& coefficients,
                           double limit_px) {
    FrameFields fields;
    fields.shift_grid = grid;
    const size_t n = grid.size();
    fields.dx.resize(n);
    fields.dy.resize(n);
    // Rounding to float may not lengthen it beyond the limit.
    const double limit = limit_px * (1 - 1e-6);
    for (size_t i = 0; i < n; ++i) {
        const double x = coefficients[i];
        const double y = coefficients[n + i];
        const double length = std::hypot(x, y);
        const double share = length > limit ? limit / length : 1;
        fields.dx[i] = static_cast<float>(x * share);
        fields.dy[i] = static_cast<float>(y * share);
    }
    return fields;
}

void fill_report(const std::vector<SplineMeasurement>& measurements,
                 const std::vector<double>& belief, const std::vector<SplineGrid>& grids,
                 const std::vector<FrameFields>& fields, ShiftReport& report) {
    std::vector<std::vector<double>> final_coefficients(fields.size());
    for (size_t f = 0; f < fields.size(); ++f) {
        auto& c = final_coefficients[f];
        c.assign(2 * grids[f].size(), 0);
        std::copy(fields[f].dx.begin(), fields[f].dx.end(), c.begin());
        std::copy(fields[f].dy.begin(), fields[f].dy.end(),
                  c.begin() + static_cast<ptrdiff_t>(fields[f].moves() ? grids[f].size() : 0));
        if (fields[f].moves()) ++report.frames;
    }
    double before = 0;
    double after = 0;
    std::vector<std::pair<uint32_t, uint32_t>> pairs;
    for (size_t m = 0; m < measurements.size(); ++m) {
        if (belief[m] < kLeastBelief) continue;
        const SplineMeasurement& one = measurements[m];
        const auto left = residuals(one, grids, final_coefficients);
        for (size_t e = 0; e < static_cast<size_t>(one.equations); ++e) {
            before += one.target[e] * one.target[e];
            after += left[e] * left[e];
        }
        ++report.points;
        pairs.emplace_back(one.tap[0].frame, one.tap[1].frame);
    }
    std::sort(pairs.begin(), pairs.end());
    report.pairs = static_cast<size_t>(std::unique(pairs.begin(), pairs.end()) - pairs.begin());
    if (report.points > 0) {
        report.rms_before_px = std::sqrt(before / static_cast<double>(report.points));
        report.rms_after_px = std::sqrt(after / static_cast<double>(report.points));
    }
}

}  // namespace

std::vector<FrameFields> solve_shifts(const PatchLattice& lattice,
                                      const std::vector<FrameGeometry>& frames,
                                      const PatchSource& patches, double limit_px, int threads,
                                      ShiftReport* report) {
    assert(lattice.points.size() == frames.size());
    std::vector<FrameFields> fields(frames.size());
    if (report != nullptr) *report = {};
    if (!(limit_px > 0)) return fields;

    std::vector<PairMatches> pairs = shared_points(lattice, frames);
    // Both frames of a pair may be moved by the limit.
    match(lattice, patches, 2 * limit_px, threads, pairs);

    SplineProblem problem;
    problem.components = 2;
    for (const FrameGeometry& g : frames) problem.grids.push_back(grid_for(g));
    problem.measurements = measurements_of(lattice, frames, problem.grids, pairs);
    pairs = {};
    problem.pull = 1 / (kUsualShift * kUsualShift);
    problem.level_pull = problem.pull;
    problem.smooth = kSmooth;
    problem.outlier = kOutlier;
    problem.negligible = kNegligible;

    std::vector<char> still(frames.size(), 0);
    const auto hold_poor = [&](const std::vector<double>* belief) {
        const auto count = count_matches(problem.measurements, belief, frames.size());
        bool more = false;
        for (size_t f = 0; f < frames.size(); ++f) {
            if (still[f] == 0 && count[f] < kLeastMatches) {
                still[f] = 1;
                more = more || count[f] > 0 || belief != nullptr;
            }
        }
        if (more) hold_still(still, problem.measurements);
        return more;
    };
    hold_poor(nullptr);
    SplineSolution solution = solve_splines(problem, threads);
    if (hold_poor(&solution.belief)) solution = solve_splines(problem, threads);
    for (size_t f = 0; f < frames.size(); ++f) {
        if (still[f] == 0) {
            fields[f] = bounded_fields(problem.grids[f], solution.coefficients[f], limit_px);
        }
    }
    if (report != nullptr) {
        fill_report(problem.measurements, solution.belief, problem.grids, fields, *report);
    }
    return fields;
}

}  // namespace broadloom
