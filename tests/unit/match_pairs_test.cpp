// Pairs of small frames cut from the wall of marks that made-up cards are photographs of, by
// cameras that are known exactly.
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include "match/pairs.hpp"
#include "support/card_world.hpp"
#include "support/world_noise.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

constexpr double kFocal = 650;  // of the true camera, pixels

Camera camera_of(double focal_px, double k1 = 0) {
    Camera c;
    c.width = 540;
    c.height = 400;
    c.focal_px = focal_px;
    c.radial = {k1, 0, 0};
    return c;
}

double grain(int64_t x, int64_t y, int64_t seed) {
    double sum = -6;  // of twelve uniform numbers: about normal
    for (int64_t k = 0; k < 12; ++k) sum += random_unit(x, y, seed * 12 + k);
    return sum;
}

GreyImage photograph(const CardWorld& world, const Camera& camera, const Rotation& rotation,
                     int64_t seed, double noise_levels = 1.5) {
    const Lens lens(camera);
    GreyImage g;
    g.width = camera.width;
    g.height = camera.height;
    const auto count = static_cast<size_t>(g.width);
    std::vector<double> longitude(count);
    std::vector<double> latitude(count);
    std::vector<float> rgb(3 * count);
    for (int64_t y = 0; y < g.height; ++y) {
        for (size_t x = 0; x < count; ++x) {
            const auto ab =
                lens.undistort({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
            const Vec3 d = normalized(rotation.to_world({ab->x, ab->y, 1}));
            longitude[x] = std::atan2(d.x, d.z) * kDegPerRad;
            latitude[x] = std::asin(-d.y) * kDegPerRad;
        }
        world.light(longitude.data(), latitude.data(), count, rgb.data());
        for (size_t x = 0; x < count; ++x) {
            const double light =
                0.299 * rgb[3 * x] + 0.587 * rgb[3 * x + 1] + 0.114 * rgb[3 * x + 2];
            const double level = 255 * std::pow(light, 1 / 2.2) +
                                 noise_levels * grain(static_cast<int64_t>(x), y, seed);
            g.pixels.push_back(static_cast<uint8_t>(std::clamp<long>(std::lround(level), 0, 255)));
        }
    }
    return g;
}

FeatureSet features_of(const GreyImage& g) { return find_features(g, g.width, g.height, 1200); }

Rotation turned(double yaw, double pitch, double roll) {
    return Rotation::from_yaw_pitch_roll_deg(yaw, pitch, roll);
}

/// Angle of the turn from one to the other, exact for small ones too.
double degrees_between(const Rotation& p, const Rotation& q) {
    const Rotation r = p * q.inverse();
    const Vec3 axis{r.m[2][1] - r.m[1][2], r.m[0][2] - r.m[2][0], r.m[1][0] - r.m[0][1]};
    return std::atan2(norm(axis), r.m[0][0] + r.m[1][1] + r.m[2][2] - 1) * kDegPerRad;
}

/// Where the camera that took both frames puts a's point in b.
std::optional<Vec2> truth(const Camera& c, const Rotation& a_from_b, Vec2 p) {
    const Lens lens(c);
    const auto ab = lens.undistort(p);
    if (!ab) return std::nullopt;
    const Vec3 d = a_from_b.to_camera({ab->x, ab->y, 1});
    return lens.in_view(d) ? lens.project(d) : std::nullopt;
}

double miss(const Camera& c, const Rotation& a_from_b, const Match& m) {
    const auto at = truth(c, a_from_b, m.a);
    return at ? std::hypot(at->x - m.b.x, at->y - m.b.y) : 1e9;
}

/// Random points of the overlap, at least `margin` from both frames' edges, with their true
/// counterparts off by up to `off_px` in each axis.
std::vector<Match> rough_matches(const Camera& c, const Rotation& a_from_b, double margin,
                                 double off_px, int64_t count) {
    const auto w = static_cast<double>(c.width);
    const auto h = static_cast<double>(c.height);
    std::vector<Match> matches;
    for (int64_t i = 0; i < count; ++i) {
        const Vec2 p{margin + (w - 2 * margin) * random_unit(i, 1),
                     margin + (h - 2 * margin) * random_unit(i, 2)};
        const auto at = truth(c, a_from_b, p);
        if (!at || at->x < margin || at->x > w - margin || at->y < margin || at->y > h - margin) {
            continue;
        }
        matches.push_back({p,
                           {at->x + off_px * (2 * random_unit(i, 3) - 1),
                            at->y + off_px * (2 * random_unit(i, 4) - 1)}});
    }
    return matches;
}

/// RMS a coordinate.
double rms(const Camera& c, const Rotation& a_from_b, const std::vector<Match>& matches) {
    double sum = 0;
    for (const Match& m : matches) sum += std::pow(miss(c, a_from_b, m), 2);
    return std::sqrt(sum / 2 / static_cast<double>(std::max<size_t>(1, matches.size())));
}

/// With detail as fine as the frames can hold.
TextureWorld wall(uint32_t seed) { return {std::atan(1 / kFocal) * kDegPerRad, seed}; }

}  // namespace

TEST_CASE("the rotation is found with focal length and lens misstated, at any roll",
          "[match_pairs][register]") {
    const TextureWorld world = wall(3);
    for (const double k1 : {-0.1, 0.1}) {
        const Camera real = camera_of(kFocal, k1);
        const FeatureSet a = features_of(photograph(world, real, {}, 1));
        for (const double roll : {0.0, 90.0, 180.0}) {
            const Rotation a_from_b = turned(19, 3, roll);
            const FeatureSet b = features_of(photograph(world, real, a_from_b, 2));
            for (const double misstated : {0.95, 1.05}) {
                CAPTURE(k1, roll, misstated);
                const Camera stated = camera_of(kFocal * misstated);
                const auto links = register_pair(0, 1, a, b, stated, stated);
                REQUIRE_FALSE(links.empty());
                const PairLink& link = links[0];
                CHECK(link.accepted);
                const double off = degrees_between(link.a_from_b, a_from_b);
                UNSCOPED_INFO("off by " << off << " degrees, rms " << link.rms_px << " px, "
                                        << link.matches.size() << " matches");
                // Stated alone 5 % would be a degree in 19.
                CHECK(off < 0.25);
                CHECK(link.rms_px < 1);
                // The matches are true ones whatever was stated.
                size_t good = 0;
                for (const Match& m : link.matches) good += miss(real, a_from_b, m) < 1.5 ? 1U : 0U;
                CHECK(static_cast<double>(good) > 0.97 * static_cast<double>(link.matches.size()));
                // The control: from a turn of two degrees more, hardly any.
                good = 0;
                for (const Match& m : link.matches) {
                    good += miss(real, a_from_b * turned(2, 0, 0), m) < 1.5 ? 1U : 0U;
                }
                CHECK(static_cast<double>(good) < 0.05 * static_cast<double>(link.matches.size()));
            }
        }
    }
}

TEST_CASE("frames of different walls, or of one wall far apart, are not accepted",
          "[match_pairs][register]") {
    const Camera c = camera_of(kFocal);
    const TextureWorld here = wall(3);
    const TextureWorld there = wall(900);
    const FeatureSet a = features_of(photograph(here, c, {}, 1));
    const FeatureSet other = features_of(photograph(there, c, {}, 2));
    const FeatureSet apart = features_of(photograph(here, c, turned(95, 0, 0), 3));
    const FeatureSet beside = features_of(photograph(here, c, turned(17, 0, 0), 4));
    const auto accepted = [&](const FeatureSet& p, const FeatureSet& q) {
        const auto links = register_pair(0, 1, p, q, c, c);
        return std::any_of(links.begin(), links.end(),
                           [](const PairLink& link) { return link.accepted; });
    };
    CHECK_FALSE(accepted(a, other));
    CHECK_FALSE(accepted(other, a));
    CHECK_FALSE(accepted(a, apart));
    CHECK_FALSE(accepted(other, apart));
    CHECK(accepted(a, beside));  // the control
}

TEST_CASE("what the head says holds: a registration far from it is not given",
          "[match_pairs][register]") {
    const Camera c = camera_of(kFocal);
    const TextureWorld world = wall(3);
    const Rotation a_from_b = turned(18, -2, 1);
    const FeatureSet a = features_of(photograph(world, c, {}, 1));
    const FeatureSet b = features_of(photograph(world, c, a_from_b, 2));
    RegisterOptions options;
    options.prior_deg = 2;
    for (const Rotation& far : {turned(26, -2, 1), turned(10, -2, 1), turned(18, 5, 1),
                                turned(18, -2, 25), turned(-18, -2, 1)}) {
        options.predicted = far;
        CHECK(register_pair(0, 1, a, b, c, c, options).empty());
    }
    // The control: near it, it is given, and true. A degree is 11 pixels.
    options.predicted = turned(19, -1.5, 0.5);
    const auto links = register_pair(0, 1, a, b, c, c, options);
    REQUIRE(links.size() == 1);
    CHECK(links[0].accepted);
    CHECK(degrees_between(links[0].a_from_b, a_from_b) < 0.2);
}

TEST_CASE("guided matches are those within the radius", "[match_pairs][guided]") {
    const Camera c = camera_of(kFocal, 0.05);
    const TextureWorld world = wall(3);
    const Rotation a_from_b = turned(15, 2, 4);
    const FeatureSet a = features_of(photograph(world, c, {}, 1));
    const FeatureSet b = features_of(photograph(world, c, a_from_b, 2));
    const auto matches = guided_matches(a, b, c, c, a_from_b, 5);
    CHECK(matches.size() > 150);
    size_t near = 0;
    for (const Match& m : matches) {
        REQUIRE(miss(c, a_from_b, m) <= 5);
        near += miss(c, a_from_b, m) < 1.5 ? 1U : 0U;
    }
    // Most are the same marks, not whatever lay within reach.
    CHECK(static_cast<double>(near) > 0.9 * static_cast<double>(matches.size()));
    // Orientations off by 0.6 degrees, about 7 pixels: within 5 hardly any, within 12 again.
    const Rotation off = a_from_b * turned(0.6, 0, 0);
    CHECK(guided_matches(a, b, c, c, off, 5).size() < matches.size() / 4);
    const auto wide = guided_matches(a, b, c, c, off, 12);
    CHECK(wide.size() > matches.size() / 2);
    for (const Match& m : wide) REQUIRE(miss(c, off, m) <= 12);
}

TEST_CASE("overlapping frames are found by what they show, whatever the threads",
          "[match_pairs][similar]") {
    const Camera c = camera_of(kFocal);
    const TextureWorld world = wall(3);
    const TextureWorld other = wall(900);
    // Two rows of three, 45 degrees wide each, out of order and rolled; the last from elsewhere.
    const std::vector<std::array<int, 2>> cells{{1, 2}, {0, 0}, {1, 1}, {0, 2}, {0, 1}, {1, 0}};
    std::vector<FeatureSet> frames;
    for (const auto& [row, column] : cells) {
        const Rotation r = turned(26.0 * column, 19.0 * row - 9, 35.0 * column - 10.0 * row);
        frames.push_back(features_of(photograph(world, c, r, 7 * row + column)));
    }
    frames.push_back(features_of(photograph(other, c, {}, 50)));
    const auto pairs = similar_pairs(frames, 4, 1);
    CHECK(similar_pairs(frames, 4, 3) == pairs);
    CHECK(std::is_sorted(pairs.begin(), pairs.end()));
    const auto listed = [&](size_t i, size_t j) {
        return std::find(pairs.begin(), pairs.end(), std::pair(std::min(i, j), std::max(i, j))) !=
               pairs.end();
    };
    for (size_t i = 0; i < cells.size(); ++i) {
        for (size_t j = i + 1; j < cells.size(); ++j) {
            const int apart =
                std::abs(cells[i][0] - cells[j][0]) + std::abs(cells[i][1] - cells[j][1]);
            CAPTURE(i, j, apart);
            if (apart == 1) CHECK(listed(i, j));
        }
    }
    // The lists are filled up with chance partners, as the frame from elsewhere shows; but what
    // comes first in them are neighbours.
    frames.pop_back();
    const auto best = similar_pairs(frames, 1, 3);
    REQUIRE(best.size() >= 3);
    const auto neighbours = [&](size_t shift) {
        return std::all_of(best.begin(), best.end(), [&](const std::pair<size_t, size_t>& p) {
            const auto& one = cells[(p.first + shift) % cells.size()];
            const auto& two = cells[(p.second + shift) % cells.size()];
            return std::abs(one[0] - two[0]) + std::abs(one[1] - two[1]) == 1;
        });
    };
    CHECK(neighbours(0));
    CHECK_FALSE(neighbours(1));  // the control: with cells mixed up
}

TEST_CASE("refined matches are off by less than a twentieth of a pixel", "[match_pairs][refine]") {
    const Camera c = camera_of(kFocal, -0.06);
    const TextureWorld world = wall(3);
    const GreyImage a = photograph(world, c, {}, 1);
    for (const Rotation& a_from_b : {turned(14, 2, 1), turned(-9, 7, 90)}) {
        const GreyImage b = photograph(world, c, a_from_b, 2);
        const auto rough = rough_matches(c, a_from_b, 30, 1.2, 900);
        REQUIRE(rough.size() > 100);
        const auto refined = refine_matches(a, b, c, c, a_from_b, rough, 4, 100);
        UNSCOPED_INFO("RMS " << rms(c, a_from_b, refined) << " of " << refined.size());
        CHECK(refined.size() > 60);
        CHECK(refined.size() <= 100);
        CHECK(rms(c, a_from_b, refined) < 0.05);
        CHECK(rms(c, a_from_b, rough) > 0.5);  // the control: what they began with
    }
}

TEST_CASE("what moved and what has no texture is dropped", "[match_pairs][refine]") {
    const Camera c = camera_of(kFocal);
    const TextureWorld world = wall(3);
    const Rotation a_from_b = turned(10, 0, 0);
    const GreyImage a = photograph(world, c, {}, 1);
    const GreyImage b = photograph(world, c, a_from_b, 2);
    // Matches whose windows lie wholly in a rectangle of b, and those wholly outside.
    const int64_t left = 120;
    const int64_t top = 100;
    const int64_t side = 160;
    std::vector<Match> inside;
    std::vector<Match> outside;
    for (const Match& m : rough_matches(c, a_from_b, 30, 0.5, 900)) {
        const double x = m.b.x - static_cast<double>(left);
        const double y = m.b.y - static_cast<double>(top);
        const auto in = [&](double by) {
            return x > -by && y > -by && x < static_cast<double>(side) + by &&
                   y < static_cast<double>(side) + by;
        };
        if (in(-20)) inside.push_back(m);
        if (!in(20)) outside.push_back(m);
    }
    REQUIRE(inside.size() > 25);
    REQUIRE(outside.size() > 100);
    const auto refined = [&](const GreyImage& with, const std::vector<Match>& matches) {
        return refine_matches(a, with, c, c, a_from_b, matches, 4, 200).size();
    };
    const size_t inside_before = refined(b, inside);
    const size_t outside_before = refined(b, outside);
    CHECK(inside_before > inside.size() / 2);  // the control of all that follows

    // A piece of b pasted elsewhere: it hides what a sees there.
    GreyImage moved = b;
    GreyImage smooth = b;
    for (int64_t y = 0; y < side; ++y) {
        for (int64_t x = 0; x < side; ++x) {
            const auto to = static_cast<size_t>((top + y) * b.width + left + x);
            moved.pixels[to] = b.at(left + 200 + x, top + 110 + y);
            smooth.pixels[to] = static_cast<uint8_t>(
                std::lround(100 + 0.1 * static_cast<double>(x) + 1.5 * grain(x, y, 40)));
        }
    }
    CHECK(refined(moved, inside) <= inside.size() / 20);
    CHECK(refined(moved, outside) == outside_before);
    // Moved as a whole by 7 pixels: it fits, but farther off than what is allowed.
    GreyImage shifted = b;
    for (int64_t y = 0; y < side; ++y) {
        for (int64_t x = 0; x < side; ++x) {
            shifted.pixels[static_cast<size_t>((top + y) * b.width + left + x)] =
                b.at(left + x + 7, top + y);
        }
    }
    CHECK(refined(shifted, inside) <= inside.size() / 20);
    // No texture in b, and in neither.
    CHECK(refined(smooth, inside) == 0);
    CHECK(refined(smooth, outside) == outside_before);
    CHECK(refine_matches(smooth, smooth, c, c, {}, {}, 4, 200).empty());
    std::vector<Match> in_smooth;
    for (const Match& m : inside) in_smooth.push_back({m.b, m.b});
    CHECK(refine_matches(smooth, smooth, c, c, {}, in_smooth, 4, 200).empty());
    CHECK(refine_matches(b, b, c, c, {}, in_smooth, 4, 200).size() > in_smooth.size() / 2);
}
