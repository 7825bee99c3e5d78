// Points of drawn Gaussian blobs, also where the pieces meet in which a large frame is worked; the
// quota of the cells.
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstring>

#include "match/features.hpp"
#include "support/world_noise.hpp"

using namespace broadloom;
using namespace broadloom::test;
using Catch::Matchers::WithinAbs;

namespace {

GreyImage flat(int64_t width, int64_t height) {
    GreyImage g;
    g.width = width;
    g.height = height;
    g.pixels.assign(static_cast<size_t>(width * height), 90);
    return g;
}

/// Moves a coordinate by less than a sixteenth of a pixel, to where it is no nearer than that to a
/// multiple of a quarter. Half-way between the samples of an octave lie such multiples, and there
/// the library's search for the exact place swings between the two samples on pictures without
/// noise: it gives up, or gives both.
double off_ties(double x) {
    const double quarters = 4 * x;
    const double whole = std::floor(quarters);
    return (whole + std::clamp(quarters - whole, 0.25, 0.75)) / 4;
}

/// Blobs on a lattice that shares no step with any cut, each at a random part of a pixel.
std::vector<Vec2> places(int64_t width, int64_t height, double step) {
    std::vector<Vec2> out;
    for (int64_t j = 0; step * static_cast<double>(j) + 60 < static_cast<double>(height); ++j) {
        for (int64_t i = 0; step * static_cast<double>(i) + 60 < static_cast<double>(width); ++i) {
            out.push_back({off_ties(step * static_cast<double>(i) + 30 + random_unit(i, j, 11)),
                           off_ties(step * static_cast<double>(j) + 30 + random_unit(i, j, 12))});
        }
    }
    return out;
}

/// Continuous coordinates: a blob at (0.5, 0.5) is brightest in the first pixel.
GreyImage with_blobs(int64_t width, int64_t height, const std::vector<Vec2>& blobs, double sigma) {
    GreyImage g = flat(width, height);
    const auto reach = static_cast<int64_t>(4.5 * sigma) + 1;
    for (const Vec2 b : blobs) {
        for (int64_t y = floor_of(b.y) - reach; y <= floor_of(b.y) + reach; ++y) {
            for (int64_t x = floor_of(b.x) - reach; x <= floor_of(b.x) + reach; ++x) {
                const double dx = static_cast<double>(x) + 0.5 - b.x;
                const double dy = static_cast<double>(y) + 0.5 - b.y;
                g.pixels[static_cast<size_t>(y * width + x)] = static_cast<uint8_t>(
                    std::lround(90 + 140 * std::exp(-(dx * dx + dy * dy) / (2 * sigma * sigma))));
            }
        }
    }
    return g;
}

/// Grain at every place; `right_contrast` times as much in the right half.
GreyImage grain(int64_t width, int64_t height, double right_contrast = 1) {
    GreyImage g = flat(width, height);
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            const double v =
                fbm2(static_cast<double>(x) * 0.14, static_cast<double>(y) * 0.14, 2, 21);
            g.pixels[static_cast<size_t>(y * width + x)] = static_cast<uint8_t>(
                std::lround(clamp01(0.5 + (2 * x < width ? 1 : right_contrast) * v) * 255));
        }
    }
    return g;
}

struct Census {
    size_t missing = 0, doubled = 0;
    Vec2 mean, rms;
};

/// Each blob's point of its own size within 1.5 pixels. A round blob has points of several angles
/// in exactly one place; two places are a point found twice.
Census census(const std::vector<Vec2>& blobs, const std::vector<Feature>& points) {
    Census c;
    size_t found = 0;
    for (const Vec2 b : blobs) {
        std::vector<Feature> near;
        for (const Feature& f : points) {
            if (std::hypot(f.x - b.x, f.y - b.y) < 1.5) near.push_back(f);
        }
        if (near.empty()) {
            ++c.missing;
            continue;
        }
        bool twice = false;
        for (size_t i = 1; i < near.size(); ++i) {
            twice = twice || near[i].x != near[0].x || near[i].y != near[0].y;
            for (size_t k = 0; k < i; ++k) twice = twice || near[i].angle_deg == near[k].angle_deg;
        }
        c.doubled += twice ? 1 : 0;
        ++found;
        const double dx = near[0].x - b.x;
        const double dy = near[0].y - b.y;
        c.mean = {c.mean.x + dx, c.mean.y + dy};
        c.rms = {c.rms.x + dx * dx, c.rms.y + dy * dy};
    }
    const auto n = static_cast<double>(std::max<size_t>(1, found));
    c.mean = {c.mean.x / n, c.mean.y / n};
    c.rms = {std::sqrt(c.rms.x / n), std::sqrt(c.rms.y / n)};
    return c;
}

bool same(const FeatureSet& a, const FeatureSet& b) {
    static_assert(sizeof(Feature) == 5 * sizeof(float));  // no gaps to compare
    return a.descriptors == b.descriptors && a.points.size() == b.points.size() &&
           std::memcmp(a.points.data(), b.points.data(), a.points.size() * sizeof(Feature)) == 0;
}

}  // namespace

