/// Unknowns: log gain of each frame and channel, v2 v4 v6 of each camera. With one robust weight a
/// sample, common to its channels, a rotation of the colour axes takes the problem apart: the
/// brightness (mean of the channels' logs) with the vignetting, and two colour differences that
/// share one matrix and know no vignetting. All three are linear but for log V.
#include "align/photometric_solve.hpp"

#include <Eigen/Dense>
#include <Eigen/SparseCholesky>
#include <Eigen/SparseCore>
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <tuple>

#include "base/median.hpp"

namespace broadloom {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;
using SparseMatrix = Eigen::SparseMatrix<double>;
using Three = std::array<double, 3>;

constexpr double kLn2 = 0.6931471805599453;

// A fifth: half a stop of brightness, a tenth of a stop of colour. White balance is locked for the
// set, so colour moves between frames only as the light itself does.
constexpr double kColourShare = 0.2;
// Second difference of the drift from frame to frame, as a share of the prior: 0.02 of 0.5 stops.
// The drift then follows what lasts longer than about (1 / 0.04)^(1/2) = 5 frames.
constexpr double kBendShare = 0.04;
// The drift itself, as a multiple of the prior: holds only what nothing else does.
constexpr double kDriftShare = 8;
// Lenses lose up to a few tenths at the corner; higher orders less.
constexpr Three kVignettingSigma{0.3, 0.2, 0.1};
constexpr double kLeastCurve = 0.1, kMostCurve = 1.2;
constexpr int kCurvePoints = 40;
// Below this the errors of samples are common to a frame (flare, tone curve) and more of them do
// not help.
constexpr double kLeastSigma = 0.003;

/// One sample, ready to be solved: logs of the ratio a / b.
struct Row {
    size_t a = 0, b = 0;
    size_t camera_a = 0, camera_b = 0;
    Three power_a{}, power_b{};  ///< r^2, r^4, r^6
    Three ratio{};               ///< brightness (mean of the channels), two colour differences
    double weight = 1;
    double robust = 1;
};

Three to_colour_axes(const Three& rgb) {
    return {(rgb[0] + rgb[1] + rgb[2]) / 3, (rgb[0] - rgb[1]) / std::sqrt(2.0),
            (rgb[0] + rgb[1] - 2 * rgb[2]) / std::sqrt(6.0)};
}

Three from_colour_axes(const Three& axes) {
    const double one = axes[1] / std::sqrt(2.0);
    const double two = axes[2] / std::sqrt(6.0);
    return {axes[0] + one + two, axes[0] - one + two, axes[0] - 2 * two};
}

Three powers(double radius) {
    const double r2 = radius * radius;
    return {r2, r2 * r2, r2 * r2 * r2};
}

double curve(const Three& v, const Three& power) {
    return 1 + v[0] * power[0] + v[1] * power[1] + v[2] * power[2];
}

bool usable(const PhotometricSample& sample, size_t frames) {
    if (sample.a >= frames || sample.b >= frames || sample.a == sample.b) return false;
    for (size_t c = 0; c < 3; ++c)
        if (!(sample.value_a[c] > 0 && sample.value_b[c] > 0)) return false;
    return sample.weight > 0;
}

/// In an order that depends on the samples alone, so that sums do not depend on who came first.
std::vector<PhotometricSample> in_order(const PhotometricInput& input) {
    std::vector<PhotometricSample> samples;
    samples.reserve(input.samples.size());
    for (const PhotometricSample& sample : input.samples)
        if (usable(sample, input.frames)) samples.push_back(sample);
    const auto key = [](const PhotometricSample& s) {
        return std::tie(s.a, s.b, s.radius_a, s.radius_b, s.value_a, s.value_b, s.weight);
    };
    std::sort(
        samples.begin(), samples.end(),
        [&](const PhotometricSample& s, const PhotometricSample& t) { return key(s) < key(t); });
    return samples;
}

class Solver {
  public:
    explicit Solver(const PhotometricInput& input)
        : input_(input),
          samples_(in_order(input)),
          unknowns_(static_cast<Eigen::Index>(input.drift ? 2 * input.frames : input.frames)),
          axes_(input.frames, Three{}),
          vignetting_(input.cameras, Three{}),
          sampled_(input.frames, false) {
        rows_.reserve(samples_.size());
        for (const PhotometricSample& s : samples_) {
            Row row;
            row.a = s.a;
            row.b = s.b;
            row.camera_a = input.camera_of_frame[s.a];
            row.camera_b = input.camera_of_frame[s.b];
            row.power_a = powers(static_cast<double>(s.radius_a));
            row.power_b = powers(static_cast<double>(s.radius_b));
            Three logs{};
            for (size_t c = 0; c < 3; ++c)
                logs[c] = std::log(static_cast<double>(s.value_a[c])) -
                          std::log(static_cast<double>(s.value_b[c]));
            row.ratio = to_colour_axes(logs);
            row.weight = static_cast<double>(s.weight);
            rows_.push_back(row);
            sampled_[s.a] = sampled_[s.b] = true;
            reach_ = std::max(
                {reach_, static_cast<double>(s.radius_a), static_cast<double>(s.radius_b)});
        }
        for (size_t i = 0; i < rows_.size(); ++i)
            if (i == 0 || rows_[i].a != rows_[i - 1].a || rows_[i].b != rows_[i - 1].b)
                pair_starts_.push_back(i);
        pair_starts_.push_back(rows_.size());
    }

