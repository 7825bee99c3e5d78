#include "align/joint_solve.hpp"

#include <atomic>
#include <catch2/catch.hpp>
#include <csignal>
#include <cstring>

#include "align/bundle.hpp"
#include "broadloom/error.hpp"
#include "scene/rotation_math.hpp"
#include "support/made_up_matches.hpp"

using namespace broadloom;
using namespace broadloom::testing;

namespace {

double focal_error(const MatchTruth& truth, const SolveResult& result) {
    return std::abs(result.cameras[0].focal_px / truth.camera.focal_px - 1);
}

bool same_bits(const SolveResult& a, const SolveResult& b) {
    bool same = a.used_links == b.used_links && a.group == b.group &&
                std::memcmp(&a.cameras[0].focal_px, &b.cameras[0].focal_px, sizeof(double)) == 0;
    for (size_t i = 0; i < a.rotations.size(); ++i) {
        same = same && std::memcmp(&a.rotations[i]->m, &b.rotations[i]->m, sizeof(Matrix3)) == 0;
    }
    return same;
}

/// How far the solved relative rotation of two frames is from the true one, degrees.
double relative_error_deg(const MatchTruth& truth, const SolveResult& result, size_t i, size_t j) {
    const Rotation is = result.rotations[i]->inverse() * *result.rotations[j];
    const Rotation should = truth.rotations[i].inverse() * truth.rotations[j];
    return rotation_angle(is.inverse() * should) * kDegPerRad;
}

size_t frame_at(const MatchSet& set, int64_t row, int64_t column) {
    return static_cast<size_t>(column * set.rows + row);  // columns one after the other
}

/// A registration that no pair of frames ever had: matches that agree among themselves on a wrong
/// rotation.
PairLink false_link(const MatchTruth& truth, size_t a, size_t b, const Rotation& a_from_b,
                    size_t count) {
    PairLink link;
    link.a = a;
    link.b = b;
    link.accepted = true;
    const Lens lens(truth.camera);
    const int64_t across = 60;
    for (int64_t i = 0; link.matches.size() < count && i < across * across; ++i) {
        const Vec2 p{static_cast<double>(truth.camera.width * (i % across)) / across + 0.5,
                     static_cast<double>(truth.camera.height * (i / across)) / across + 0.5};
        const std::optional<Vec2> ab = lens.undistort(p);
        const std::optional<Vec2> q = lens.project(a_from_b.to_camera({ab->x, ab->y, 1}));
        if (!q || !lens.in_view(a_from_b.to_camera({ab->x, ab->y, 1}))) continue;
        link.matches.push_back({p, *q});
    }
    REQUIRE(link.matches.size() == count);
    link.tentative = count;
    link.a_from_b = fit_rotation(truth.input.cameras[0], link.matches);
    return link;
}

/// Without any link to or from these frames.
void blind(MatchTruth& truth, const std::vector<size_t>& frames) {
    std::erase_if(truth.input.links, [&](const PairLink& link) {
        return std::find(frames.begin(), frames.end(), link.a) != frames.end() ||
               std::find(frames.begin(), frames.end(), link.b) != frames.end();
    });
}

}  // namespace

TEST_CASE("A grid is solved to a fraction of a pixel in every part of every frame",
          "[solve][accuracy]") {
    // The figures are the project's own goal: 0.15 px over all frames, focal length within 0.1 %.
    for (const double k1 : {0.1, -0.1}) {
        for (const double factor : {0.95, 1.05}) {
            MatchSet set;
            set.k1 = k1;
            set.focal_factor = factor;
            const MatchTruth truth = make_matches(set);
            const SolveResult result = solve_jointly(truth.input, 1);
            CHECK(result.groups == 1);
            CHECK(result.used_links.size() == truth.input.links.size());
            CHECK(reprojection_error(truth, result).rms_px <= 0.15);
            CHECK(focal_error(truth, result) <= 1e-3);
            CHECK_THAT(result.cameras[0].radial[0], Catch::WithinAbs(k1, 0.005));
        }
    }
}

