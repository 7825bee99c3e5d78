#include "align/head_model.hpp"

#include <ceres/ceres.h>
#include <ceres/rotation.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <memory>

#include "align/level.hpp"
#include "align/quiet_log.hpp"
#include "base/median.hpp"
#include "scene/rotation_math.hpp"

namespace broadloom {

namespace {

/// No head repeats better than this, and a few frames may agree by chance.
constexpr double kLeastSigma = 0.02 * kRadPerDeg;
/// What a head is taken to repeat to where too few frames tell.
constexpr double kUsualSigma = 0.3 * kRadPerDeg;
/// With fewer frames their spread says little.
constexpr size_t kFramesForSigma = 6;

/// A frame's nominal angles and which way the head came to them.
struct Place {
    double yaw = 0, pitch = 0, roll = 0;  ///< radians
    double yaw_way = 0, pitch_way = 0;    ///< -1, 0, 1
    double* column = nullptr;
    double* row = nullptr;
};

enum Common : size_t { kYawScale, kPitchScale, kPitchZero, kRoll, kSide, kYawBack, kPitchBack };
constexpr size_t kCommon = 7;

template <typename T>
void angles_of(const Place& place, const T* common, const T& column, const T& row, T& yaw,
               T& pitch) {
    yaw = ceres::exp(common[kYawScale]) * place.yaw + column + common[kYawBack] * place.yaw_way;
    pitch = ceres::exp(common[kPitchScale]) * place.pitch + common[kPitchZero] + row +
            common[kPitchBack] * place.pitch_way;
}

/// Ry(yaw) Rx(pitch) Rz(roll) Ry(side), row by row.
template <typename T>
void head_matrix(const T& yaw, const T& pitch, const T& roll, const T& side, T* m) {
    using std::cos;
    using std::sin;
    const T cy = cos(yaw), sy = sin(yaw), cp = cos(pitch), sp = sin(pitch), cr = cos(roll),
            sr = sin(roll), cs = cos(side), ss = sin(side);
    const T base[9] = {
        cy * cr + sy * sp * sr,  -cy * sr + sy * sp * cr, sy * cp, cp * sr, cp * cr, -sp,
        -sy * cr + cy * sp * sr, sy * sr + cy * sp * cr,  cy * cp};
    for (size_t i = 0; i < 3; ++i) {
        m[3 * i] = base[3 * i] * cs - base[3 * i + 2] * ss;
        m[3 * i + 1] = base[3 * i + 1];
        m[3 * i + 2] = base[3 * i] * ss + base[3 * i + 2] * cs;
    }
}

/// The turn from the model to the solved rotation, about the camera's axes, over sigma.
struct FrameMiss {
    Place place;
    Rotation solved;       ///< in the group's system
    Rotation group_start;  ///< head from group; `turn` is put before it
    std::array<double, 3> sigma;

    template <typename T>
    bool operator()(const T* turn, const T* common, const T* column, const T* row,
                    T* residual) const {
        T yaw;
        T pitch;
        angles_of(place, common, *column, *row, yaw, pitch);
        T model[9];
        head_matrix(yaw, pitch, common[kRoll] + T(place.roll), common[kSide], model);
        const Rotation there = group_start * solved;
        T turned[9];
        T move[9];
        ceres::AngleAxisToRotationMatrix(turn, ceres::RowMajorAdapter3x3(move));
        for (size_t i = 0; i < 3; ++i) {
            for (size_t j = 0; j < 3; ++j) {
                turned[3 * i + j] = move[3 * i] * there.m[0][j] + move[3 * i + 1] * there.m[1][j] +
                                    move[3 * i + 2] * there.m[2][j];
            }
        }
        T off[9];  // model^T turned, column by column
        for (size_t i = 0; i < 3; ++i) {
            for (size_t j = 0; j < 3; ++j) {
                off[i + 3 * j] = model[i] * turned[j] + model[3 + i] * turned[3 + j] +
                                 model[6 + i] * turned[6 + j];
            }
        }
        ceres::RotationMatrixToAngleAxis(off, residual);
        for (size_t i = 0; i < 3; ++i) residual[i] /= T(sigma[i]);
        return true;
    }
};

/// Numbers expected near zero.
class NearZero final : public ceres::CostFunction {
  public:
    explicit NearZero(std::vector<double> sigma) : sigma_(std::move(sigma)) {
        set_num_residuals(static_cast<int>(sigma_.size()));
        mutable_parameter_block_sizes()->push_back(static_cast<int>(sigma_.size()));
    }
    bool Evaluate(double const* const* parameters, double* residuals,
                  double** jacobians) const override {
        const size_t n = sigma_.size();
        for (size_t i = 0; i < n; ++i) residuals[i] = parameters[0][i] / sigma_[i];
        if (jacobians != nullptr && jacobians[0] != nullptr) {
            std::fill_n(jacobians[0], n * n, 0.0);
            for (size_t i = 0; i < n; ++i) jacobians[0][i * n + i] = 1 / sigma_[i];
        }
        return true;
    }