    PhotometricResult run() {
        PhotometricResult result;
        result.spread_before_stops = spread();
        if (!rows_.empty()) iterate();
        keep_curves_in_range();
        centre();
        result.spread_after_stops = spread();
        for (const Three& axes : axes_) {
            Three gain = from_colour_axes(axes);
            for (double& g : gain) g = std::exp(g);
            result.gains.push_back(gain);
        }
        result.vignetting = vignetting_;
        return result;
    }

  private:
    /// Powers of the radii at which curves are watched, 1 .. kCurvePoints.
    [[nodiscard]] Three curve_point(int point) const {
        return powers(reach_ * static_cast<double>(point) / kCurvePoints);
    }

    [[nodiscard]] size_t pairs() const { return pair_starts_.size() - 1; }

    /// What remains of the brightness and of the colours, a over b.
    [[nodiscard]] Three residual(const Row& row) const {
        Three e{};
        for (size_t k = 0; k < 3; ++k) e[k] = row.ratio[k] + axes_[row.a][k] - axes_[row.b][k];
        e[0] += std::log(curve(vignetting_[row.camera_b], row.power_b)) -
                std::log(curve(vignetting_[row.camera_a], row.power_a));
        return e;
    }

    void iterate() {
        // Huber's loss is convex and comes near from anywhere; the redescending one then frees the
        // result from what moved. The scale stands still at the end so that the steps die out.
        constexpr int kConvex = 12, kScale = 24, kMost = 80;
        constexpr double kSmallStep = 1e-8;
        double sigma = 0;
        std::vector<double> sizes(rows_.size());
        std::vector<double> sorted;
        for (int iteration = 0; iteration < kMost; ++iteration) {
            for (size_t i = 0; i < rows_.size(); ++i) {
                const Three e = residual(rows_[i]);
                sizes[i] =
                    std::sqrt(rows_[i].weight * (3 * e[0] * e[0] + e[1] * e[1] + e[2] * e[2]) / 3);
            }
            if (iteration < kScale) {
                sorted = sizes;
                // The median of the root mean square of three normal deviates is 0.888 sigma
                // (chi-square with 3 degrees of freedom: median 2.366).
                sigma = std::max(kLeastSigma, upper_median(sorted) / 0.888);
            }
            for (size_t i = 0; i < rows_.size(); ++i) {
                const double z = sizes[i] / sigma;
                if (iteration < kConvex) {
                    rows_[i].robust = z <= 1.345 ? 1 : 1.345 / z;  // Huber 1964
                } else {
                    const double t = 1 + z * z / 9;  // Geman & McClure 1987, from memory
                    rows_[i].robust = 1 / (t * t);
                }
            }
            const double step = std::max(solve_brightness(sigma), solve_colours(sigma));
            if (iteration >= kScale && step < kSmallStep) break;
        }
    }

