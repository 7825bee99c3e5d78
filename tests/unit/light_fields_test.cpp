// Coarse frames of a made-up sky and ground whose light was misjudged: after the solve neighbours
// agree and the picture is as bright as before; what moved and what is clipped does no harm.
#include "settle/light_fields.hpp"

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <functional>

#include "broadloom/photometry.hpp"
#include "image/kernels.hpp"
#include "support/made_up_canvases.hpp"
#include "support/textured_frames.hpp"

using namespace broadloom;
using namespace broadloom::test;
using Catch::Matchers::WithinAbs;

namespace {

using Light = std::array<double, 3>;
/// Linear light of the world at canvas pixels.
using World = std::function<Light(size_t frame, double x, double y)>;
/// What a frame's light was multiplied by; u, v in -1..1 over the frame.
using Fault = std::function<Light(size_t frame, double u, double v)>;

class HeldFrames final : public CoarseFrames {
  public:
    [[nodiscard]] size_t count() const override { return frames.size(); }
    [[nodiscard]] Rect rect(size_t frame) const override { return frames[frame]->rect; }
    [[nodiscard]] std::shared_ptr<const CoarseFrame> get(size_t frame) const override {
        return frames[frame];
    }
    std::vector<std::shared_ptr<CoarseFrame>> frames;
};

struct Shoot {
    Camera camera = made_up_camera(900, 640, 1800);
    CoarseCanvas coarse;
    std::vector<FrameGeometry> geometry;
    HeldFrames frames;

    Shoot(int columns, int rows, const World& world, const Fault& fault, double first_yaw = 0,
          bool around = false) {
        coarse.step = 2;
        const double scale = camera.focal_px * kRadPerDeg / coarse.step;
        if (around) {
            coarse.canvas = canvas_around(Surface::sphere, -180, 16, -16,
                                          std::llround(360 * scale / 512) * 512);
        } else {
            coarse.canvas = canvas_between(Surface::sphere, -12 - 9.0 * columns, 12 + 9.0 * columns,
                                           8 + 6.0 * rows, -8 - 6.0 * rows, scale);
        }
        for (int r = 0; r < rows; ++r) {
            for (int c = 0; c < columns; ++c) {
                geometry.emplace_back(camera,
                                      aimed(first_yaw + (c - (columns - 1) / 2.0) * 17,
                                            ((rows - 1) / 2.0 - r) * 12, 0.3 * c),
                                      1);
            }
        }
        for (size_t f = 0; f < geometry.size(); ++f) frames.frames.push_back(take(f, world, fault));
    }