  private:
    std::vector<double> sigma_;
};

int sign_of(double change) {
    constexpr double kMoved = 1e-6;
    return change > kMoved ? 1 : change < -kMoved ? -1 : 0;
}

/// Everything that the fit changes.
class HeadFit {
  public:
    HeadFit(std::span<const HeadFrame> frames, bool wraps) : frames_(frames), wraps_(wraps) {
        places_.resize(frames.size());
        const HeadFrame* before = nullptr;
        double yaw_before = 0;
        double pitch_before = 0;
        double yaw_way = 0;
        double pitch_way = 0;
        for (size_t i = 0; i < frames.size(); ++i) {
            if (!frames[i].nominal) continue;
            const YawPitchRoll angles = yaw_pitch_roll(*frames[i].nominal);
            Place& place = places_[i];
            place.yaw = angles.yaw_deg * kRadPerDeg;
            place.pitch = angles.pitch_deg * kRadPerDeg;
            place.roll = angles.roll_deg * kRadPerDeg;
            if (before != nullptr) {
                // An axis that rests keeps the slack of its last move.
                const int yaw = sign_of(std::remainder(place.yaw - yaw_before, 2 * kPi));
                const int pitch = sign_of(place.pitch - pitch_before);
                if (yaw != 0) yaw_way = yaw;
                if (pitch != 0) pitch_way = pitch;
            }
            place.yaw_way = yaw_way;
            place.pitch_way = pitch_way;
            before = &frames[i];
            yaw_before = place.yaw;
            pitch_before = place.pitch;
            groups_ = std::max(groups_, frames[i].group + 1);
        }
        // std::map keeps its values where they are: the blocks point into it.
        for (size_t i = 0; i < frames.size(); ++i) {
            places_[i].column = frames[i].column ? &column_[*frames[i].column] : &no_column_;
            places_[i].row = frames[i].row ? &row_[*frames[i].row] : &no_row_;
        }
        turn_.assign(groups_, {0, 0, 0});
        start_.resize(groups_);
    }

    bool start();
    void solve(double loss_width);
    HeadModel result() const;
    void measure_sigma();

  private:
    [[nodiscard]] bool usable(size_t i) const { return frames_[i].nominal && frames_[i].solved; }
    [[nodiscard]] Rotation model(size_t i) const;
    [[nodiscard]] Rotation head_from_group(size_t g) const {
        return orthonormalised(rotation_exp({turn_[g][0], turn_[g][1], turn_[g][2]}) * *start_[g]);
    }
    void start_scales();