    /// The matrix of one axis: the pairs' weights between gains, the prior, the drift.
    /// Unknowns: the frames' logs, then with drift the drift at each frame.
    [[nodiscard]] SparseMatrix gain_matrix(const std::vector<double>& pair_weights,
                                           double prior) const {
        using Entry = Eigen::Triplet<double>;
        std::vector<Entry> entries;
        // Squares of differences: weight * (sum of factor * unknown)^2.
        const auto add = [&](double weight, std::initializer_list<std::pair<size_t, double>> sum) {
            for (const auto& [i, f] : sum)
                for (const auto& [j, g] : sum)
                    entries.emplace_back(static_cast<int>(i), static_cast<int>(j), weight * f * g);
        };
        for (size_t p = 0; p < pairs(); ++p) {
            const Row& row = rows_[pair_starts_[p]];
            add(pair_weights[p], {{row.a, 1.0}, {row.b, -1.0}});
        }
        const size_t n = input_.frames;
        const double hold = 1 / (prior * prior);
        const double bend = hold / (kBendShare * kBendShare);
        for (size_t i = 0; i < n; ++i) {
            if (!input_.drift) {
                add(hold, {{i, 1.0}});
                continue;
            }
            add(hold, {{i, 1.0}, {n + i, -1.0}});
            add(hold / (kDriftShare * kDriftShare), {{n + i, 1.0}});
            if (i >= 1 && i + 1 < n) add(bend, {{n + i - 1, 1.0}, {n + i, -2.0}, {n + i + 1, 1.0}});
        }
        SparseMatrix matrix(unknowns_, unknowns_);
        matrix.setFromTriplets(entries.begin(), entries.end());
        return matrix;
    }

    [[nodiscard]] std::vector<double> pair_weights(double scale) const {
        std::vector<double> weights(pairs(), 0);
        for (size_t p = 0; p < pairs(); ++p)
            for (size_t i = pair_starts_[p]; i < pair_starts_[p + 1]; ++i)
                weights[p] += scale * rows_[i].weight * rows_[i].robust;
        return weights;
    }

    /// Takes axis k of the gains from `solution`; the largest change.
    double take_gains(const VectorXd& solution, size_t k) {
        double largest = 0;
        for (size_t i = 0; i < input_.frames; ++i) {
            const double value = solution(static_cast<Eigen::Index>(i));
            largest = std::max(largest, std::abs(value - axes_[i][k]));
            axes_[i][k] = value;
        }
        return largest;
    }

    double solve_colours(double sigma) {
        const double scale = 1 / (sigma * sigma);
        const SparseMatrix matrix =
            gain_matrix(pair_weights(scale), kColourShare * input_.prior_stops * kLn2);
        const Eigen::SimplicialLDLT<SparseMatrix> factors(matrix);
        double largest = 0;
        for (size_t k = 1; k < 3; ++k) {
            VectorXd right = VectorXd::Zero(unknowns_);
            for (const Row& row : rows_) {
                const double pull = scale * row.weight * row.robust * row.ratio[k];
                right(static_cast<Eigen::Index>(row.a)) -= pull;
                right(static_cast<Eigen::Index>(row.b)) += pull;
            }
            largest = std::max(largest, take_gains(factors.solve(right), k));
        }
        return largest;
    }

