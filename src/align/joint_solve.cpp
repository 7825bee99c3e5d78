#include "align/joint_solve.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

#include "align/bundle.hpp"
#include "align/head_model.hpp"
#include "align/link_reselection.hpp"
#include "align/pair_choice.hpp"
#include "scene/rotation_math.hpp"

namespace broadloom {

namespace {

/// A frame with fewer matches in all is held by the head as well.
constexpr size_t kWeakMatches = 30;
/// How far, in frame widths, a match may fall from where a solution puts it that already rests on
/// matches, or on the head alone.
constexpr double kMatchMissShare = 0.02;
constexpr double kHeadMissShare = 0.1;
/// The head is not trusted to better than this.
constexpr double kHoldFloor = 0.05 * kRadPerDeg;

double width_rad(const Camera& camera) {
    return 2 * std::atan(static_cast<double>(camera.width) / (2 * camera.focal_px));
}

class JointSolution {
  public:
    JointSolution(const SolveInput& input, const WorkHooks& hooks);

    void choose();
    void start_from(const SolveResult& start);
    void solve_in_stages();
    void polish();
    void bring_in_head();
    [[nodiscard]] SolveResult result() const;

  private:
    [[nodiscard]] size_t camera_of(size_t frame) const { return input_.frames[frame].camera; }
    [[nodiscard]] double miss_of(size_t link) const;
    void run(const BundleStage& stage);
    bool reselect(double drift_share);
    bool leave_out_flying(const HeadModel& model, const std::vector<Rotation>& in_head);
    void regroup();
    [[nodiscard]] std::optional<HeadModel> fit_model() const;
    [[nodiscard]] std::vector<Rotation> in_head(const HeadModel& model) const;
    void hold_by(const HeadModel& model);

