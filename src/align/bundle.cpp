#include "align/bundle.hpp"

#include <ceres/ceres.h>

#include <algorithm>
#include <cmath>
#include <csignal>
#include <limits>
#include <memory>

#include "align/bundle_costs.hpp"
#include "align/lens_derivatives.hpp"
#include "align/quiet_log.hpp"
#include "base/median.hpp"
#include "broadloom/error.hpp"
#include "scene/rotation_math.hpp"

namespace broadloom {

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
/// The median length of a two-dimensional normal deviate of unit variance, sqrt(2 ln 2).
constexpr double kRayleighMedian = 1.1774100225154747;
/// 95 % efficiency under the normal distribution (Huber 1981; Holland & Welsch 1977).
constexpr double kCauchyWidth = 3.5;
/// No measured point is better than this.
constexpr double kLeastSigmaPx = 0.01;

/// Distance of the corner from the axis, normalised.
double corner_radius(const Camera& camera) {
    return std::hypot(static_cast<double>(camera.width), static_cast<double>(camera.height)) /
           (2 * camera.focal_px);
}

/// k3 is told from k2 only when the frame reaches far off the axis.
bool k3_shows(const Camera& camera) { return corner_radius(camera) > 0.7; }

LensUnknowns prior_sigma(const Camera& guess, double focal_sigma) {
    // Distortion is a share of the distance from the axis: a long lens may have large coefficients
    // and still bend little, so that the corner decides when it is near the axis.
    const double r2 = std::pow(corner_radius(guess), 2);
    const double middle = 0.02 * static_cast<double>(guess.width);
    return {std::max(focal_sigma, 1e-6),
            std::max(0.1, 0.01 / r2),
            std::max(0.1, 0.01 / (r2 * r2)),
            0.05,
            middle,
            middle};
}

class StopWatch final : public ceres::IterationCallback {
  public:
    explicit StopWatch(const WorkHooks& hooks) : hooks_(hooks) {}
    ceres::CallbackReturnType operator()(const ceres::IterationSummary&) override {
        const bool stop = hooks_.stop != nullptr && hooks_.stop->load() != 0;
        return stop ? ceres::SOLVER_ABORT : ceres::SOLVER_CONTINUE;
    }

