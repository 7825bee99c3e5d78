// Frames of a made-up world, bent by a few smooth pixels each: after the solve neighbours meet,
// where there is something to see; nothing is moved where there is not.
#include "settle/local_shift.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <functional>
#include <limits>

#include "support/made_up_canvases.hpp"
#include "support/textured_frames.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// What a frame shows of the world at longitude and latitude, in pixels: levels.
using World = std::function<double(size_t frame, double x, double y)>;
/// How far a frame's pixels are off at an upright position.
using Bend = std::function<Vec2(size_t frame, double x, double y)>;

struct Shoot {
    Camera camera = made_up_camera(900, 640, 1800);
    std::vector<Frame> aims;
    std::vector<FrameGeometry> geometry;
    std::vector<std::vector<uint8_t>> pixels;
    std::vector<FrameSampler> samplers;
    CoarseCanvas coarse;
    int border = 8;

    Shoot(int columns, int rows, int step, const World& world, const Bend& bend) {
        camera.radial = {-0.05, 0, 0};
        const double step_x = 16.5;
        const double step_y = 12;
        for (int r = 0; r < rows; ++r) {
            for (int c = 0; c < columns; ++c) {
                aims.push_back(aimed((c - (columns - 1) / 2.0) * step_x,
                                     ((rows - 1) / 2.0 - r) * step_y, 0.4 * c - 0.3 * r));
            }
        }
        coarse.step = step;
        coarse.canvas =
            canvas_between(Surface::sphere, -20.0 * columns, 20.0 * columns, 14.0 * rows,
                           -14.0 * rows, camera.focal_px * kRadPerDeg / step);
        const Lens lens(camera);
        const auto width = camera.width;
        const auto height = camera.height;
        const int64_t stride = width + 2 * border + 32;
        for (size_t f = 0; f < aims.size(); ++f) {
            geometry.emplace_back(camera, aims[f], 1);
            const Rotation rotation = Rotation::from_yaw_pitch_roll_deg(
                *aims[f].yaw_deg, *aims[f].pitch_deg, aims[f].roll_deg);
            std::vector<uint8_t> plane(static_cast<size_t>(stride * (height + 2 * border + 4)));
            for (int64_t y = 0; y < height; ++y) {
                for (int64_t x = 0; x < width; ++x) {
                    const double px = static_cast<double>(x) + 0.5;
                    const double py = static_cast<double>(y) + 0.5;
                    // What is at p stands at p + bend(p).
                    Vec2 p{px, py};
                    for (int i = 0; i < 3; ++i) {
                        const Vec2 b = bend(f, p.x, p.y);
                        p = {px - b.x, py - b.y};
                    }
                    const auto ab = lens.undistort(p);
                    const Vec3 d = rotation.to_world({ab->x, ab->y, 1});
                    const double longitude = std::atan2(d.x, d.z);
                    const double latitude = -std::asin(d.y / norm(d));
                    const double v =
                        world(f, longitude * camera.focal_px, -latitude * camera.focal_px) +
                        1.5 * lattice_noise(x, y, 999 + f);
                    plane[static_cast<size_t>((y + border) * stride + x + border)] =
                        static_cast<uint8_t>(std::clamp(std::lround(v), 0L, 255L));
                }
            }
            for (int64_t y = -border; y < height + border; ++y) {
                for (int64_t x = -border; x < width + border; ++x) {
                    const int64_t cx = std::clamp<int64_t>(x, 0, width - 1);
                    const int64_t cy = std::clamp<int64_t>(y, 0, height - 1);
                    plane[static_cast<size_t>((y + border) * stride + x + border)] =
                        plane[static_cast<size_t>((cy + border) * stride + cx + border)];
                }
            }
            pixels.push_back(std::move(plane));
        }
        for (size_t f = 0; f < aims.size(); ++f) {
            FrameSampler s;
            s.planes = 1;
            s.width = width;
            s.height = height;
            s.plane[0] = {pixels[f].data() + border * stride + border, stride, 1, 1};
            samplers.push_back(s);
        }
    }
};

class HeldPatches final : public PatchSource {
  public:
    HeldPatches(const PatchLattice& lattice, const Shoot& shoot) {
        for (size_t f = 0; f < shoot.geometry.size(); ++f) {
            patches_.push_back(std::make_shared<std::vector<Patch>>(
                cut_patches(lattice, f, shoot.geometry[f], shoot.samplers[f], plain_kernels())));
        }
    }
    [[nodiscard]] std::shared_ptr<const std::vector<Patch>> get(size_t frame) const override {
        return patches_[frame];
    }