TEST_CASE("drawn blobs are found in place to a twentieth of a pixel in each axis",
          "[match_features]") {
    for (const double sigma : {1.8, 2.7, 3.6}) {
        const std::vector<Vec2> blobs = places(640, 480, 53.7);
        const GreyImage g = with_blobs(640, 480, blobs, sigma);
        const FeatureSet set = find_features(g, 640, 480, 3000);
        const Census c = census(blobs, set.points);
        CAPTURE(sigma, c.mean.x, c.mean.y, c.rms.x, c.rms.y, c.doubled);
        CHECK(c.missing == 0);
        CHECK_THAT(c.mean.x, WithinAbs(0, 0.05));
        CHECK_THAT(c.mean.y, WithinAbs(0, 0.05));
        CHECK(c.rms.x < 0.1);
        CHECK(c.rms.y < 0.1);
        // The control: counted from the first pixel's centre, the same check says no.
        std::vector<Vec2> otherwise = blobs;
        for (Vec2& b : otherwise) b = {b.x - 0.5, b.y - 0.5};
        const Census off = census(otherwise, set.points);
        CHECK(off.mean.x > 0.4);
        CHECK(off.mean.y > 0.4);
    }
}

TEST_CASE("where pieces meet no point is missing and none is doubled", "[match_features]") {
    // 2.9 megapixels are worked in several pieces; the lattice has blobs at any distance from their
    // borders, wherever these are.
    const int64_t width = 2003;  // odd: pieces start on odd and even pixels
    const int64_t height = 1451;
    const double sigma = 2.4;
    REQUIRE(feature_work_bytes() / 250 < static_cast<size_t>(width * height) / 3);
    const std::vector<Vec2> blobs = places(width, height, 37.3);
    const GreyImage g = with_blobs(width, height, blobs, sigma);
    const FeatureSet set = find_features(g, width, height, 100'000);
    const Census c = census(blobs, set.points);
    CAPTURE(blobs.size(), set.points.size(), c.mean.x, c.mean.y);
    CHECK(c.missing == 0);
    CHECK(c.doubled == 0);
    CHECK_THAT(c.mean.x, WithinAbs(0, 0.05));
    CHECK_THAT(c.mean.y, WithinAbs(0, 0.05));

    // The controls: a strip worked twice is seen as doubled, one left out as missing.
    std::vector<Feature> twice = set.points;
    std::vector<Feature> without;
    for (const Feature& f : set.points) {
        if (f.x > 980 && f.x < 1030) {
            twice.push_back(f);
        } else {
            without.push_back(f);
        }
    }
    CHECK(census(blobs, twice).doubled > 30);
    CHECK(census(blobs, without).missing > 30);
}

TEST_CASE("a smooth gradient with noise of a level yields nearly nothing", "[match_features]") {
    GreyImage g = flat(1000, 800);
    for (int64_t y = 0; y < g.height; ++y) {
        for (int64_t x = 0; x < g.width; ++x) {
            double sum = -6;  // of twelve uniform numbers: about normal
            for (int64_t k = 0; k < 12; ++k) sum += random_unit(x, y, 300 + k);
            const double v =
                25 + 0.05 * static_cast<double>(x) + 0.03 * static_cast<double>(y) + sum;
            g.pixels[static_cast<size_t>(y * g.width + x)] =
                static_cast<uint8_t>(std::clamp<long>(std::lround(v), 0, 255));
        }
    }
    CHECK(find_features(g, g.width, g.height, 2500).points.size() < 8);
    // The control: with a few blobs in it, none of them clipped, it yields those.
    const std::vector<Vec2> blobs = places(1000, 800, 171.3);
    const GreyImage marks = with_blobs(1000, 800, blobs, 2.5);
    for (size_t i = 0; i < g.pixels.size(); ++i) {
        g.pixels[i] = static_cast<uint8_t>(std::clamp(g.pixels[i] + marks.pixels[i] - 90, 0, 255));
    }
    const FeatureSet set = find_features(g, g.width, g.height, 2500);
    CHECK(census(blobs, set.points).missing == 0);
}

TEST_CASE("each cell gets its quota, and no more points than wanted are given",
          "[match_features]") {
    const GreyImage g = grain(960, 720, 0.35);
    const size_t most = 480;
    constexpr size_t kCells = 48;  // 8 x 6
    const auto counts = [](const std::vector<Feature>& points) {
        std::array<size_t, kCells> count{};
        for (const Feature& f : points) {
            ++count[static_cast<size_t>(f.y / 120) * 8 + static_cast<size_t>(f.x / 120)];
        }
        return count;
    };
    const FeatureSet set = find_features(g, g.width, g.height, most);
    REQUIRE(set.points.size() == most);
    REQUIRE(set.descriptors.size() == most * kDescriptorBytes);
    const auto spread = counts(set.points);
    CHECK(*std::min_element(spread.begin(), spread.end()) >= most / kCells);
    CHECK(find_features(g, g.width, g.height, 37).points.size() == 37);

    // The control: the strongest alone leave the flat half's cells short.
    FeatureSet all = find_features(g, g.width, g.height, 100'000);
    REQUIRE(all.points.size() > 3 * most);
    std::sort(all.points.begin(), all.points.end(),
              [](const Feature& a, const Feature& b) { return a.response > b.response; });
    all.points.resize(most);
    const auto strongest = counts(all.points);
    CHECK(*std::min_element(strongest.begin(), strongest.end()) < most / kCells / 2);
}

TEST_CASE("the same frame gives the same points and descriptors twice", "[match_features]") {
    GreyImage g = grain(1100, 800);  // more than a piece
    const FeatureSet one = find_features(g, g.width, g.height, 900);
    CHECK(one.points.size() == 900);
    CHECK(same(one, find_features(g, g.width, g.height, 900)));
    // The control: a spot in one place changes it.
    for (int64_t y = 400; y < 406; ++y) {
        for (int64_t x = 500; x < 506; ++x) g.pixels[static_cast<size_t>(y * g.width + x)] = 255;
    }
    CHECK_FALSE(same(one, find_features(g, g.width, g.height, 900)));
}