  private:
    const WorkHooks& hooks_;
};

/// The matches of one link that can be projected, with the length of their whitened misses.
struct LinkMisses {
    std::vector<WeightedMatch> matches;
    std::vector<double> lengths;
    double sigma = 0;
};

std::vector<LinkMisses> misses_of(const BundleProblem& problem, const BundleStage& stage,
                                  BundleState& state, const std::vector<LensModel>& lenses) {
    std::vector<LinkMisses> out(problem.links.size());
    state.link_miss_px.assign(problem.links.size(), kInfinity);
    std::vector<double> all;
    std::vector<double> lengths;
    for (size_t l = 0; l < problem.links.size(); ++l) {
        const BundleLink& link = problem.links[l];
        const size_t count = link.matches.size();
        const size_t take = stage.most_matches == 0 ? count : std::min(count, stage.most_matches);
        lengths.clear();
        for (size_t i = 0; i < take; ++i) {
            const Match& match = link.matches[i * count / take];
            const std::optional<Miss> miss = miss_of(
                lenses[problem.camera_of_frame[link.a]], lenses[problem.camera_of_frame[link.b]],
                state.rotations[link.a], state.rotations[link.b], match);
            if (!miss) continue;
            const Whitening w = whitening_of(*miss);
            out[l].matches.push_back({match, w});
            out[l].lengths.push_back(
                std::hypot(w.xx * miss->off.x, w.yx * miss->off.x + w.yy * miss->off.y));
            lengths.push_back(std::hypot(miss->off.x, miss->off.y));
        }
        all.insert(all.end(), out[l].lengths.begin(), out[l].lengths.end());
        state.link_miss_px[l] = upper_median(lengths, kInfinity);
        std::vector<double> own = out[l].lengths;
        out[l].sigma = upper_median(own, kInfinity) / kRayleighMedian;
    }
    state.sigma_px =
        all.empty() ? 1 : std::max(upper_median(all, kInfinity) / kRayleighMedian, kLeastSigmaPx);
    return out;
}

/// Turns the whitened misses into weights. A link noisier than the rest (near things, wind) is
/// judged by its own noise, so that it is weak but not left out.
void weigh(std::vector<LinkMisses>& links, double sigma_px, bool gentle) {
    for (LinkMisses& link : links) {
        const double sigma = std::max(sigma_px, link.sigma);
        for (size_t i = 0; i < link.matches.size(); ++i) {
            const double u = link.lengths[i] / sigma;
            const double weight = gentle ? std::min(1.0, 1.345 / std::max(u, 1e-12))
                                         : 1 / (1 + std::pow(u / kCauchyWidth, 2));
            const double root = std::sqrt(weight) / sigma;
            Whitening& w = link.matches[i].w;
            w = {w.xx * root, w.yx * root, w.yy * root};
        }
    }
}

/// Unknowns that stay in this stage.
std::vector<int> constant_unknowns(const Camera& guess, const BundleStage& stage) {
    const std::array<bool, kLensUnknowns> free{stage.focal,  stage.radial,
                                               stage.radial, stage.radial && k3_shows(guess),
                                               stage.centre, stage.centre};
    std::vector<int> out;
    for (size_t i = 0; i < free.size(); ++i) {
        if (!free[i]) out.push_back(static_cast<int>(i));
    }
    return out;
}

/// One least squares solution with fixed weights; returns how far anything moved, pixels.
double solve_round(const BundleProblem& problem, const BundleStage& stage,
                   std::vector<LinkMisses>& misses, BundleState& state, const WorkHooks& hooks) {
    std::vector<LensUnknowns> lenses;
    for (const Camera& camera : state.cameras) lenses.push_back(lens_unknowns(camera));
    std::vector<std::array<double, 3>> turns(state.rotations.size(), {0, 0, 0});

    ceres::Problem ceres_problem;
    for (size_t l = 0; l < problem.links.size(); ++l) {
        const BundleLink& link = problem.links[l];
        if (misses[l].matches.empty()) continue;
        const size_t ca = problem.camera_of_frame[link.a];
        const size_t cb = problem.camera_of_frame[link.b];
        auto cost =
            link_cost(std::move(misses[l].matches), state.rotations[link.a],
                      state.rotations[link.b], state.cameras[ca], state.cameras[cb], ca == cb);
        std::vector<double*> blocks{turns[link.a].data(), turns[link.b].data(), lenses[ca].data()};
        if (ca != cb) blocks.push_back(lenses[cb].data());
        ceres_problem.AddResidualBlock(cost.release(), nullptr, blocks);
    }
    for (const BundleHold& hold : problem.holds) {
        const Vec3 off =
            hold.where.to_camera(rotation_log(state.rotations[hold.frame] * hold.where.inverse()));
        const double u =
            norm({off.x / hold.sigma_rad[0], off.y / hold.sigma_rad[1], off.z / hold.sigma_rad[2]});
        const double root = 1 / std::sqrt(1 + std::pow(u / (2 * kCauchyWidth), 2));
        ceres_problem.AddResidualBlock(hold_cost(hold, state.rotations[hold.frame], root).release(),
                                       nullptr, turns[hold.frame].data());
    }
    if (ceres_problem.NumResidualBlocks() == 0) return 0;
    for (size_t c = 0; c < lenses.size(); ++c) {
        double* const block = lenses[c].data();
        if (!ceres_problem.HasParameterBlock(block)) continue;
        const std::vector<int> constant = constant_unknowns(problem.guess[c], stage);
        if (constant.size() == kLensUnknowns) {
            ceres_problem.SetParameterBlockConstant(block);
            continue;
        }
        ceres_problem.AddResidualBlock(
            lens_prior(lens_unknowns(problem.guess[c]),
                       prior_sigma(problem.guess[c], problem.focal_sigma))
                .release(),
            nullptr, block);
        if (!constant.empty()) {
            ceres_problem.SetManifold(
                block, new ceres::SubsetManifold(static_cast<int>(kLensUnknowns), constant));
        }
    }
    for (const size_t frame : problem.fixed_frames) {
        if (ceres_problem.HasParameterBlock(turns[frame].data())) {
            ceres_problem.SetParameterBlockConstant(turns[frame].data());
        }
    }

    ceres::Solver::Options options;
    // Eigen's sparse factorisation: one thread, and no linear algebra library of the machine's
    // whose sums depend on its number of processors.
    options.linear_solver_type = ceres::SPARSE_NORMAL_CHOLESKY;
    options.sparse_linear_algebra_library_type = ceres::EIGEN_SPARSE;
    options.num_threads = 1;
    options.max_num_iterations = 12;
    options.function_tolerance = 1e-6;
    options.parameter_tolerance = 1e-12;
    options.logging_type = ceres::SILENT;
    StopWatch watch(hooks);
    options.callbacks.push_back(&watch);
    ceres::Solver::Summary summary;
    ceres::Solve(options, &ceres_problem, &summary);
    check_stop(hooks);
    if (!summary.IsSolutionUsable()) return 0;

    double moved = 0;
    for (size_t c = 0; c < lenses.size(); ++c) {
        const Camera next = with_unknowns(state.cameras[c], lenses[c]);
        const double r = corner_radius(problem.guess[c]);
        const Vec2 before = Lens(state.cameras[c]).distort({0.8 * r, 0.6 * r});
        const Vec2 after = Lens(next).distort({0.8 * r, 0.6 * r});
        moved = std::max(moved, std::hypot(after.x - before.x, after.y - before.y));
        if (stage.focal || stage.radial || stage.centre) state.cameras[c] = next;
    }
    for (size_t i = 0; i < turns.size(); ++i) {
        const Vec3 turn{turns[i][0], turns[i][1], turns[i][2]};
        moved = std::max(moved, norm(turn) * state.cameras[problem.camera_of_frame[i]].focal_px);
        state.rotations[i] = orthonormalised(rotation_exp(turn) * state.rotations[i]);
    }
    return moved;
}

}  // namespace