    const SolveInput& input_;
    const WorkHooks& hooks_;
    BundleState state_;
    std::vector<size_t> used_;
    std::vector<int> dropped_;  ///< how often, by link
    Groups groups_;
    std::vector<size_t> links_of_frame_, matches_of_frame_;
    std::vector<std::optional<Rotation>> nominal_;
    std::vector<BundleHold> holds_;
    std::optional<HeadModel> head_;
    std::vector<size_t> camera_of_frame_;
};

JointSolution::JointSolution(const SolveInput& input, const WorkHooks& hooks)
    : input_(input), hooks_(hooks), dropped_(input.links.size(), 0) {
    state_.cameras = input.cameras;
    state_.rotations.resize(input.frames.size());
    bool planned = false;
    std::vector<std::pair<std::optional<int64_t>, std::optional<int64_t>>> cells;
    for (const SolveFrame& frame : input.frames) {
        camera_of_frame_.push_back(frame.camera);
        nominal_.push_back(frame.predicted);
        planned = planned || frame.predicted;
        cells.emplace_back(frame.row, frame.column);
    }
    if (!planned && !input.frames.empty()) {
        // Steps by a usual overlap; the fit finds the true ones.
        const Camera& camera = input.cameras[input.frames.front().camera];
        const double across = width_rad(camera) * kDegPerRad;
        const double up =
            2 * std::atan(static_cast<double>(camera.height) / (2 * camera.focal_px)) * kDegPerRad;
        nominal_ = nominal_places(cells, 0.68 * across, 0.68 * up);
    }
}

/// Registrations to begin with, and rotations along their tree.
void JointSolution::choose() {
    ChoiceOptions options;
    const double view = input_.cameras.empty() ? 1 : width_rad(input_.cameras.front());
    options.base_rad = 0.01 * view;
    options.most_rad = 0.25 * view;
    options.head = nominal_;
    // The head is asked only when most matches agree with it: the grid may be wrong.
    options.head_rad = 0.4 * view;
    const size_t frames = input_.frames.size();
    PairChoice choice = choose_pairs(frames, input_.links, options);
    options.head_rad = 0;
    PairChoice without = choose_pairs(frames, input_.links, options);
    const auto matches = [&](const PairChoice& c) {
        size_t sum = 0;
        for (const size_t l : c.links) sum += input_.links[l].matches.size();
        return sum;
    };
    if (4 * matches(choice) < 3 * matches(without)) choice = std::move(without);
    used_ = choice.links;
    for (size_t i = 0; i < frames; ++i) {
        if (choice.rotations[i]) state_.rotations[i] = *choice.rotations[i];
    }
    regroup();
}

void JointSolution::start_from(const SolveResult& start) {
    state_.cameras = start.cameras;
    std::vector<bool> placed(input_.frames.size(), false);
    for (size_t i = 0; i < input_.frames.size(); ++i) {
        if (!start.rotations[i]) continue;
        state_.rotations[i] = *start.rotations[i];
        placed[i] = true;
    }
    for (bool more = true; more;) {
        more = false;
        for (const PairLink& link : input_.links) {
            if (placed[link.a] == placed[link.b]) continue;
            const bool from_a = placed[link.a];
            state_.rotations[from_a ? link.b : link.a] =
                from_a ? state_.rotations[link.a] * link.a_from_b
                       : state_.rotations[link.b] * link.a_from_b.inverse();
            placed[link.a] = placed[link.b] = more = true;
        }
    }
    // Of several candidates of a pair the one that fits the start.
    std::map<std::pair<size_t, size_t>, std::pair<double, size_t>> best;
    for (size_t l = 0; l < input_.links.size(); ++l) {
        const PairLink& link = input_.links[l];
        if (link.matches.empty()) continue;
        const double miss = miss_of(l);
        const bool by_head = !start.by_matches[link.a] || !start.by_matches[link.b];
        const auto width = static_cast<double>(state_.cameras[camera_of(link.b)].width);
        if (miss > (by_head ? kHeadMissShare : kMatchMissShare) * width) continue;
        const auto [at, fresh] = best.try_emplace({link.a, link.b}, miss, l);
        if (!fresh && miss < at->second.first) at->second = {miss, l};
    }
    for (const auto& [pair, candidate] : best) used_.push_back(candidate.second);
    std::sort(used_.begin(), used_.end());
    regroup();
}

double JointSolution::miss_of(size_t link) const {
    const PairLink& l = input_.links[link];
    return median_miss_px(state_, camera_of(l.a), l.a, camera_of(l.b), l.b, l.matches);
}

void JointSolution::regroup() {
    groups_ = group_frames(input_.frames.size(), input_.links, used_);
    links_of_frame_.assign(input_.frames.size(), 0);
    matches_of_frame_.assign(input_.frames.size(), 0);
    for (const size_t l : used_) {
        for (const size_t frame : {input_.links[l].a, input_.links[l].b}) {
            ++links_of_frame_[frame];
            matches_of_frame_[frame] += input_.links[l].matches.size();
        }
    }
}

void JointSolution::run(const BundleStage& stage) {
    BundleProblem problem;
    problem.guess = input_.cameras;
    problem.focal_sigma = input_.focal_sigma;
    problem.camera_of_frame = camera_of_frame_;
    for (const size_t l : used_) {
        problem.links.push_back({input_.links[l].a, input_.links[l].b, input_.links[l].matches});
    }
    problem.holds = holds_;
    // One frame of each group stays, unless the head holds the group.
    std::vector<bool> held(groups_.count, false);
    for (const BundleHold& hold : holds_) {
        const size_t group = groups_.of_frame[hold.frame];
        if (group != 0) held[group] = true;
    }
    std::vector<size_t> anchor(groups_.count, input_.frames.size());
    for (size_t i = 0; i < input_.frames.size(); ++i) {
        size_t& best = anchor[groups_.of_frame[i]];
        if (best == input_.frames.size() || matches_of_frame_[i] > matches_of_frame_[best]) {
            best = i;
        }
    }
    for (size_t g = 0; g < groups_.count; ++g) {
        if (!held[g]) problem.fixed_frames.push_back(anchor[g]);
    }
    run_bundle(problem, stage, state_, hooks_);
}

bool JointSolution::reselect(double drift_share) {
    std::vector<size_t> next =
        reselect_links({input_.links, camera_of_frame_, state_, used_, drift_share}, dropped_);
    std::sort(used_.begin(), used_.end());
    const bool changed = next != used_;
    used_ = std::move(next);
    if (changed) regroup();
    return changed;
}

void JointSolution::solve_in_stages() {
    // Few matches a link will do while the lens is still wrong by more than their noise.
    constexpr size_t kFew = 40;
    run({false, false, false, 3, kFew});
    reselect(0.03);
    run({true, false, false, 4, kFew});
    reselect(0.01);
    run({true, true, false, 4, kFew});
    reselect(0.005);
    run({true, true, true, 3, kFew});
    polish();
}

void JointSolution::polish() {
    run({true, true, true, 4, 0});
    for (int again = 0; again < 3 && reselect(0.002); ++again) run({true, true, true, 3, 0});
}

std::optional<HeadModel> JointSolution::fit_model() const {
    std::vector<HeadFrame> frames(input_.frames.size());
    for (size_t i = 0; i < frames.size(); ++i) {
        frames[i].row = input_.frames[i].row;
        frames[i].column = input_.frames[i].column;
        frames[i].nominal = nominal_[i];
        frames[i].group = groups_.of_frame[i];
        if (links_of_frame_[i] > 0) frames[i].solved = state_.rotations[i];
    }
    return fit_head(frames, input_.wraps);
}

/// All groups in the head's system.
std::vector<Rotation> JointSolution::in_head(const HeadModel& model) const {
    std::vector<Rotation> out = state_.rotations;
    for (size_t i = 0; i < out.size(); ++i) {
        const size_t g = groups_.of_frame[i];
        if (g < model.head_from_group.size() && model.head_from_group[g]) {
            out[i] = orthonormalised(*model.head_from_group[g] * out[i]);
        }
    }
    return out;
}

/// A frame that few matches put far from where the head can have been is not believed: clouds and
/// water make such matches. True when any was found.
bool JointSolution::leave_out_flying(const HeadModel& model, const std::vector<Rotation>& placed) {
    if (model.held < 6) return false;
    std::vector<bool> flying(placed.size(), false);
    size_t count = 0;
    for (size_t i = 0; i < placed.size(); ++i) {
        if (links_of_frame_[i] == 0 || !model.predicted[i]) continue;
        const Vec3 off = rotation_log(model.predicted[i]->inverse() * placed[i]);
        const double worst =
            std::max({std::abs(off.x) / model.sigma_rad[0], std::abs(off.y) / model.sigma_rad[1],
                      std::abs(off.z) / model.sigma_rad[2]});
        flying[i] = worst > 8 && norm(off) > 1 * kRadPerDeg;
        count += flying[i] ? 1 : 0;
    }
    if (count == 0 || 10 * count > 3 * model.held) return false;
    std::vector<size_t> links(placed.size(), 0);
    std::vector<size_t> matches(placed.size(), 0);
    for (const size_t l : used_) {
        const PairLink& link = input_.links[l];
        if (flying[link.a] == flying[link.b]) continue;
        const size_t frame = flying[link.a] ? link.a : link.b;
        ++links[frame];
        matches[frame] += link.matches.size();
    }
    const auto disbelieved = [&](size_t i) {
        return flying[i] && (links[i] < 2 || matches[i] < 2 * kWeakMatches);
    };
    const size_t before = used_.size();
    std::erase_if(used_, [&](size_t l) {
        return disbelieved(input_.links[l].a) || disbelieved(input_.links[l].b);
    });
    return used_.size() != before;
}

void JointSolution::hold_by(const HeadModel& model) {
    std::array<double, 3> sigma{};
    for (size_t k = 0; k < 3; ++k) sigma[k] = std::max(model.sigma_rad[k], kHoldFloor);
    holds_.clear();
    for (size_t i = 0; i < input_.frames.size(); ++i) {
        if (links_of_frame_[i] == 0 || !model.predicted[i]) continue;
        if (groups_.of_frame[i] != 0 || matches_of_frame_[i] < kWeakMatches) {
            holds_.push_back({i, *model.predicted[i], sigma});
        }
    }
}

void JointSolution::bring_in_head() {
    head_ = fit_model();
    if (!head_) return;
    if (leave_out_flying(*head_, in_head(*head_))) {
        regroup();
        run({true, true, true, 3, 0});
        head_ = fit_model();
        if (!head_) return;
    }
    state_.rotations = in_head(*head_);
    hold_by(*head_);
    if (!holds_.empty()) run({true, true, true, 3, 0});
}

SolveResult JointSolution::result() const {
    SolveResult out;
    const size_t frames = input_.frames.size();
    out.cameras = state_.cameras;
    out.rotations.resize(frames);
    out.by_matches.assign(frames, false);
    for (size_t i = 0; i < frames; ++i) {
        if (links_of_frame_[i] > 0) {
            out.rotations[i] = state_.rotations[i];
            out.by_matches[i] = true;
        } else if (head_ && head_->predicted[i]) {
            out.rotations[i] = head_->predicted[i];
        } else {
            out.rotations[i] = input_.frames[i].predicted;
        }
    }
    out.group = groups_.of_frame;
    out.groups = groups_.count;
    out.used_links = used_;
    if (head_) {
        out.head_sigma_deg = {head_->sigma_rad[1] * kDegPerRad, head_->sigma_rad[0] * kDegPerRad,
                              head_->sigma_rad[2] * kDegPerRad};
    }
    return out;
}

}  // namespace

SolveResult solve_jointly(const SolveInput& input, int /*threads*/, const WorkHooks& hooks) {
    JointSolution solution(input, hooks);
    solution.choose();
    solution.solve_in_stages();
    solution.bring_in_head();
    return solution.result();
}

SolveResult solve_again(const SolveResult& start, const SolveInput& input, int /*threads*/,
                        const WorkHooks& hooks) {
    JointSolution solution(input, hooks);
    solution.start_from(start);
    solution.polish();
    solution.bring_in_head();
    return solution.result();
}

std::optional<Vec2> reprojection(const Camera& camera_a, const Rotation& a, const Camera& camera_b,
                                 const Rotation& b, const Match& match) {
    const std::optional<Vec2> ab = Lens(camera_a).undistort(match.a);
    if (!ab) return std::nullopt;
    const std::optional<Vec2> found =
        Lens(camera_b).project(b.to_camera(a.to_world({ab->x, ab->y, 1})));
    if (!found) return std::nullopt;
    return Vec2{found->x - match.b.x, found->y - match.b.y};
}

}  // namespace broadloom