    std::shared_ptr<CoarseFrame> take(size_t f, const World& world, const Fault& fault) const {
        const FrameGeometry& g = geometry[f];
        const Canvas& canvas = coarse.canvas;
        const auto centre = canvas.position(g.axis());
        REQUIRE(centre.has_value());
        const double reach = g.cone_rad() * kDegPerRad * canvas.pixels_per_degree * 1.1;
        auto frame = std::make_shared<CoarseFrame>();
        frame->rect =
            aligned_outwards({std::llround(centre->x - reach), std::llround(centre->y - reach),
                              std::llround(centre->x + reach), std::llround(centre->y + reach)},
                             kCell);
        if (canvas.wraps) {
            const int64_t turn = floor_div(frame->rect.x0, canvas.width) * canvas.width;
            frame->rect = frame->rect.moved(-turn, 0);
        }
        const auto area = static_cast<size_t>(frame->rect.area());
        frame->flags.assign(area, 0);
        frame->detail.assign(area, 0);
        for (auto& channel : frame->value) channel.assign(area, 0);
        for (int64_t y = frame->rect.y0; y < frame->rect.y1; ++y) {
            if (y < 0 || y >= canvas.height) continue;
            for (int64_t x = frame->rect.x0; x < frame->rect.x1; ++x) {
                if (!canvas.wraps && (x < 0 || x >= canvas.width)) continue;
                const double px = static_cast<double>(x) + 0.5;
                const double py = static_cast<double>(y) + 0.5;
                const Vec3 d = canvas.direction(px, py);
                const FramePoint p = g.at(d, 1 / norm(d));
                if (!p.valid || !g.covers(p.x, p.y)) continue;
                const size_t i = frame->index(x, y);
                frame->flags[i] = kCovered;
                const double turn =
                    canvas.wraps && x >= canvas.width ? static_cast<double>(canvas.width) : 0;
                const Light light = world(f, px - turn, py);
                const Light wrong =
                    fault(f, 2 * p.x / g.upright_width() - 1, 2 * p.y / g.upright_height() - 1);
                for (size_t c = 0; c < 3; ++c) {
                    const double encoded = srgb_encode(light[c] * wrong[c]) * 255 +
                                           0.8 * lattice_noise(x, y, 50 * f + c);
                    if (encoded >= 253 || encoded < 4) frame->flags[i] |= kClipped;
                    frame->value[c][i] = static_cast<int16_t>(
                        std::lround(std::clamp(encoded, 0.0, 255.0) * (1 << kWorkShift)));
                }
            }
        }
        return frame;
    }
};

/// A sky that brightens towards the horizon over textured ground, about pixel row 250.
Light landscape(size_t, double x, double y) {
    if (y < 250) return {0.25 + y / 1000, 0.35 + y / 1000, 0.6 + y / 1500};
    const double v = std::exp(texture(x, y, 4) / 90) * 0.12;
    return {v, 1.1 * v, 0.7 * v};
}

Light exact(size_t, double, double) { return {1, 1, 1}; }

/// Gains wrong by up to 5 %, colours by up to 3 %, and vignetting misjudged by up to 5 %.
Light misjudged(size_t frame, double u, double v) {
    const auto f = static_cast<int64_t>(frame);
    const double gain = 1 + 0.05 * lattice_noise(f, 1, 3);
    const double edge = 1 + 0.05 * lattice_noise(f, 2, 3) * (u * u + v * v) / 2;
    const double slope = 1 + 0.02 * lattice_noise(f, 6, 3) * u;
    Light out{};
    for (size_t c = 0; c < 3; ++c) {
        out[c] =
            gain * edge * slope * (1 + 0.03 * lattice_noise(f, 3 + static_cast<int64_t>(c), 3));
    }
    return out;
}

double linear_of(int16_t working) {
    return srgb_decode(static_cast<double>(working) / (255 << kWorkShift));
}

/// Root mean square difference of the logarithms of two frames' mean light over blocks of 16 x 16
/// pixels that both cover and none clips; blocks for which `counts` is false are left out.
double disagreement(const Shoot& shoot, const std::function<bool(double, double)>& counts) {
    double squares = 0;
    int places = 0;
    const auto& all = shoot.frames.frames;
    for (size_t i = 0; i < all.size(); ++i) {
        for (size_t j = i + 1; j < all.size(); ++j) {
            const Rect shared = intersect(all[i]->rect, all[j]->rect);
            for (int64_t y = shared.y0; y < shared.y1; y += 16) {
                for (int64_t x = shared.x0; x < shared.x1; x += 16) {
                    if (!counts(static_cast<double>(x) + 8, static_cast<double>(y) + 8)) continue;
                    Light a{};
                    Light b{};
                    bool whole = true;
                    for (int64_t v = y; v < y + 16; ++v) {
                        for (int64_t u = x; u < x + 16; ++u) {
                            const size_t k = all[i]->index(u, v);
                            const size_t l = all[j]->index(u, v);
                            whole = whole && all[i]->flags[k] == kCovered &&
                                    all[j]->flags[l] == kCovered;
                            for (size_t c = 0; c < 3; ++c) {
                                a[c] += linear_of(all[i]->value[c][k]);
                                b[c] += linear_of(all[j]->value[c][l]);
                            }
                        }
                    }
                    if (!whole) continue;
                    for (size_t c = 0; c < 3; ++c) squares += std::pow(std::log(a[c] / b[c]), 2);
                    places += 3;
                }
            }
        }
    }
    REQUIRE(places > 100);
    return std::sqrt(squares / places);
}

/// The picture's average in linear light, each pixel from the frame whose axis is nearest.
Light average(const Shoot& shoot) {
    Light sum{};
    double pixels = 0;
    const Canvas& canvas = shoot.coarse.canvas;
    for (int64_t y = 0; y < canvas.height; ++y) {
        for (int64_t x = 0; x < canvas.width; ++x) {
            const Vec3 d =
                canvas.direction(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
            double best = -2;
            Light light{};
            for (size_t f = 0; f < shoot.geometry.size(); ++f) {
                const CoarseFrame& frame = *shoot.frames.frames[f];
                for (const int64_t turn : {int64_t{0}, canvas.width}) {
                    if (turn != 0 && !canvas.wraps) continue;
                    if (!frame.rect.contains({x + turn, y, x + turn + 1, y + 1})) continue;
                    const size_t i = frame.index(x + turn, y);
                    const double score = dot(shoot.geometry[f].axis(), d) / norm(d);
                    if ((frame.flags[i] & kCovered) == 0 || score <= best) continue;
                    best = score;
                    for (size_t c = 0; c < 3; ++c) {
                        light[c] = std::min(1.0, linear_of(frame.value[c][i]));
                    }
                }
            }
            if (best < -1) continue;
            for (size_t c = 0; c < 3; ++c) sum[c] += light[c];
            pixels += 1;
        }
    }
    for (double& s : sum) s /= pixels;
    return sum;
}

void apply_all(Shoot& shoot, const std::vector<FrameFields>& fields) {
    for (size_t f = 0; f < fields.size(); ++f) {
        apply_light(*shoot.frames.frames[f], shoot.coarse, shoot.geometry[f], fields[f]);
    }
}

bool everywhere(double, double) { return true; }

double largest_difference(const std::vector<FrameFields>& a, const std::vector<FrameFields>& b) {
    double largest = 0;
    for (size_t f = 0; f < a.size(); ++f) {
        for (double v = 0; v <= 640; v += 80) {
            for (double u = 0; u <= 900; u += 90) {
                const auto p = a[f].log_gains(u, v, 900, 640);
                const auto q = b[f].log_gains(u, v, 900, 640);
                for (size_t c = 0; c < 3; ++c) largest = std::max(largest, std::abs(p[c] - q[c]));
            }
        }
    }
    return largest;
}

}  // namespace

TEST_CASE("misjudged gains, vignetting and colours agree after the solve", "[light]") {
    Shoot shoot(3, 2, landscape, misjudged);
    const double before = disagreement(shoot, everywhere);
    const Light bright = average(shoot);
    LightReport report;
    const auto fields = solve_light(shoot.coarse, shoot.geometry, shoot.frames, 2, &report);
    apply_all(shoot, fields);
    const double after = disagreement(shoot, everywhere);
    CAPTURE(before, after, report.rms_before, report.rms_after, report.samples, report.average);
    CHECK(before > 0.03);  // the control
    CHECK(after < 0.006);
    CHECK(report.pairs >= 7);
    CHECK(report.rms_before > 0.03);
    CHECK(report.rms_after < 0.006);
    const Light now = average(shoot);
    for (size_t c = 0; c < 3; ++c) CHECK_THAT(now[c] / bright[c], WithinAbs(1, 0.01));
}

TEST_CASE("frames that agree are left as they are", "[light]") {
    const Shoot shoot(2, 1, landscape, exact);
    for (const auto& f : solve_light(shoot.coarse, shoot.geometry, shoot.frames, 1)) {
        CHECK_FALSE(f.lights());
        CHECK_FALSE(f.moves());
    }
}

TEST_CASE("what moved, and a sun that is clipped, do no harm", "[light]") {
    const Shoot quiet(3, 2, landscape, misjudged);
    const auto expected = solve_light(quiet.coarse, quiet.geometry, quiet.frames, 2);
    // In each frame other dark and bright things, the larger as wide as a sixth of an overlap, and
    // a sun in the overlap of two.
    const World busy = [](size_t frame, double x, double y) {
        Light light = landscape(frame, x, y);
        for (int k = 0; k < 14; ++k) {
            const auto id = static_cast<int64_t>(frame) * 100 + k;
            const double cx = 520 + 500 * lattice_noise(id, 1, 8);
            const double cy = 320 + 250 * lattice_noise(id, 2, 8);
            const double radius = 14 + 8 * lattice_noise(id, 3, 8);
            if (std::hypot(x - cx, y - cy) < radius) {
                const double v = k % 2 == 0 ? 0.03 : 0.8;
                light = {v, 0.6 * v, 0.3 * v};
            }
        }
        const double sun = std::hypot(x - 400, y - 180);
        if (sun < 25) light = {3, 2.8, 2.5};
        return light;
    };
    Shoot shoot(3, 2, busy, misjudged);
    const auto fields = solve_light(shoot.coarse, shoot.geometry, shoot.frames, 2);
    CHECK(largest_difference(fields, expected) < 0.015);
    // The control: frames as they are differ by more.
    const std::vector<FrameFields> none(fields.size());
    CHECK(largest_difference(none, expected) > 0.03);
}

TEST_CASE("light fields depend on the frames alone, not on the threads", "[light]") {
    const Shoot shoot(3, 1, landscape, misjudged);
    const auto one = solve_light(shoot.coarse, shoot.geometry, shoot.frames, 1);
    for (const int threads : {2, 5}) {
        const auto more = solve_light(shoot.coarse, shoot.geometry, shoot.frames, threads);
        for (size_t f = 0; f < one.size(); ++f) CHECK(more[f].log_gain == one[f].log_gain);
    }
    const Fault other = [](size_t f, double u, double v) {
        Light light = misjudged(f, u, v);
        light[0] *= f == 1 ? 1.01 : 1;
        return light;
    };
    const Shoot changed(3, 1, landscape, other);  // the control
    CHECK(solve_light(changed.coarse, changed.geometry, changed.frames, 1)[0].log_gain !=
          one[0].log_gain);
}

TEST_CASE("no light is changed by more than half a stop, corners without neighbours by less",
          "[light]") {
    // The middle frame lacks two stops.
    const Fault dark = [](size_t f, double, double) {
        const double v = f == 1 ? 0.25 : 1;
        return Light{v, v, v};
    };
    const World grey = [](size_t, double x, double y) {
        const double v = 0.3 * std::exp(texture(x, y, 4) / 200);
        return Light{v, v, v};
    };
    const Shoot shoot(3, 1, grey, dark);
    double largest = 0;
    for (const auto& f : solve_light(shoot.coarse, shoot.geometry, shoot.frames, 2)) {
        for (const auto& channel : f.log_gain) {
            for (const float v : channel) {
                largest = std::max(largest, std::abs(static_cast<double>(v)));
            }
        }
    }
    CHECK(largest <= kMostLogGain + 1e-7);

    // A fault that rises towards the overlap alone: what the far side is not asked about stays
    // within what was seen.
    const Fault edge = [](size_t f, double u, double) {
        const double v = f == 0 ? 1 + 0.06 * std::max(0.0, u) * u : 1;
        return Light{v, v, v};
    };
    const Shoot two(2, 1, grey, edge);
    const auto fields = solve_light(two.coarse, two.geometry, two.frames, 2);
    double far = 0;
    double near = 0;
    for (double v = 0; v <= 640; v += 40) {
        for (double u = 0; u <= 300; u += 30) {
            far = std::max(far, std::abs(fields[0].log_gains(u, v, 900, 640)[1]));
            near = std::max(near, std::abs(fields[0].log_gains(900 - u / 2, v, 900, 640)[1]));
        }
    }
    CHECK(near > 0.01);
    CHECK(far < 0.04);
}

TEST_CASE("a frame that meets no other keeps its light; the canvas's edge is no border",
          "[light]") {
    // Twenty-one frames 17 degrees apart go once round: the first and the last meet across the
    // edge.
    const World ring = [](size_t, double x, double y) {
        const double v = 0.3 + 0.1 * std::sin(x / 90) * std::cos(y / 60);
        return Light{v, 0.9 * v, 0.8 * v};
    };
    Shoot around(21, 1, ring, misjudged, 8, true);
    LightReport report;
    const auto fields = solve_light(around.coarse, around.geometry, around.frames, 2, &report);
    CHECK(report.pairs == 21);
    const Light bright = average(around);
    apply_all(around, fields);
    const Light now = average(around);
    for (size_t c = 0; c < 3; ++c) CHECK_THAT(now[c] / bright[c], WithinAbs(1, 0.01));
    CHECK(report.rms_after < 0.2 * report.rms_before);

    Shoot apart(2, 1, landscape, misjudged);
    HeldFrames& held = apart.frames;
    held.frames.push_back(held.frames[0]);
    auto lonely = std::make_shared<CoarseFrame>(*held.frames[0]);
    for (uint8_t& flag : lonely->flags) flag &= static_cast<uint8_t>(~kCovered);
    held.frames[2] = lonely;
    apart.geometry.push_back(apart.geometry[0]);
    const auto some = solve_light(apart.coarse, apart.geometry, held, 1);
    CHECK(some[0].lights());
    CHECK_FALSE(some[2].lights());
}