  private:
    std::vector<std::shared_ptr<const std::vector<Patch>>> patches_;
};

/// Waves of up to about 2.4 px in each frame, as wide as half a frame.
Vec2 waves(size_t frame, double x, double y) {
    const auto f = static_cast<double>(frame);
    return {1.7 * std::sin(x / 140 + 1.3 * f) + 0.9 * std::cos(y / 120 + 2.1 * f),
            1.6 * std::cos(x / 150 + 0.7 * f) + 0.9 * std::sin(y / 130 - 1.1 * f)};
}

double plain_world(size_t, double x, double y) { return 120 + texture(x, y, 7); }

/// Root mean square of what neighbours differ by at places that two frames show and `counts` says
/// yes to, before and after. Pixels of one frame turn against those of another by a degree here:
/// the difference of shifts is taken in frame pixels.
struct Misfit {
    double before = 0, after = 0, worst_after = 0;
    int places = 0;
};
Misfit misfit(const Shoot& shoot, const Bend& bend, const std::vector<FrameFields>& fields,
              const std::function<bool(double, double)>& counts) {
    Misfit m;
    const auto w = static_cast<double>(shoot.camera.width);
    const auto h = static_cast<double>(shoot.camera.height);
    for (double longitude = -40; longitude <= 40; longitude += 0.7) {
        for (double latitude = -28; latitude <= 28; latitude += 0.7) {
            const double a = longitude * kRadPerDeg;
            const double b = latitude * kRadPerDeg;
            if (!counts(a * shoot.camera.focal_px, -b * shoot.camera.focal_px)) continue;
            const Vec3 d{std::cos(b) * std::sin(a), -std::sin(b), std::cos(b) * std::cos(a)};
            std::vector<std::array<Vec2, 2>> off;
            for (size_t f = 0; f < shoot.geometry.size(); ++f) {
                const auto p = shoot.geometry[f].upright(d);
                constexpr double kFromBorder = 40;  // where patches can be
                if (!p || p->x < kFromBorder || p->y < kFromBorder || p->x > w - kFromBorder ||
                    p->y > h - kFromBorder) {
                    continue;
                }
                const Vec2 true_bend = bend(f, p->x, p->y);
                const Vec2 shift = fields[f].shift(p->x, p->y, w, h);
                off.push_back({true_bend, Vec2{true_bend.x - shift.x, true_bend.y - shift.y}});
            }
            for (size_t i = 1; i < off.size(); ++i) {
                const auto length = [&](size_t k) {
                    return std::hypot(off[i][k].x - off[0][k].x, off[i][k].y - off[0][k].y);
                };
                m.before += length(0) * length(0);
                m.after += length(1) * length(1);
                m.worst_after = std::max(m.worst_after, length(1));
                ++m.places;
            }
        }
    }
    m.before = std::sqrt(m.before / m.places);
    m.after = std::sqrt(m.after / m.places);
    return m;
}

bool everywhere(double, double) { return true; }

/// Four frames of the plain world with their waves.
const Shoot& four_frames() {
    static const Shoot shoot(2, 2, 2, plain_world, waves);
    return shoot;
}

std::vector<FrameFields> solved(const Shoot& shoot, double limit, int threads = 2,
                                ShiftReport* report = nullptr, int coarser = 1) {
    CoarseCanvas coarse = shoot.coarse;
    coarse.step *= coarser;
    coarse.canvas.pixels_per_degree /= coarser;
    const PatchLattice lattice = patch_lattice(coarse, shoot.geometry);
    const HeldPatches patches(lattice, shoot);
    return solve_shifts(lattice, shoot.geometry, patches, limit, threads, report);
}

}  // namespace

TEST_CASE("neighbours bent by a few pixels meet after the solve", "[shift]") {
    const Shoot& shoot = four_frames();
    for (const int coarser : {1, 4}) {  // patches of frame pixels, and of two of them
        ShiftReport report;
        const auto fields = solved(shoot, 6, 2, &report, coarser);
        const Misfit m = misfit(shoot, waves, fields, everywhere);
        CAPTURE(coarser, m.before, m.after, m.worst_after, report.points, report.rms_before_px,
                report.rms_after_px);
        CHECK(m.places > 500);
        CHECK(m.before > 2);  // the control: without the shift
        CHECK(m.after < 0.5);
        CHECK(report.frames == 4);
        CHECK(report.pairs == 6);
        CHECK(report.rms_after_px < 0.5);
        CHECK(report.rms_before_px > 2);
    }
}

