#include "support/made_up_matches.hpp"

#include <algorithm>
#include <cmath>

#include "scene/rotation_math.hpp"

namespace broadloom::testing {

namespace {

/// Gauss-Newton for the rotation R with p_i = R q_i.
Rotation fit_directions(const std::vector<std::pair<Vec3, Vec3>>& pairs, Rotation r) {
    for (int round = 0; round < 30; ++round) {
        // sum (I - d d^T) w = sum q x p for d = R q.
        Matrix3 m{};
        Vec3 right;
        for (const auto& [p, q] : pairs) {
            const Vec3 d = r.to_world(q);
            const double c[3] = {d.x, d.y, d.z};
            for (size_t i = 0; i < 3; ++i) {
                for (size_t j = 0; j < 3; ++j) m[i][j] += (i == j ? 1.0 : 0.0) - c[i] * c[j];
            }
            right = right + cross(d, p);
        }
        const Vec3 r0{m[0][0], m[0][1], m[0][2]};
        const Vec3 r1{m[1][0], m[1][1], m[1][2]};
        const Vec3 r2{m[2][0], m[2][1], m[2][2]};
        const double det = dot(r0, cross(r1, r2));
        const Vec3 w = (1 / det) * (right.x * cross(r1, r2) + right.y * cross(r2, r0) +
                                    right.z * cross(r0, r1));
        r = orthonormalised(rotation_exp(w) * r);
        if (norm(w) < 1e-14) break;
    }
    return r;
}

Vec3 direction(const Lens& lens, Vec2 pixel) {
    const std::optional<Vec2> ab = lens.undistort(pixel);
    return ab ? normalized({ab->x, ab->y, 1}) : Vec3{0, 0, 1};
}

}  // namespace

Rotation fit_rotation(const Camera& camera, const std::vector<Match>& matches) {
    const Lens lens(camera);
    std::vector<std::pair<Vec3, Vec3>> pairs;
    for (const Match& match : matches) {
        pairs.emplace_back(direction(lens, match.a), direction(lens, match.b));
    }
    // Starts from the middle of the matches.
    Vec3 a;
    Vec3 b;
    for (const auto& [p, q] : pairs) {
        a = a + p;
        b = b + q;
    }
    const Vec3 axis = cross(normalized(b), normalized(a));
    const double sine = norm(axis);
    Rotation start;
    if (sine > 1e-9) {
        start = rotation_exp((std::atan2(sine, dot(normalized(a), normalized(b))) / sine) * axis);
    }
    return fit_directions(pairs, start);
}

MatchTruth make_matches(const MatchSet& set) {
    MatchTruth out;
    out.camera.width = set.width;
    out.camera.height = set.height;
    out.camera.focal_px =
        static_cast<double>(set.width) / 2 / std::tan(set.hfov_deg / 2 * kRadPerDeg);
    out.camera.radial = {set.k1, set.k2, 0};
    out.camera.principal_point_px = Vec2{static_cast<double>(set.width) / 2 + set.centre_off.x,
                                         static_cast<double>(set.height) / 2 + set.centre_off.y};
    const Lens lens(out.camera);

    std::mt19937 random(set.seed);
    std::normal_distribution<double> normal;
    std::uniform_real_distribution<double> uniform(0, 1);

    const double vfov_deg =
        2 * std::atan(static_cast<double>(set.height) / (2 * out.camera.focal_px)) * kDegPerRad;
    double yaw_step = set.yaw_step_deg > 0 ? set.yaw_step_deg : set.hfov_deg * (1 - set.overlap);
    if (set.ring) yaw_step = 360.0 / static_cast<double>(set.columns);
    const double pitch_step = vfov_deg * (1 - set.overlap);

    Camera guess = out.camera;
    guess.focal_px *= set.focal_factor;
    guess.radial = {0, 0, 0};
    guess.principal_point_px.reset();
    out.input.cameras = {guess};
    out.input.focal_sigma = 0.05;
    out.input.wraps = set.ring;
    for (int64_t column = 0; column < set.columns; ++column) {
        for (int64_t row = 0; row < set.rows; ++row) {
            const double yaw =
                (static_cast<double>(column) - static_cast<double>(set.columns - 1) / 2) * yaw_step;
            const double pitch =
                set.first_pitch_deg +
                (static_cast<double>(set.rows - 1) / 2 - static_cast<double>(row)) * pitch_step;
            out.rotations.push_back(Rotation::from_yaw_pitch_roll_deg(
                yaw + set.aim_deg * normal(random), pitch + set.aim_deg * normal(random),
                set.roll_deg * normal(random)));
            SolveFrame frame;
            if (set.head) {
                frame.row = row;
                frame.column = column;
                const double factor = set.ring ? 1 : set.nominal_factor;
                frame.predicted =
                    Rotation::from_yaw_pitch_roll_deg(yaw * factor, pitch * set.nominal_factor, 0);
            }
            out.input.frames.push_back(frame);
        }
    }

    const size_t frames = out.rotations.size();
    const auto w = static_cast<double>(set.width);
    const auto h = static_cast<double>(set.height);
    const double reach = std::hypot(set.hfov_deg, vfov_deg) * kRadPerDeg;
    for (size_t a = 0; a < frames; ++a) {
        for (size_t b = a + 1; b < frames; ++b) {
            if (angle_between(out.rotations[a].axis(), out.rotations[b].axis()) > reach) continue;
            PairLink link;
            link.a = a;
            link.b = b;
            // As many points as the overlap's share of what neighbours by a side have.
            const auto tries = static_cast<size_t>(static_cast<double>(set.matches) / set.overlap);
            for (size_t i = 0; i < tries && link.matches.size() < set.matches; ++i) {
                const Vec2 p{w * uniform(random), h * uniform(random)};
                const std::optional<Vec2> ab = lens.undistort(p);
                if (!ab) continue;
                const Vec3 d = out.rotations[a].to_world({ab->x, ab->y, 1});
                const Vec3 in_b = out.rotations[b].to_camera(d);
                if (!lens.in_view(in_b)) continue;
                const Vec2 q = *lens.project(in_b);
                Match match{
                    {p.x + set.noise_px * normal(random), p.y + set.noise_px * normal(random)},
                    {q.x + set.noise_px * normal(random), q.y + set.noise_px * normal(random)}};
                if (uniform(random) < set.outliers) {
                    match.b.x += 60 * (uniform(random) - 0.5);
                    match.b.y += 60 * (uniform(random) - 0.5);
                }
                link.matches.push_back(match);
            }
            if (link.matches.size() < 12) continue;
            link.a_from_b = fit_rotation(guess, link.matches);
            link.tentative = link.matches.size();
            link.accepted = true;
            out.input.links.push_back(std::move(link));
        }
    }
    return out;
}

Rotation common_rotation(const MatchTruth& truth, const SolveResult& result,
                         const std::vector<bool>& counted) {
    std::vector<std::pair<Vec3, Vec3>> pairs;
    std::vector<Rotation> each;
    for (size_t i = 0; i < truth.rotations.size(); ++i) {
        if (!result.rotations[i] || (!counted.empty() && !counted[i])) continue;
        each.push_back(truth.rotations[i] * result.rotations[i]->inverse());
        for (const Vec3 d : {Vec3{0.2, 0.1, 1}, Vec3{-0.2, 0.1, 1}, Vec3{0, -0.2, 1}}) {
            pairs.emplace_back(normalized(truth.rotations[i].to_world(d)),
                               normalized(result.rotations[i]->to_world(d)));
        }
    }
    return fit_directions(pairs, median_rotation(each));
}

Reprojection reprojection_error(const MatchTruth& truth, const SolveResult& result,
                                const std::vector<bool>& counted) {
    // The best common rotation in pixels: directions of the lattice, not of the axes alone, so that
    // a principal point taken up by the rotations does not count against the solution.
    const Lens lens(truth.camera);
    const Lens solved(result.cameras[0]);
    std::vector<std::pair<Vec3, Vec3>> pairs;
    const auto lattice = [&](const auto& visit) {
        constexpr int kAcross = 9;
        constexpr int kDown = 7;
        for (size_t i = 0; i < truth.rotations.size(); ++i) {
            if (!result.rotations[i] || (!counted.empty() && !counted[i])) continue;
            for (int y = 0; y < kDown; ++y) {
                for (int x = 0; x < kAcross; ++x) {
                    const Vec2 p{
                        0.5 + (static_cast<double>(truth.camera.width) - 1) * x / (kAcross - 1),
                        0.5 + (static_cast<double>(truth.camera.height) - 1) * y / (kDown - 1)};
                    visit(i, p);
                }
            }
        }
    };
    lattice([&](size_t i, Vec2 p) {
        pairs.emplace_back(truth.rotations[i].to_world(direction(lens, p)),
                           result.rotations[i]->to_world(direction(solved, p)));
    });
    const Rotation common = fit_directions(pairs, common_rotation(truth, result, counted));
    Reprojection out;
    double sum = 0;
    size_t count = 0;
    lattice([&](size_t i, Vec2 p) {
        const Vec3 d = truth.rotations[i].to_world(direction(lens, p));
        const std::optional<Vec2> q =
            solved.project(result.rotations[i]->to_camera(common.to_camera(d)));
        const double off = q ? std::hypot(q->x - p.x, q->y - p.y) : 1e6;
        sum += off * off;
        out.max_px = std::max(out.max_px, off);
        ++count;
    });
    out.rms_px = std::sqrt(sum / static_cast<double>(count));
    return out;
}

}  // namespace broadloom::testing