TEST_CASE("Control: without the lens, or without the focal length, the misses stay",
          "[solve][accuracy]") {
    const MatchTruth truth = make_matches({});
    const SolveResult result = solve_jointly(truth.input, 1);
    BundleProblem problem;
    problem.guess = truth.input.cameras;
    problem.camera_of_frame.assign(truth.rotations.size(), 0);
    for (const PairLink& link : truth.input.links) {
        problem.links.push_back({link.a, link.b, link.matches});
    }
    problem.fixed_frames = {0};
    const auto error_after = [&](const BundleStage& stage) {
        BundleState state{truth.input.cameras, truth.rotations, 1, {}};
        run_bundle(problem, stage, state, {});
        SolveResult partial = result;
        partial.cameras = state.cameras;
        partial.rotations.assign(state.rotations.begin(), state.rotations.end());
        return reprojection_error(truth, partial).rms_px;
    };
    CHECK(error_after({false, false, false, 8, 0}) > 5);
    CHECK(error_after({true, false, false, 8, 0}) > 0.5);
    CHECK(error_after({true, true, true, 8, 0}) < 0.15);
}

TEST_CASE("The error grows with the noise and no faster", "[solve][accuracy]") {
    MatchSet set;
    set.noise_px = 0.3;
    const MatchTruth truth = make_matches(set);
    const SolveResult result = solve_jointly(truth.input, 1);
    CHECK(reprojection_error(truth, result).rms_px <= 0.45);
    CHECK(focal_error(truth, result) <= 1e-3);
}

TEST_CASE("A principal point off the middle is found", "[solve][accuracy]") {
    MatchSet set;
    set.centre_off = {20, -12};
    const MatchTruth truth = make_matches(set);
    const SolveResult result = solve_jointly(truth.input, 1);
    const Vec2 centre = result.cameras[0].principal_point();
    CHECK_THAT(centre.x, Catch::WithinAbs(truth.camera.principal_point().x, 0.5));
    CHECK_THAT(centre.y, Catch::WithinAbs(truth.camera.principal_point().y, 0.5));
    CHECK(reprojection_error(truth, result).rms_px <= 0.15);
}

TEST_CASE("Matches that are wrong one by one do little harm", "[solve][robust]") {
    MatchSet set;
    set.outliers = 0.1;
    const MatchTruth truth = make_matches(set);
    const SolveResult result = solve_jointly(truth.input, 1);
    CHECK(reprojection_error(truth, result).rms_px <= 0.2);
    CHECK(focal_error(truth, result) <= 1e-3);
}

TEST_CASE("A closed ring closes, with and without a head", "[solve][ring]") {
    for (const bool head : {true, false}) {
        for (const double factor : {0.95, 1.05}) {
            MatchSet set;
            set.rows = 2;
            set.columns = 16;
            set.ring = true;
            set.head = head;
            set.focal_factor = factor;
            const MatchTruth truth = make_matches(set);
            const SolveResult result = solve_jointly(truth.input, 1);
            CHECK(result.used_links.size() == truth.input.links.size());
            CHECK(reprojection_error(truth, result).rms_px <= 0.15);
            CHECK(focal_error(truth, result) <= 1e-3);
        }
    }
}

TEST_CASE("A wide lens is solved, its principal point and distortion too", "[solve][accuracy]") {
    MatchSet set;
    set.hfov_deg = 90;
    set.k1 = -0.1;
    set.rows = 2;
    set.columns = 5;
    set.overlap = 0.4;
    const MatchTruth truth = make_matches(set);
    const SolveResult result = solve_jointly(truth.input, 1);
    CHECK(reprojection_error(truth, result).rms_px <= 0.15);
    CHECK(focal_error(truth, result) <= 1e-3);
}

TEST_CASE("A long lens keeps its focal length within a thousandth", "[solve][accuracy]") {
    // At 6 degrees perspective hardly shows: the matches' noise alone leaves a part in thousands,
    // spread evenly over the set.
    MatchSet set;
    set.hfov_deg = 6;
    set.aim_deg = 0.06;
    set.roll_deg = 0.1;
    const MatchTruth truth = make_matches(set);
    const SolveResult result = solve_jointly(truth.input, 1);
    CHECK(focal_error(truth, result) <= 1e-3);
    CHECK(reprojection_error(truth, result).rms_px <= 1.5);
}