    /// Gains and a step of the vignetting together (Gauss-Newton): the sparse block of the gains is
    /// eliminated, which leaves three unknowns a camera.
    double solve_brightness(double sigma) {
        // The mean of three channels stands for three residuals.
        const double scale = 3 / (sigma * sigma);
        const auto v_count = static_cast<Eigen::Index>(3 * input_.cameras);
        MatrixXd mixed = MatrixXd::Zero(unknowns_, v_count);
        MatrixXd curves = MatrixXd::Zero(v_count, v_count);
        VectorXd right_gains = VectorXd::Zero(unknowns_);
        VectorXd right_curves = VectorXd::Zero(v_count);
        for (const Row& row : rows_) {
            const double w = scale * row.weight * row.robust;
            const double value_a = curve(vignetting_[row.camera_a], row.power_a);
            const double value_b = curve(vignetting_[row.camera_b], row.power_b);
            const double e = row.ratio[0] + std::log(value_b) - std::log(value_a);
            std::array<std::pair<Eigen::Index, double>, 6> slopes;
            for (size_t k = 0; k < 3; ++k) {
                slopes[k] = {static_cast<Eigen::Index>(3 * row.camera_a + k),
                             -row.power_a[k] / value_a};
                slopes[3 + k] = {static_cast<Eigen::Index>(3 * row.camera_b + k),
                                 row.power_b[k] / value_b};
            }
            const auto a = static_cast<Eigen::Index>(row.a);
            const auto b = static_cast<Eigen::Index>(row.b);
            right_gains(a) -= w * e;
            right_gains(b) += w * e;
            for (const auto& [i, f] : slopes) {
                mixed(a, i) += w * f;
                mixed(b, i) -= w * f;
                right_curves(i) -= w * f * e;
                for (const auto& [j, g] : slopes) curves(i, j) += w * f * g;
            }
        }
        add_curve_priors(curves, right_curves);
        const SparseMatrix matrix = gain_matrix(pair_weights(scale), input_.prior_stops * kLn2);
        const Eigen::SimplicialLDLT<SparseMatrix> factors(matrix);
        VectorXd step = VectorXd::Zero(v_count);
        if (input_.vignetting) {
            const MatrixXd eliminated = factors.solve(mixed);
            const MatrixXd rest = curves - mixed.transpose() * eliminated;
            const VectorXd right = right_curves - eliminated.transpose() * right_gains;
            step = rest.ldlt().solve(right);
        }
        const double curve_step = take_curve_step(step);
        // With the step as taken, which may be a shortened one.
        const VectorXd gains = factors.solve(right_gains - mixed * step);
        return std::max(take_gains(gains, 0), curve_step);
    }

    /// Weakly to no vignetting, and firmly back where the curve leaves its range.
    void add_curve_priors(MatrixXd& curves, VectorXd& right) const {
        for (size_t camera = 0; camera < input_.cameras; ++camera) {
            const Three& v = vignetting_[camera];
            for (size_t k = 0; k < 3; ++k) {
                const auto i = static_cast<Eigen::Index>(3 * camera + k);
                const double hold = 1 / (kVignettingSigma[k] * kVignettingSigma[k]);
                curves(i, i) += hold;
                right(i) -= hold * v[k];
            }
            for (int point = 1; point <= kCurvePoints; ++point) {
                const Three power = curve_point(point);
                const double value = curve(v, power);
                const double beyond = value - std::clamp(value, kLeastCurve, kMostCurve);
                if (beyond == 0) continue;
                constexpr double kFirm = 1e8;
                for (size_t k = 0; k < 3; ++k) {
                    const auto i = static_cast<Eigen::Index>(3 * camera + k);
                    right(i) -= kFirm * power[k] * beyond;
                    for (size_t l = 0; l < 3; ++l)
                        curves(i, static_cast<Eigen::Index>(3 * camera + l)) +=
                            kFirm * power[k] * power[l];
                }
            }
        }
    }