void check_stop(const WorkHooks& hooks) {
    const int signal = hooks.stop != nullptr ? hooks.stop->load() : 0;
    if (signal == 0) return;
    throw Error(signal == SIGTERM ? ErrorCode::terminated : ErrorCode::interrupted,
                std::string("the joint solution was stopped by ") +
                    (signal == SIGTERM ? "SIGTERM" : "the user"));
}

void run_bundle(const BundleProblem& problem, const BundleStage& stage, BundleState& state,
                const WorkHooks& hooks) {
    const QuietLog quiet;
    for (int round = 0; round <= stage.rounds; ++round) {
        check_stop(hooks);
        std::vector<LensModel> lenses;
        for (const Camera& camera : state.cameras) {
            lenses.emplace_back(lens_unknowns(camera).data(), camera.tangential);
        }
        std::vector<LinkMisses> misses = misses_of(problem, stage, state, lenses);
        if (round == stage.rounds) break;  // the misses of the result
        weigh(misses, state.sigma_px, round == 0);
        if (solve_round(problem, stage, misses, state, hooks) < 1e-3) break;
    }
}

double median_miss_px(const BundleState& state, size_t camera_a, size_t frame_a, size_t camera_b,
                      size_t frame_b, std::span<const Match> matches) {
    const LensModel lens_a(lens_unknowns(state.cameras[camera_a]).data(),
                           state.cameras[camera_a].tangential);
    const LensModel lens_b(lens_unknowns(state.cameras[camera_b]).data(),
                           state.cameras[camera_b].tangential);
    std::vector<double> lengths;
    for (const Match& match : matches) {
        const std::optional<Miss> miss =
            miss_of(lens_a, lens_b, state.rotations[frame_a], state.rotations[frame_b], match);
        lengths.push_back(miss ? std::hypot(miss->off.x, miss->off.y) : kInfinity);
    }
    return upper_median(lengths, kInfinity);
}

}  // namespace broadloom
