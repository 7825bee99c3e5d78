#include "support/scene_truth.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <limits>
#include <map>
#include <stdexcept>
#include <utility>

#include "broadloom/camera.hpp"

namespace broadloom::test {

namespace {

using Matrix4 = std::array<std::array<double, 4>, 4>;

/// Eigenvector of the largest eigenvalue of a symmetric matrix, by cyclic Jacobi turns.
std::array<double, 4> leading_eigenvector(Matrix4 a) {
    Matrix4 v{{{1, 0, 0, 0}, {0, 1, 0, 0}, {0, 0, 1, 0}, {0, 0, 0, 1}}};
    for (int sweep = 0; sweep < 60; ++sweep) {
        for (size_t p = 0; p < 4; ++p) {
            for (size_t q = p + 1; q < 4; ++q) {
                if (a[p][q] == 0) continue;
                const double theta = 0.5 * (a[q][q] - a[p][p]) / a[p][q];
                const double t =
                    (theta >= 0 ? 1 : -1) / (std::abs(theta) + std::sqrt(theta * theta + 1));
                const double c = 1 / std::sqrt(t * t + 1);
                const double s = t * c;
                for (size_t k = 0; k < 4; ++k) {
                    const double kp = a[k][p];
                    const double kq = a[k][q];
                    a[k][p] = c * kp - s * kq;
                    a[k][q] = s * kp + c * kq;
                }
                for (size_t k = 0; k < 4; ++k) {
                    const double pk = a[p][k];
                    const double qk = a[q][k];
                    a[p][k] = c * pk - s * qk;
                    a[q][k] = s * pk + c * qk;
                }
                for (auto& row : v) {
                    const double kp = row[p];
                    const double kq = row[q];
                    row[p] = c * kp - s * kq;
                    row[q] = s * kp + c * kq;
                }
            }
        }
    }
    size_t best = 0;
    for (size_t i = 1; i < 4; ++i) best = a[i][i] > a[best][best] ? i : best;
    return {v[0][best], v[1][best], v[2][best], v[3][best]};
}

Rotation from_quaternion(const std::array<double, 4>& q) {
    const auto [w, x, y, z] = q;
    Rotation r;
    r.m = {{{w * w + x * x - y * y - z * z, 2 * (x * y - w * z), 2 * (x * z + w * y)},
            {2 * (x * y + w * z), w * w - x * x + y * y - z * z, 2 * (y * z - w * x)},
            {2 * (x * z - w * y), 2 * (y * z + w * x), w * w - x * x - y * y + z * z}}};
    return r;
}

/// A pixel of one frame and its direction by the true camera.
struct Point {
    size_t frame;  ///< into the compared frames
    Vec2 pixel;
    Vec3 direction;
};

struct Compared {
    const Frame* truth;
    const Frame* solved;
    Rotation solved_rotation;
    const Lens* solved_lens;
};

/// Squared error of a point after the common rotation, solved world to true world.
double error_sq(const Point& p, const Compared& c, const Rotation& common) {
    const auto seen =
        c.solved_lens->project(c.solved_rotation.to_camera(common.to_camera(p.direction)));
    if (!seen) return std::numeric_limits<double>::infinity();
    const double dx = seen->x - p.pixel.x;
    const double dy = seen->y - p.pixel.y;
    return dx * dx + dy * dy;
}

/// A small turn by an angle vector after `r`.
Rotation turned_by(const Rotation& r, Vec3 angle) {
    const double half = 0.5 * norm(angle);
    const double s = half > 0 ? std::sin(half) / (2 * half) : 0.5;
    const Rotation small = from_quaternion({std::cos(half), s * angle.x, s * angle.y, s * angle.z});
    Rotation out;
    for (size_t i = 0; i < 3; ++i) {
        for (size_t j = 0; j < 3; ++j) {
            out.m[i][j] = 0;
            for (size_t k = 0; k < 3; ++k) out.m[i][j] += small.m[i][k] * r.m[k][j];
        }
    }
    return out;
}

/// The closed form weighs angles; two steps of Gauss and Newton make it the least squares of
/// pixels.
Rotation refined(Rotation common, const std::vector<Point>& points,
                 const std::vector<Compared>& compared) {
    constexpr double kStep = 1e-6;
    for (int round = 0; round < 2; ++round) {
        std::array<std::array<double, 4>, 3> normal{};  // 3 x 3 and the right-hand side
        for (const Point& p : points) {
            const Compared& c = compared[p.frame];
            const auto seen = [&](const Rotation& r) {
                return c.solved_lens->project(
                    c.solved_rotation.to_camera(r.to_camera(p.direction)));
            };
            const auto here = seen(common);
            const auto x = seen(turned_by(common, {kStep, 0, 0}));
            const auto y = seen(turned_by(common, {0, kStep, 0}));
            const auto z = seen(turned_by(common, {0, 0, kStep}));
            if (!here || !x || !y || !z) continue;
            for (int axis = 0; axis < 2; ++axis) {
                const auto of = [&](Vec2 v) { return axis == 0 ? v.x : v.y; };
                const double residual = of(*here) - of(p.pixel);
                const std::array<double, 3> j{(of(*x) - of(*here)) / kStep,
                                              (of(*y) - of(*here)) / kStep,
                                              (of(*z) - of(*here)) / kStep};
                for (size_t a = 0; a < 3; ++a) {
                    for (size_t b = 0; b < 3; ++b) normal[a][b] += j[a] * j[b];
                    normal[a][3] -= j[a] * residual;
                }
            }
        }
        const auto column = [&](size_t k) {
            return Vec3{normal[0][k], normal[1][k], normal[2][k]};
        };
        const double determinant = dot(column(0), cross(column(1), column(2)));
        if (determinant == 0) break;
        common = turned_by(common, {dot(column(3), cross(column(1), column(2))) / determinant,
                                    dot(column(0), cross(column(3), column(2))) / determinant,
                                    dot(column(0), cross(column(1), column(3))) / determinant});
    }
    return common;
}

std::string name_of(const Frame& frame) {
    return std::filesystem::path(frame.file).filename().native();
}

std::map<std::string, const Frame*> by_name(const Scene& scene, const char* which) {
    std::map<std::string, const Frame*> names;
    for (const Frame& f : scene.frames) {
        if (!names.emplace(name_of(f), &f).second)
            throw std::runtime_error(std::string(which) + " scene names a file twice: " + f.file);
    }
    return names;
}

Rotation rotation_of(const Frame& f) {
    return Rotation::from_yaw_pitch_roll_deg(f.yaw_deg.value(), f.pitch_deg.value(), f.roll_deg);
}

double larger(double a, double b) { return std::abs(b) > std::abs(a) ? b : a; }

double corner(const Camera& c) { return 1 + c.vignetting[0] + c.vignetting[1] + c.vignetting[2]; }

void compare_gains(const std::vector<Compared>& compared, SceneTruth& out) {
    double sum_sq = 0;
    for (size_t c = 0; c < 3; ++c) {
        double mean = 0;
        for (const Compared& f : compared) mean += std::log(f.solved->gain[c] / f.truth->gain[c]);
        const double common = std::exp(mean / static_cast<double>(compared.size()));
        for (const Compared& f : compared) {
            const double share = std::abs(f.solved->gain[c] / f.truth->gain[c] / common - 1);
            sum_sq += share * share;
            out.gain_max_share = std::max(out.gain_max_share, share);
        }
    }
    out.gain_rms_share = std::sqrt(sum_sq / (3 * static_cast<double>(compared.size())));
}

}  // namespace

double SceneTruth::rms_px_of(const std::string& placed_by) const {
    double sum = 0;
    int count = 0;
    for (const FrameTruth& f : frames) {
        if (f.placed_by != placed_by) continue;
        sum += f.rms_px * f.rms_px;
        ++count;
    }
    return count > 0 ? std::sqrt(sum / count) : 0;
}

Rotation best_rotation(const std::vector<Vec3>& from, const std::vector<Vec3>& to) {
    if (from.size() != to.size() || from.size() < 2)
        throw std::runtime_error("a rotation needs two pairs of directions at least");
    std::array<std::array<double, 3>, 3> s{};
    for (size_t i = 0; i < from.size(); ++i) {
        const std::array<double, 3> a{from[i].x, from[i].y, from[i].z};
        const std::array<double, 3> b{to[i].x, to[i].y, to[i].z};
        for (size_t j = 0; j < 3; ++j) {
            for (size_t k = 0; k < 3; ++k) s[j][k] += a[j] * b[k];
        }
    }
    const Matrix4 n{
        {{s[0][0] + s[1][1] + s[2][2], s[1][2] - s[2][1], s[2][0] - s[0][2], s[0][1] - s[1][0]},
         {s[1][2] - s[2][1], s[0][0] - s[1][1] - s[2][2], s[0][1] + s[1][0], s[2][0] + s[0][2]},
         {s[2][0] - s[0][2], s[0][1] + s[1][0], -s[0][0] + s[1][1] - s[2][2], s[1][2] + s[2][1]},
         {s[0][1] - s[1][0], s[2][0] + s[0][2], s[1][2] + s[2][1], -s[0][0] - s[1][1] + s[2][2]}}};
    return from_quaternion(leading_eigenvector(n));
}

SceneTruth compare_with_truth(const Scene& truth, const Scene& solved, int across) {
    SceneTruth out;
    const auto true_frames = by_name(truth, "the true");
    const auto solved_frames = by_name(solved, "the solved");
    for (const Frame& f : truth.frames) {
        const auto at = solved_frames.find(name_of(f));
        if (f.use && (at == solved_frames.end() || !at->second->use)) out.missing.push_back(f.file);
    }
    std::map<std::string, Lens> true_lenses;
    std::map<std::string, Lens> solved_lenses;
    for (const auto& [name, camera] : truth.cameras) true_lenses.emplace(name, Lens(camera));
    for (const auto& [name, camera] : solved.cameras) solved_lenses.emplace(name, Lens(camera));

    std::vector<Compared> compared;
    std::vector<Point> points;
    std::vector<Vec3> from;
    std::vector<Vec3> to;
    for (const Frame& f : solved.frames) {
        if (!f.use) continue;
        const auto at = true_frames.find(name_of(f));
        if (at == true_frames.end()) throw std::runtime_error("the truth knows no frame " + f.file);
        const Frame& t = *at->second;
        if (!t.use) out.extra.push_back(f.file);
        const Lens& true_lens = true_lenses.at(t.camera);
        const Lens& lens = solved_lenses.at(f.camera);
        const Camera& camera = true_lens.camera();
        if (camera.width != lens.camera().width || camera.height != lens.camera().height)
            throw std::runtime_error("the cameras of " + f.file + " differ in size");
        const Rotation true_rotation = rotation_of(t);
        compared.push_back({&t, &f, rotation_of(f), &lens});
        out.focal_share = larger(out.focal_share, lens.camera().focal_px / camera.focal_px - 1);
        out.corner_vignetting_share =
            larger(out.corner_vignetting_share, corner(lens.camera()) / corner(camera) - 1);
        for (int j = 0; j < across; ++j) {
            for (int i = 0; i < across; ++i) {
                const Vec2 pixel{static_cast<double>(camera.width) * (i + 0.5) / across,
                                 static_cast<double>(camera.height) * (j + 0.5) / across};
                const auto a = true_lens.undistort(pixel);
                if (!a) throw std::runtime_error("the true lens does not show all of " + t.file);
                const Vec3 d = true_rotation.to_world(normalized({a->x, a->y, 1}));
                points.push_back({compared.size() - 1, pixel, d});
                const auto b = lens.undistort(pixel);
                if (!b) continue;
                from.push_back(
                    compared.back().solved_rotation.to_world(normalized({b->x, b->y, 1})));
                to.push_back(d);
            }
        }
    }
    if (from.size() < 2) throw std::runtime_error("no frame is left to compare");
    out.common = refined(best_rotation(from, to), points, compared);

    for (const Compared& c : compared) out.frames.push_back({c.solved->file, c.solved->placed_by});
    double sum = 0;
    for (const Point& p : points) {
        const double e = error_sq(p, compared[p.frame], out.common);
        FrameTruth& frame = out.frames[p.frame];
        frame.rms_px += e;
        frame.max_px = std::max(frame.max_px, std::sqrt(e));
        sum += e;
    }
    for (FrameTruth& f : out.frames) {
        f.rms_px = std::sqrt(f.rms_px / (across * across));
        out.max_px = std::max(out.max_px, f.max_px);
    }
    out.rms_px = std::sqrt(sum / static_cast<double>(points.size()));
    compare_gains(compared, out);
    return out;
}

std::string truth_text(const SceneTruth& t) {
    char line[400];
    std::snprintf(line, sizeof line,
                  "%zu frames: %.4f px RMS, %.4f px at most; focal length %+.4f %%; gains %.3f %% "
                  "RMS, %.3f %% at most; corner vignetting %+.3f %%\n",
                  t.frames.size(), t.rms_px, t.max_px, 100 * t.focal_share, 100 * t.gain_rms_share,
                  100 * t.gain_max_share, 100 * t.corner_vignetting_share);
    std::string text = line;
    for (const std::string& f : t.missing) text += "missing: " + f + "\n";
    for (const std::string& f : t.extra) text += "extra: " + f + "\n";
    std::vector<const FrameTruth*> worst;
    for (const FrameTruth& f : t.frames) worst.push_back(&f);
    std::stable_sort(worst.begin(), worst.end(), [](const FrameTruth* a, const FrameTruth* b) {
        return a->rms_px > b->rms_px;
    });
    for (size_t i = 0; i < std::min<size_t>(5, worst.size()); ++i) {
        std::snprintf(line, sizeof line, "worst: %s (%s) %.4f px RMS, %.4f px at most\n",
                      worst[i]->file.c_str(), worst[i]->placed_by.c_str(), worst[i]->rms_px,
                      worst[i]->max_px);
        text += line;
    }
    return text;
}

}  // namespace broadloom::test