TEST_CASE("nothing is moved where there is nothing to see, nor by what moved itself", "[shift]") {
    // Sky without texture above a wavy line; below it, things that stand elsewhere in each frame,
    // by as much as the solve looks for.
    const auto sky = [](double x, double y) { return y < -60 + 30 * std::sin(x / 200); };
    const World world = [&](size_t frame, double x, double y) {
        if (sky(x, y)) return 170 + 0.02 * y;
        for (int k = 0; k < 12; ++k) {
            const double cx = 700 * lattice_noise(k, 1, 5);
            const double cy = 180 + 240 * lattice_noise(k, 2, 5);
            const double radius = 45 + 15 * lattice_noise(k, 3, 5);
            if (std::hypot(x - cx, y - cy) < radius) {
                const auto f = static_cast<int64_t>(frame);
                return 120 + texture(x + 6 * lattice_noise(f, 4 + k, 5),
                                     y + 6 * lattice_noise(f, 40 + k, 5), 3);
            }
        }
        return plain_world(frame, x, y);
    };
    const Shoot shoot(2, 2, 2, world, waves);
    const double limit = 6;
    const auto fields = solved(shoot, limit);
    const auto w = static_cast<double>(shoot.camera.width);
    const auto h = static_cast<double>(shoot.camera.height);

    const Misfit ground =
        misfit(shoot, waves, fields, [&](double x, double y) { return !sky(x, y - 60); });
    CAPTURE(ground.before, ground.after, ground.worst_after);
    CHECK(ground.before > 2);
    CHECK(ground.after < 0.5);

    double longest = 0;
    double in_sky = 0;
    int places = 0;
    for (size_t f = 0; f < fields.size(); ++f) {
        REQUIRE(fields[f].moves());
        for (double y = 0; y <= h; y += 8) {
            for (double x = 0; x <= w; x += 8) {
                const Vec2 s = fields[f].shift(x, y, w, h);
                longest = std::max(longest, std::hypot(s.x, s.y));
                const auto ab = Lens(shoot.camera).undistort({x, y});
                const Rotation r = Rotation::from_yaw_pitch_roll_deg(
                    *shoot.aims[f].yaw_deg, *shoot.aims[f].pitch_deg, shoot.aims[f].roll_deg);
                const Vec3 d = normalized(r.to_world({ab->x, ab->y, 1}));
                const double longitude = std::atan2(d.x, d.z) * shoot.camera.focal_px;
                const double down = std::asin(d.y) * shoot.camera.focal_px;
                // Three spans of 80 px and a patch beyond the last thing to see near there.
                if (sky(longitude, down + 3 * 80 + 64 + 60)) {
                    ++places;
                    in_sky = std::max(in_sky, std::hypot(s.x, s.y));
                }
            }
        }
        CHECK(fields[f].longest_shift() <= limit);
    }
    CHECK(longest > 1);
    CHECK(places > 1000);
    CHECK(in_sky == 0);
}

TEST_CASE("no shift is longer than its limit, and none at a limit of zero", "[shift]") {
    const Bend apart = [](size_t frame, double x, double y) {
        const Vec2 w = waves(frame, x, y);
        return Vec2{w.x + (frame % 2 == 0 ? 4 : -4), w.y};
    };
    const Shoot shoot(2, 1, 2, plain_world, apart);
    for (const double limit : {6.0, 1.5}) {
        ShiftReport report;
        const auto fields = solved(shoot, limit, 2, &report);
        double longest = 0;
        for (const auto& f : fields) longest = std::max(longest, f.longest_shift());
        CHECK(longest <= limit);
        if (limit == 6.0) {
            CHECK(longest > 1.5);  // the control
            // Each frame moves half of the way.
            const Vec2 left = fields[0].shift(750, 320, 900, 640);
            const Vec2 right = fields[1].shift(150, 320, 900, 640);
            CHECK(left.x > 1);
            CHECK(right.x < -1);
        }
    }
    ShiftReport report;
    for (const auto& f : solved(shoot, 0, 2, &report)) CHECK_FALSE(f.moves());
    CHECK(report.points == 0);
    CHECK(report.frames == 0);
}