TEST_CASE("One strong false registration does not bend the set", "[solve][robust]") {
    const MatchSet set;
    MatchTruth truth = make_matches(set);
    const double before = reprojection_error(truth, solve_jointly(truth.input, 1)).rms_px;
    for (const bool head : {true, false}) {
        MatchTruth bad = truth;
        if (!head) {
            for (SolveFrame& frame : bad.input.frames) frame = SolveFrame{};
        }
        // Opposite corners of the set as if they were neighbours; it has more matches than any true
        // one, so that a tree by strength alone would begin with it.
        PairLink link = false_link(bad, 0, truth.rotations.size() - 1,
                                   Rotation::from_yaw_pitch_roll_deg(12, 3, 1), 600);
        CHECK(rotation_angle((bad.rotations[link.a].inverse() * bad.rotations[link.b]).inverse() *
                             link.a_from_b) *
                  kDegPerRad >
              40);
        for (const PairLink& other : bad.input.links) {
            CHECK(other.matches.size() < link.matches.size());
        }
        bad.input.links.push_back(std::move(link));
        const size_t wrong = bad.input.links.size() - 1;
        const SolveResult result = solve_jointly(bad.input, 1);
        CHECK(std::find(result.used_links.begin(), result.used_links.end(), wrong) ==
              result.used_links.end());
        CHECK(result.used_links.size() == wrong);
        CHECK_THAT(reprojection_error(bad, result).rms_px, Catch::WithinAbs(before, 1e-3));
    }
}

TEST_CASE("Several false registrations, one of them of neighbours, are left out",
          "[solve][robust]") {
    MatchSet set;
    set.head = false;
    MatchTruth bad = make_matches(set);
    const size_t good = bad.input.links.size();
    const auto add = [&](size_t a, size_t b, double yaw, double pitch) {
        bad.input.links.push_back(
            false_link(bad, a, b, Rotation::from_yaw_pitch_roll_deg(yaw, pitch, 0), 300));
    };
    add(frame_at(set, 0, 0), frame_at(set, 3, 4), 10, -4);
    add(frame_at(set, 1, 1), frame_at(set, 2, 5), -9, 5);
    add(frame_at(set, 0, 3), frame_at(set, 3, 0), 14, 2);
    // In place of a true neighbour's.
    std::swap(bad.input.links.front(), bad.input.links.back());
    for (PairLink& link : bad.input.links) {
        if (link.a == frame_at(set, 1, 2) && link.b == frame_at(set, 1, 3)) {
            link =
                false_link(bad, link.a, link.b, Rotation::from_yaw_pitch_roll_deg(13, 0.5, 0), 300);
        }
    }
    const SolveResult result = solve_jointly(bad.input, 1);
    CHECK(result.used_links.size() == good - 1);
    CHECK(reprojection_error(bad, result).rms_px <= 0.15);
}

TEST_CASE("Where windows repeat, the candidates that agree all round are taken",
          "[solve][robust]") {
    for (const bool head : {true, false}) {
        MatchSet set;
        set.head = head;
        MatchTruth bad = make_matches(set);
        const std::vector<PairLink> good = bad.input.links;
        bad.input.links.clear();
        std::vector<size_t> right;
        size_t stronger = 0;
        for (size_t l = 0; l < good.size(); ++l) {
            const bool beside = good[l].b - good[l].a == static_cast<size_t>(set.rows);
            if (beside) {
                // One window further: in every third pair it even has more matches.
                const bool strong = l % 3 == 0;
                stronger += strong ? 1 : 0;
                const Rotation off = Rotation::from_yaw_pitch_roll_deg(l % 2 == 0 ? 4 : -4, 0, 0);
                PairLink wrong =
                    false_link(bad, good[l].a, good[l].b,
                               off * bad.rotations[good[l].a].inverse() * bad.rotations[good[l].b],
                               strong ? 260 : 120);
                bad.input.links.push_back(std::move(wrong));
            }
            right.push_back(bad.input.links.size());
            bad.input.links.push_back(good[l]);
        }
        CHECK(stronger >= 5);
        const SolveResult result = solve_jointly(bad.input, 1);
        CHECK(result.used_links == right);
        CHECK(reprojection_error(bad, result).rms_px <= 0.15);
    }
}