    std::span<const HeadFrame> frames_;
    bool wraps_;
    size_t groups_ = 0;
    std::vector<Place> places_;
    std::map<int64_t, double> column_, row_;
    double no_column_ = 0, no_row_ = 0;
    std::array<double, kCommon> common_{};
    std::vector<std::array<double, 3>> turn_;
    std::vector<std::optional<Rotation>> start_;
    std::array<double, 3> sigma_{kUsualSigma, kUsualSigma, kUsualSigma};
    size_t held_ = 0;
};

Rotation HeadFit::model(size_t i) const {
    double yaw = 0;
    double pitch = 0;
    angles_of(places_[i], common_.data(), *places_[i].column, *places_[i].row, yaw, pitch);
    double m[9];
    head_matrix(yaw, pitch, common_[kRoll] + places_[i].roll, common_[kSide], m);
    Rotation out;
    for (size_t k = 0; k < 9; ++k) out.m[k / 3][k % 3] = m[k];
    return out;
}

/// How much longer the true steps are than the nominal ones, by the median over pairs that differ
/// in one of the two angles only.
void HeadFit::start_scales() {
    std::vector<double> yaw;
    std::vector<double> pitch;
    for (size_t i = 0; i < frames_.size(); ++i) {
        if (!usable(i)) continue;
        size_t pairs = 0;
        for (size_t j = i + 1; j < frames_.size() && pairs < 40; ++j) {
            if (!usable(j) || frames_[i].group != frames_[j].group) continue;
            const double across = std::remainder(places_[j].yaw - places_[i].yaw, 2 * kPi);
            const double up = places_[j].pitch - places_[i].pitch;
            if ((std::abs(across) > 1e-4) == (std::abs(up) > 1e-4)) continue;
            const double nominal =
                angle_between(frames_[i].nominal->axis(), frames_[j].nominal->axis());
            const double found =
                angle_between(frames_[i].solved->axis(), frames_[j].solved->axis());
            if (nominal < 1e-3 || nominal > 1.2) continue;
            (std::abs(up) > 1e-4 ? pitch : yaw)
                .push_back(std::log(std::max(found, 1e-6) / nominal));
            ++pairs;
        }
    }
    const auto within = [](double value) { return std::clamp(value, -0.7, 0.7); };
    if (!yaw.empty() && !wraps_) common_[kYawScale] = within(upper_median(yaw));
    if (!pitch.empty()) common_[kPitchScale] = within(upper_median(pitch));
    if (pitch.empty() && !wraps_) common_[kPitchScale] = common_[kYawScale];
}

bool HeadFit::start() {
    std::vector<size_t> count(groups_, 0);
    for (size_t i = 0; i < frames_.size(); ++i) {
        if (usable(i)) ++count[frames_[i].group];
    }
    if (count.empty() || *std::max_element(count.begin(), count.end()) < 2) return false;
    start_scales();
    for (size_t g = 0; g < groups_; ++g) {
        std::vector<Rotation> heads;
        for (size_t i = 0; i < frames_.size(); ++i) {
            if (usable(i) && frames_[i].group == g) {
                heads.push_back(model(i) * frames_[i].solved->inverse());
            }
        }
        if (!heads.empty()) start_[g] = median_rotation(heads);
    }
    return true;
}

void HeadFit::solve(double loss_width) {
    ceres::Problem problem;
    held_ = 0;
    bool yaw_both[2] = {false, false};
    bool pitch_both[2] = {false, false};
    for (size_t i = 0; i < frames_.size(); ++i) {
        if (!usable(i)) continue;
        ++held_;
        const size_t g = frames_[i].group;
        auto miss = std::make_unique<ceres::AutoDiffCostFunction<FrameMiss, 3, 3, kCommon, 1, 1>>(
            new FrameMiss{places_[i], *frames_[i].solved, *start_[g], sigma_});
        problem.AddResidualBlock(miss.release(), new ceres::CauchyLoss(loss_width), turn_[g].data(),
                                 common_.data(), places_[i].column, places_[i].row);
        if (places_[i].yaw_way != 0) yaw_both[places_[i].yaw_way > 0 ? 1 : 0] = true;
        if (places_[i].pitch_way != 0) pitch_both[places_[i].pitch_way > 0 ? 1 : 0] = true;
    }
    const double degree = kRadPerDeg;
    const double scale = 0.3;
    // One direction only: backlash cannot be told from the zero.
    const double yaw_back = yaw_both[0] && yaw_both[1] ? 0.3 * degree : 1e-9;
    const double pitch_back = pitch_both[0] && pitch_both[1] ? 0.3 * degree : 1e-9;
    problem.AddResidualBlock(new NearZero({wraps_ ? 0.002 : scale, scale, 5 * degree, 1 * degree,
                                           0.5 * degree, yaw_back, pitch_back}),
                             nullptr, common_.data());
    // What one row or column adds is believed as far as several of its frames agree.
    const auto each = [&](std::map<int64_t, double>& values, double sigma) {
        for (auto& [index, value] : values) {
            if (problem.HasParameterBlock(&value)) {
                problem.AddResidualBlock(new NearZero({sigma / 2}), nullptr, &value);
            }
        }
    };
    each(column_, sigma_[1]);
    each(row_, sigma_[0]);
    for (double* none : {&no_column_, &no_row_}) {
        if (problem.HasParameterBlock(none)) problem.SetParameterBlockConstant(none);
    }
    ceres::Solver::Options options;
    options.linear_solver_type = ceres::SPARSE_NORMAL_CHOLESKY;
    options.sparse_linear_algebra_library_type = ceres::EIGEN_SPARSE;
    options.num_threads = 1;
    options.max_num_iterations = 60;
    options.function_tolerance = 1e-9;
    options.logging_type = ceres::SILENT;
    ceres::Solver::Summary summary;
    ceres::Solve(options, &problem, &summary);
}

void HeadFit::measure_sigma() {
    std::array<std::vector<double>, 3> off;
    for (size_t i = 0; i < frames_.size(); ++i) {
        if (!usable(i)) continue;
        const Vec3 turn = rotation_log(model(i).inverse() * head_from_group(frames_[i].group) *
                                       *frames_[i].solved);
        off[0].push_back(std::abs(turn.x));
        off[1].push_back(std::abs(turn.y));
        off[2].push_back(std::abs(turn.z));
    }
    for (size_t k = 0; k < 3; ++k) {
        // 1.4826 times the median of the sizes is the standard deviation of normal deviates.
        const double least = off[k].size() < kFramesForSigma ? kUsualSigma : kLeastSigma;
        sigma_[k] = std::max(1.4826 * upper_median(off[k]), least);
    }
}

HeadModel HeadFit::result() const {
    HeadModel out;
    out.predicted.resize(frames_.size());
    for (size_t i = 0; i < frames_.size(); ++i) {
        if (frames_[i].nominal) out.predicted[i] = model(i);
    }
    out.head_from_group.resize(groups_);
    for (size_t g = 0; g < groups_; ++g) {
        if (start_[g]) out.head_from_group[g] = head_from_group(g);
    }
    out.sigma_rad = sigma_;
    out.yaw_scale = std::exp(common_[kYawScale]);
    out.pitch_scale = std::exp(common_[kPitchScale]);
    out.yaw_backlash_rad = common_[kYawBack];
    out.pitch_backlash_rad = common_[kPitchBack];
    out.roll_rad = common_[kRoll];
    out.held = held_;
    return out;
}

}  // namespace

std::optional<HeadModel> fit_head(std::span<const HeadFrame> frames, bool wraps) {
    const QuietLog quiet;
    HeadFit fit(frames, wraps);
    if (!fit.start()) return std::nullopt;
    // Wide first, while the scales are only guessed.
    fit.solve(10);
    for (int round = 0; round < 3; ++round) {
        fit.measure_sigma();
        fit.solve(2.4);
    }
    fit.measure_sigma();
    return fit.result();
}

std::vector<std::optional<Rotation>> nominal_places(
    std::span<const std::pair<std::optional<int64_t>, std::optional<int64_t>>> cells,
    double column_step_deg, double row_step_deg) {
    int64_t rows = 0;
    int64_t columns = 0;
    for (const auto& [row, column] : cells) {
        if (row) rows = std::max(rows, *row + 1);
        if (column) columns = std::max(columns, *column + 1);
    }
    std::vector<std::optional<Rotation>> out(cells.size());
    for (size_t i = 0; i < cells.size(); ++i) {
        const auto& [row, column] = cells[i];
        if (!row || !column) continue;
        const double yaw = (*column - (columns - 1) / 2.0) * column_step_deg;
        const double pitch = ((rows - 1) / 2.0 - *row) * row_step_deg;
        out[i] = Rotation::from_yaw_pitch_roll_deg(yaw, pitch, 0);
    }
    return out;
}

}  // namespace broadloom