TEST_CASE("shifts depend on the patches alone, not on the threads", "[shift]") {
    const Shoot& shoot = four_frames();
    const auto one = solved(shoot, 6, 1);
    for (const int threads : {2, 5}) {
        const auto more = solved(shoot, 6, threads);
        for (size_t f = 0; f < one.size(); ++f) {
            CHECK(more[f].dx == one[f].dx);
            CHECK(more[f].dy == one[f].dy);
        }
    }
    CHECK(solved(shoot, 1, 1)[0].dx != one[0].dx);  // the control
}

TEST_CASE("frames that agree hardly move, a featureless frame not at all", "[shift]") {
    const Bend none = [](size_t, double, double) { return Vec2{}; };
    const World world = [](size_t frame, double x, double y) {
        return frame == 2 ? 130 : plain_world(frame, x, y);
    };
    const Shoot shoot(3, 1, 2, world, none);
    const auto fields = solved(shoot, 6);
    double longest = 0;
    for (const auto& f : fields) longest = std::max(longest, f.longest_shift());
    CHECK(longest < 0.3);
    CHECK_FALSE(fields[2].moves());
    CHECK(fields[0].moves());
}

TEST_CASE("the lattice's points are shared, inside their frames and the same from every frame",
          "[shift][property]") {
    const Shoot& shoot = four_frames();
    const PatchLattice lattice = patch_lattice(shoot.coarse, shoot.geometry);
    CHECK(lattice.scale == 1);
    size_t points = 0;
    for (size_t f = 0; f < shoot.geometry.size(); ++f) {
        for (const auto& p : lattice.points[f]) {
            ++points;
            int seen = 0;
            for (const auto& others : lattice.points) {
                seen += static_cast<int>(std::count(others.begin(), others.end(), p));
            }
            REQUIRE(seen >= 2);
            for (const double x : {-32.0, 32.0}) {
                for (const double y : {-32.0, 32.0}) {
                    const auto at = shoot.geometry[f].upright(lattice.direction(p, x, y));
                    REQUIRE(at.has_value());
                    REQUIRE(at->x > 0);
                    REQUIRE(at->x < 900);
                    REQUIRE(at->y > 0);
                    REQUIRE(at->y < 640);
                }
            }
        }
    }
    CHECK(points > 150);
    // On a sphere all round and up to the pole rows get shorter.
    CoarseCanvas whole;
    whole.step = 2;
    whole.canvas = canvas_around(Surface::sphere, -180, 90, -90, 5632);
    const PatchLattice polar =
        patch_lattice(whole, {FrameGeometry(shoot.camera, aimed(0, 88, 0), 1),
                              FrameGeometry(shoot.camera, aimed(90, 84, 0), 1),
                              FrameGeometry(shoot.camera, aimed(179, 0, 0), 1),
                              FrameGeometry(shoot.camera, aimed(-176, 0, 0), 1)});
    CHECK(polar.columns.front() < 10);
    CHECK(polar.columns[polar.columns.size() / 2] > 150);
    CHECK(polar.points[0].size() > 20);
    CHECK(polar.points[0] == polar.points[1]);
    CHECK(polar.points[2].size() > 50);
    CHECK(polar.points[2] == polar.points[3]);
}

TEST_CASE("things that neighbours show by chance alike move nothing", "[shift]") {
    // Each frame has a texture of its own but for a few small things that all have somewhere.
    const World world = [](size_t frame, double x, double y) {
        for (int k = 0; k < 40; ++k) {
            const auto f = static_cast<int64_t>(frame);
            const double cx = 700 * lattice_noise(k, 1, 5);
            const double cy = 300 * lattice_noise(k, 2, 5);
            if (std::hypot(x - cx, y - cy) < 40) {
                return 120 + texture(x + 5 * lattice_noise(f, 4 + k, 5),
                                     y + 5 * lattice_noise(f, 90 + k, 5), 3);
            }
        }
        return 120 + texture(x, y, 1000 * (frame + 1));
    };
    const Bend none = [](size_t, double, double) { return Vec2{}; };
    const Shoot shoot(2, 1, 2, world, none);
    ShiftReport report;
    double longest = 0;
    for (const auto& f : solved(shoot, 6, 2, &report)) {
        longest = std::max(longest, f.longest_shift());
    }
    CAPTURE(report.points);
    CHECK(longest == 0);
    // The control: what the same frames agree on moves them.
    CHECK(solved(four_frames(), 6)[0].longest_shift() > 1);
}