TEST_CASE("Frames that match nothing stand where the head's own steps put them", "[solve][head]") {
    MatchSet set;
    set.rows = 6;
    set.columns = 10;
    set.nominal_factor = 1.1;  // the plan's steps are a tenth too long
    MatchTruth truth = make_matches(set);
    std::vector<size_t> blinded;
    for (size_t i = 3; i < truth.rotations.size(); i += 7) blinded.push_back(i);
    blind(truth, blinded);
    const SolveResult result = solve_jointly(truth.input, 1);
    CHECK(result.groups == blinded.size() + 1);
    std::vector<bool> matched(truth.rotations.size(), true);
    for (const size_t i : blinded) {
        CHECK_FALSE(result.by_matches[i]);
        matched[i] = false;
    }
    CHECK(reprojection_error(truth, result, matched).rms_px <= 0.15);
    // They are off by what the head is off: 0.3 degrees about each of three axes.
    const Rotation common = common_rotation(truth, result, matched);
    double sum = 0;
    double planned = 0;
    for (const size_t i : blinded) {
        const double off =
            rotation_angle((common * *result.rotations[i]).inverse() * truth.rotations[i]) *
            kDegPerRad;
        CHECK(off < 4 * 0.3);
        sum += off * off;
        const Rotation plan = common * *truth.input.frames[i].predicted;
        planned = std::max(planned, rotation_angle(plan.inverse() * truth.rotations[i]));
    }
    const auto count = static_cast<double>(blinded.size());
    CHECK(std::sqrt(sum / count) < 1.3 * 0.3 * std::sqrt(3.0));
    CHECK(planned * kDegPerRad > 2);  // control: the plan itself would not have done
    REQUIRE(result.head_sigma_deg.size() == 3);
    for (const double sigma : result.head_sigma_deg) {
        CHECK(sigma > 0.2);
        CHECK(sigma < 0.45);
    }
}

TEST_CASE("Groups that nothing connects are tied by the head, and stay apart without one",
          "[solve][head]") {
    for (const bool head : {true, false}) {
        MatchSet set;
        set.columns = 8;
        set.head = head;
        MatchTruth truth = make_matches(set);
        std::vector<size_t> column;
        for (int64_t row = 0; row < set.rows; ++row) column.push_back(frame_at(set, row, 4));
        blind(truth, column);
        const SolveResult result = solve_jointly(truth.input, 1);
        CHECK(result.groups == 2 + column.size());
        const size_t left = frame_at(set, 1, 1);
        const size_t right = frame_at(set, 1, 6);
        CHECK(result.group[left] == 0);
        CHECK(result.group[right] == 1);
        CHECK(result.by_matches[right]);
        CHECK(relative_error_deg(truth, result, right, frame_at(set, 3, 7)) < 0.02);
        if (head) {
            CHECK(relative_error_deg(truth, result, left, right) < 1);
            CHECK_FALSE(result.by_matches[column[0]]);
            CHECK(relative_error_deg(truth, result, left, column[0]) < 1.5);
        } else {
            CHECK_FALSE(result.rotations[column[0]].has_value());
            CHECK(result.head_sigma_deg.empty());
        }
    }
}

TEST_CASE("Where nothing matches, everything stays at the prediction", "[solve][head]") {
    MatchTruth truth = make_matches({});
    truth.input.links.clear();
    const SolveResult result = solve_jointly(truth.input, 1);
    for (size_t i = 0; i < truth.rotations.size(); ++i) {
        CHECK_FALSE(result.by_matches[i]);
        REQUIRE(result.rotations[i].has_value());
        CHECK(result.rotations[i]->m == truth.input.frames[i].predicted->m);
    }
    CHECK(result.cameras[0].focal_px == truth.input.cameras[0].focal_px);
    CHECK(result.groups == truth.rotations.size());
}

