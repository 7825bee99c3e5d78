// Displacements of made-up patches: known ones are found, doubtful ones are not reported.
#include "settle/patch_match.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <functional>
#include <vector>

#include "settle/local_shift.hpp"
#include "support/memory_frames.hpp"
#include "support/textured_frames.hpp"

using namespace broadloom;
using namespace broadloom::test;
using Catch::Matchers::WithinAbs;

namespace {

using Content = std::function<double(double, double)>;

std::vector<uint8_t> patch(const Content& content, double dx, double dy, double noise,
                           uint64_t seed) {
    std::vector<uint8_t> grey;
    for (int y = 0; y < kPatchSide; ++y) {
        for (int x = 0; x < kPatchSide; ++x) {
            // Three uniform numbers' sum has this deviation.
            const double grain =
                noise * (lattice_noise(x, y, seed) + lattice_noise(x, y, seed + 1) +
                         lattice_noise(x, y, seed + 2));
            grey.push_back(static_cast<uint8_t>(
                std::clamp(std::lround(content(x - dx, y - dy) + grain), 0L, 255L)));
        }
    }
    return grey;
}

double world(double x, double y) { return 120 + texture(x, y, 77); }

}  // namespace

TEST_CASE("displacements between patches are found to a tenth of a pixel", "[shift][property]") {
    Dice dice(5);
    double squares = 0;
    int found = 0;
    for (int i = 0; i < 40; ++i) {
        const Vec2 d{dice.between(-11, 11), dice.between(-11, 11)};
        const double shift_x = dice.between(0, 5000);
        const Content here = [&](double x, double y) { return world(x + shift_x, y); };
        const auto a = patch(here, 0, 0, 1, 900 + static_cast<uint64_t>(i) * 10);
        const auto b = patch(here, d.x, d.y, 1, 5900 + static_cast<uint64_t>(i) * 10);
        const auto m = match_patches(a, b, 14);
        if (!m) continue;
        ++found;
        squares += std::pow(m->by.x - d.x, 2) + std::pow(m->by.y - d.y, 2);
        CHECK(std::abs(m->axis[0].x * m->axis[1].x + m->axis[0].y * m->axis[1].y) < 1e-12);
        CHECK(m->deviation[0] <= m->deviation[1]);
        CHECK(m->deviation[1] < 0.3);
    }
    CHECK(found >= 36);
    CHECK(std::sqrt(squares / found) < 0.1);
}

TEST_CASE("another brightness and contrast change nothing", "[shift]") {
    const auto a = patch(world, 0, 0, 0.5, 1);
    const auto b =
        patch([](double x, double y) { return 40 + 0.8 * world(x, y); }, 3.3, -2.6, 0.5, 50);
    const auto m = match_patches(a, b, 14);
    REQUIRE(m.has_value());
    CHECK_THAT(m->by.x, WithinAbs(3.3, 0.1));
    CHECK_THAT(m->by.y, WithinAbs(-2.6, 0.1));
}

TEST_CASE("nothing is said of patches without texture or with other content", "[shift]") {
    const Content sky = [](double, double y) { return 150 + 0.1 * y; };
    CHECK_FALSE(match_patches(patch(sky, 0, 0, 1, 1), patch(sky, 2, 1, 1, 9), 14).has_value());
    const auto a = patch(world, 0, 0, 1, 1);
    const auto other =
        patch([](double x, double y) { return 120 + texture(x, y, 1234); }, 0, 0, 1, 9);
    CHECK_FALSE(match_patches(a, other, 14).has_value());
    // Beyond what is searched.
    CHECK_FALSE(match_patches(a, patch(world, 12, 0, 1, 9), 6).has_value());
    CHECK(match_patches(a, patch(world, 5, 0, 1, 9), 6).has_value());  // the control
}

TEST_CASE("of repeating content nothing is said, along an edge only across it", "[shift]") {
    // Railings whose distance fits into the search.
    const Content bars = [](double x, double) { return std::fmod(x + 800, 8) < 4 ? 60.0 : 190.0; };
    CHECK_FALSE(match_patches(patch(bars, 0, 0, 1, 1), patch(bars, 2, 0, 1, 9), 14).has_value());

    const Content edge = [](double x, double y) {
        const double across = 0.8 * (x - 31) + 0.6 * (y - 29);
        return 120 + 60 * std::tanh(across / 2);
    };
    const auto m = match_patches(patch(edge, 0, 0, 0.5, 1), patch(edge, 2, 1, 0.5, 9), 14);
    REQUIRE(m.has_value());
    CHECK_THAT(std::abs(m->axis[0].x), WithinAbs(0.8, 0.03));
    CHECK_THAT(std::abs(m->axis[0].y), WithinAbs(0.6, 0.03));
    CHECK(m->deviation[1] == PatchOffset::kUnknown);
    const double across = m->by.x * m->axis[0].x + m->by.y * m->axis[0].y;
    const double truth = 2 * m->axis[0].x + 1 * m->axis[0].y;
    CHECK_THAT(across, WithinAbs(truth, 0.15));
}