    /// Applies the step of the curves, shortened (all of them, `step` with them) so far that each
    /// stays well above zero; the largest change of a curve at the corner.
    double take_curve_step(VectorXd& step) {
        const auto stays_positive = [&](double share) {
            for (size_t camera = 0; camera < input_.cameras; ++camera) {
                Three v = vignetting_[camera];
                for (size_t k = 0; k < 3; ++k)
                    v[k] += share * step(static_cast<Eigen::Index>(3 * camera + k));
                for (int point = 1; point <= kCurvePoints; ++point)
                    if (curve(v, curve_point(point)) < kLeastCurve / 2) return false;
            }
            return true;
        };
        double share = 1;
        while (share > 1e-6 && !stays_positive(share)) share /= 2;
        if (share <= 1e-6) share = 0;
        step *= share;
        double largest = 0;
        for (size_t camera = 0; camera < input_.cameras; ++camera) {
            double change = 0;
            for (size_t k = 0; k < 3; ++k) {
                const double part = step(static_cast<Eigen::Index>(3 * camera + k));
                vignetting_[camera][k] += part;
                change += part;
            }
            largest = std::max(largest, std::abs(change));
        }
        return largest;
    }

    /// The curves within range are a convex set that holds "none", so scaling comes inside.
    void keep_curves_in_range() {
        for (Three& v : vignetting_) {
            double share = 1;
            for (int point = 1; point <= kCurvePoints; ++point) {
                const double rise = curve(v, curve_point(point)) - 1;
                if (rise > kMostCurve - 1) share = std::min(share, (kMostCurve - 1) / rise);
                if (rise < kLeastCurve - 1) share = std::min(share, (kLeastCurve - 1) / rise);
            }
            for (double& coefficient : v) coefficient *= share;
        }
    }

    /// Geometric mean 1. Without drift frames without samples keep 1: the others centre about it.
    void centre() {
        for (size_t k = 0; k < 3; ++k) {
            double sum = 0;
            size_t count = 0;
            for (size_t i = 0; i < input_.frames; ++i) {
                if (!input_.drift && !sampled_[i]) continue;
                sum += axes_[i][k];
                ++count;
            }
            for (size_t i = 0; i < input_.frames; ++i)
                if (input_.drift || sampled_[i]) axes_[i][k] -= sum / static_cast<double>(count);
        }
    }

    /// With the gains and curves as they are now.
    [[nodiscard]] double spread() const {
        const auto luminance = [&](const std::array<float, 3>& value, size_t frame,
                                   const Three& power) {
            // ITU-R BT.709.
            constexpr Three kShares{0.2126, 0.7152, 0.0722};
            const Three logs = from_colour_axes(axes_[frame]);
            double sum = 0;
            for (size_t c = 0; c < 3; ++c)
                sum += kShares[c] * static_cast<double>(value[c]) * std::exp(logs[c]);
            return sum / curve(vignetting_[input_.camera_of_frame[frame]], power);
        };
        std::vector<double> medians;
        std::vector<double> ratios;
        for (size_t p = 0; p < pairs(); ++p) {
            ratios.clear();
            for (size_t i = pair_starts_[p]; i < pair_starts_[p + 1]; ++i)
                ratios.push_back(
                    std::log2(luminance(samples_[i].value_a, rows_[i].a, rows_[i].power_a) /
                              luminance(samples_[i].value_b, rows_[i].b, rows_[i].power_b)));
            medians.push_back(std::abs(upper_median(ratios)));
        }
        return upper_median(medians);
    }

    const PhotometricInput& input_;
    std::vector<PhotometricSample> samples_;
    std::vector<Row> rows_;
    std::vector<size_t> pair_starts_;  ///< and the end
    Eigen::Index unknowns_;
    std::vector<Three> axes_;  ///< each frame's log gain on the colour axes
    std::vector<Three> vignetting_;
    std::vector<bool> sampled_;
    /// The largest radius in sight: beyond 1 when the principal point is off the middle.
    double reach_ = 1;
};

}  // namespace

PhotometricResult solve_photometry(const PhotometricInput& input) { return Solver(input).run(); }

}  // namespace broadloom