TEST_CASE("A few matches on drifting clouds do not send a frame flying", "[solve][head]") {
    const MatchSet set;
    MatchTruth truth = make_matches(set);
    const size_t sky = frame_at(set, 0, 2);
    const size_t below = frame_at(set, 1, 2);
    blind(truth, {sky});
    truth.input.links.push_back(
        false_link(truth, sky, below,
                   Rotation::from_yaw_pitch_roll_deg(5, 0, 3) * truth.rotations[sky].inverse() *
                       truth.rotations[below],
                   25));
    const SolveResult result = solve_jointly(truth.input, 1);
    CHECK_FALSE(result.by_matches[sky]);
    CHECK(relative_error_deg(truth, result, below, sky) < 1.5);

    // Control: without a head nothing speaks against them.
    for (SolveFrame& frame : truth.input.frames) frame = SolveFrame{};
    const SolveResult flown = solve_jointly(truth.input, 1);
    CHECK(flown.by_matches[sky]);
    CHECK(relative_error_deg(truth, flown, below, sky) > 4);
}

TEST_CASE("A wrong grid does not spoil what the matches say", "[solve][head]") {
    const MatchSet set;
    MatchTruth truth = make_matches(set);
    // Every second column as if it had been shot bottom up.
    for (int64_t column = 1; column < set.columns; column += 2) {
        for (int64_t row = 0; row < set.rows / 2; ++row) {
            std::swap(truth.input.frames[frame_at(set, row, column)],
                      truth.input.frames[frame_at(set, set.rows - 1 - row, column)]);
        }
    }
    const SolveResult result = solve_jointly(truth.input, 1);
    CHECK(result.groups == 1);
    CHECK(reprojection_error(truth, result).rms_px <= 0.15);
}

TEST_CASE("The same bits for any number of threads", "[solve][determinism]") {
    const MatchTruth truth = make_matches({});
    const SolveResult one = solve_jointly(truth.input, 1);
    CHECK(same_bits(one, solve_jointly(truth.input, 2)));
    MatchTruth other = truth;  // control: a thousandth of a pixel shows
    other.input.links[3].matches[5].a.x += 1e-3;
    CHECK_FALSE(same_bits(one, solve_jointly(other.input, 1)));
}

TEST_CASE("A second solution with better matches is better", "[solve]") {
    MatchSet rough;
    rough.noise_px = 1;
    rough.seed = 5;
    MatchSet fine = rough;
    fine.noise_px = 0.05;
    const MatchTruth first = make_matches(rough);
    const MatchTruth second = make_matches(fine);
    const SolveResult start = solve_jointly(first.input, 1);
    const SolveResult result = solve_again(start, second.input, 1);
    const double before = reprojection_error(first, start).rms_px;
    const double after = reprojection_error(second, result).rms_px;
    CHECK(before > 0.15);
    CHECK(after < 0.1);
    CHECK(result.used_links.size() == second.input.links.size());
}

TEST_CASE("A solution is stopped when asked", "[solve][stop]") {
    const MatchTruth truth = make_matches({});
    std::atomic<int> stop{SIGTERM};
    WorkHooks hooks;
    hooks.stop = &stop;
    const auto code_of = [&]() {
        try {
            solve_jointly(truth.input, 1, hooks);
        } catch (const Error& e) {
            return e.code();
        }
        return ErrorCode::internal;
    };
    CHECK(code_of() == ErrorCode::terminated);
    stop = SIGINT;
    CHECK(code_of() == ErrorCode::interrupted);
    stop = 0;
    CHECK_NOTHROW(solve_jointly(truth.input, 1, hooks));
}

TEST_CASE("A match's miss is where it falls minus where it was found", "[solve]") {
    Camera camera;
    camera.width = 1500;
    camera.height = 1000;
    camera.focal_px = 2000;
    const Rotation ahead;
    const Rotation right = Rotation::from_yaw_pitch_roll_deg(10, 0, 0);
    // What frame a sees in its middle, frame b, turned to the right, sees tan 10 x 2000 px left of
    // its own middle.
    const Match match{{750, 500}, {750 - 2000 * std::tan(10 * kRadPerDeg) - 3, 500 + 2}};
    const std::optional<Vec2> off = reprojection(camera, ahead, camera, right, match);
    REQUIRE(off.has_value());
    CHECK_THAT(off->x, Catch::WithinAbs(3, 1e-9));
    CHECK_THAT(off->y, Catch::WithinAbs(-2, 1e-9));
    const Rotation behind = Rotation::from_yaw_pitch_roll_deg(180, 0, 0);
    CHECK_FALSE(reprojection(camera, ahead, camera, behind, match).has_value());
}
