// Features on made-up pictures whose points are known, and on noise that has none.
#include "match/features.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <set>

#include "base/process_memory.hpp"
#include "support/sanitized.hpp"
#include "support/world_noise.hpp"

using namespace broadloom;
using namespace broadloom::test;
using Catch::Matchers::WithinAbs;

namespace {

GreyImage flat(int64_t width, int64_t height, int denominator = 1) {
    GreyImage g;
    g.width = width;
    g.height = height;
    g.denominator = denominator;
    g.pixels.assign(static_cast<size_t>(width * height), 110);
    return g;
}

struct Blob {
    double x = 0, y = 0, sigma = 0;  ///< continuous coordinates: the first pixel's centre is 0.5
};

/// Gaussian blobs on a lattice, each off its node by a known part of a pixel.
std::vector<Blob> lattice(int64_t width, int64_t height, double sigma) {
    std::vector<Blob> blobs;
    for (int64_t j = 0; 60 * j + 60 < height; ++j) {
        for (int64_t i = 0; 60 * i + 60 < width; ++i) {
            blobs.push_back({60.0 * static_cast<double>(i) + 40 + random_unit(i, j, 1),
                             60.0 * static_cast<double>(j) + 40 + random_unit(i, j, 2), sigma});
        }
    }
    return blobs;
}

void draw(const std::vector<Blob>& blobs, GreyImage& g) {
    for (const Blob& b : blobs) {
        const auto reach = static_cast<int64_t>(5 * b.sigma) + 1;
        for (int64_t y = floor_of(b.y) - reach; y <= floor_of(b.y) + reach; ++y) {
            for (int64_t x = floor_of(b.x) - reach; x <= floor_of(b.x) + reach; ++x) {
                const double dx = static_cast<double>(x) + 0.5 - b.x;
                const double dy = static_cast<double>(y) + 0.5 - b.y;
                uint8_t& p = g.pixels[static_cast<size_t>(y * g.width + x)];
                const double v =
                    110 + 120 * std::exp(-(dx * dx + dy * dy) / (2 * b.sigma * b.sigma));
                p = static_cast<uint8_t>(std::max<long>(p, std::lround(v)));
            }
        }
    }
}

struct Offsets {
    size_t found = 0;
    Vec2 mean;
    double worst = 0;
};

/// From each blob to the nearest feature within 2 reduced pixels, in reduced pixels.
Offsets offsets(const std::vector<Blob>& blobs, const FeatureSet& set, const GreyImage& g) {
    Offsets o;
    for (const Blob& b : blobs) {
        double best = 2;
        Vec2 off;
        for (const Feature& f : set.points) {
            const Vec2 at = g.from_full({f.x, f.y});
            const double d = std::hypot(at.x - b.x, at.y - b.y);
            if (d < best) {
                best = d;
                off = {at.x - b.x, at.y - b.y};
            }
        }
        if (best == 2) continue;
        ++o.found;
        o.mean = {o.mean.x + off.x, o.mean.y + off.y};
        o.worst = std::max(o.worst, best);
    }
    const auto n = static_cast<double>(std::max<size_t>(1, o.found));
    o.mean = {o.mean.x / n, o.mean.y / n};
    return o;
}

/// Grain, fine and coarse: texture everywhere.
GreyImage textured(int64_t width, int64_t height) {
    GreyImage g = flat(width, height);
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            const double v =
                fbm2(static_cast<double>(x) * 0.12, static_cast<double>(y) * 0.12, 2, 5);
            g.pixels[static_cast<size_t>(y * width + x)] =
                static_cast<uint8_t>(std::lround(clamp01(0.5 + v) * 255));
        }
    }
    return g;
}

/// A clear sky: brighter downwards, with a sensor's grain of `noise` levels.
GreyImage sky(int64_t width, int64_t height, double noise) {
    GreyImage g = flat(width, height);
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            double sum = -6;  // of twelve uniform numbers: about normal
            for (int64_t k = 0; k < 12; ++k) sum += random_unit(x, y, 100 + k);
            const double v =
                140 + 60 * static_cast<double>(y) / static_cast<double>(height) + noise * sum;
            g.pixels[static_cast<size_t>(y * width + x)] =
                static_cast<uint8_t>(std::clamp<long>(std::lround(v), 0, 255));
        }
    }
    return g;
}

}  // namespace

// First, while the process's peak is still its own.
TEST_CASE("finding features takes no more memory than stated, however large the frame",
          "[features][memory]") {
    if (test::kSanitized) {
        WARN("skipped: a sanitizer's own memory would be counted");
        return;
    }
    const GreyImage g = textured(2400, 1800);
    const int64_t before = resident_bytes();
    CHECK(find_features(g, g.width, g.height, 2500).points.size() == 2500);
    const int64_t taken = peak_resident_bytes() - before;
    CHECK(taken < static_cast<int64_t>(feature_work_bytes()));
    // Control: the statement is no idle one.
    CHECK(taken > static_cast<int64_t>(feature_work_bytes() / 2));
}

TEST_CASE("blobs are found where they are, to a few hundredths of a pixel", "[features]") {
    for (const double sigma : {1.6, 2.0, 3.0, 4.5}) {
        for (const int denominator : {1, 4}) {
            GreyImage g = flat(900, 700, denominator);
            g.offset_x = denominator - 1;
            const std::vector<Blob> blobs = lattice(g.width, g.height, sigma);
            draw(blobs, g);
            const FeatureSet set =
                find_features(g, g.width * denominator + 3, g.height * denominator, 2000);
            const Offsets o = offsets(blobs, set, g);
            CAPTURE(sigma, denominator, o.mean.x, o.mean.y, o.worst);
            CHECK(o.found == blobs.size());
            // The library's own shift, a quarter of a pixel, would be ten times as much.
            CHECK_THAT(o.mean.x, WithinAbs(0, 0.025));
            CHECK_THAT(o.mean.y, WithinAbs(0, 0.025));
            CHECK(o.worst < 0.15);
        }
    }
}

TEST_CASE("a picture cut into pieces has the same points as its parts", "[features]") {
    // 1800 x 1200 is worked in several pieces; a part of 700 x 700 in one.
    const GreyImage whole = textured(1800, 1200);
    const int64_t left = 600;
    const int64_t top = 300;
    GreyImage part = flat(700, 700);
    for (int64_t y = 0; y < part.height; ++y) {
        for (int64_t x = 0; x < part.width; ++x) {
            part.pixels[static_cast<size_t>(y * part.width + x)] = whole.at(x + left, y + top);
        }
    }
    const size_t all = 100'000;
    const FeatureSet of_whole = find_features(whole, whole.width, whole.height, all);
    const FeatureSet of_part = find_features(part, part.width, part.height, all);
    REQUIRE(of_part.points.size() > 500);
    // Away from the part's own edges every point must be in the whole as well, and the other way
    // round; octaves start on even pixels in both, so coordinates agree but for rounding.
    const auto inner = [&](double x, double y) { return x > 80 && y > 80 && x < 620 && y < 620; };
    const auto count_without = [&](const FeatureSet& from, Vec2 shift, const FeatureSet& to,
                                   Vec2 to_shift) {
        size_t inside = 0;
        size_t missing = 0;
        for (const Feature& f : from.points) {
            const double x = f.x - shift.x;
            const double y = f.y - shift.y;
            if (!inner(x, y)) continue;
            ++inside;
            bool found = false;
            for (const Feature& g : to.points) {
                found = found || (std::abs(g.x - to_shift.x - x) < 0.05 &&
                                  std::abs(g.y - to_shift.y - y) < 0.05);
            }
            missing += found ? 0 : 1;
        }
        REQUIRE(inside > 300);
        return static_cast<double>(missing) / static_cast<double>(inside);
    };
    const Vec2 corner{static_cast<double>(left), static_cast<double>(top)};
    // Pieces begin at any pixel, octaves at every 2nd, 4th, 8th of them: points of large extent
    // are sampled differently.
    CHECK(count_without(of_part, {}, of_whole, corner) < 0.1);
    CHECK(count_without(of_whole, corner, of_part, {}) < 0.1);
    // Control: a pixel off, hardly any is met.
    CHECK(count_without(of_part, {1, 0}, of_whole, corner) > 0.7);
    // No point twice where pieces meet.
    std::set<std::tuple<float, float, float, float>> different;
    for (const Feature& f : of_whole.points) different.insert({f.x, f.y, f.size, f.angle_deg});
    CHECK(different.size() == of_whole.points.size());
}

TEST_CASE("points are spread over a frame that has texture everywhere", "[features]") {
    // One strong corner must not take all: contrast is doubled in the upper left quarter.
    GreyImage g = textured(1000, 700);
    for (int64_t y = 0; y < g.height; ++y) {
        for (int64_t x = 0; x < g.width; ++x) {
            uint8_t& p = g.pixels[static_cast<size_t>(y * g.width + x)];
            if (x >= g.width / 2 || y >= g.height / 2) {
                p = static_cast<uint8_t>(128 + (p - 128) / 3);
            }
        }
    }
    const size_t most = 960;
    const FeatureSet set = find_features(g, g.width, g.height, most);
    REQUIRE(set.points.size() == most);
    REQUIRE(set.descriptors.size() == most * kDescriptorBytes);
    std::array<size_t, 4> quarter{};
    for (const Feature& f : set.points) {
        ++quarter[(f.x < 500 ? 0U : 1U) + (f.y < 350 ? 0U : 2U)];
    }
    for (const size_t count : quarter) CHECK(count > most / 5);
    // Control: by strength alone the corner takes most.
    const FeatureSet all = find_features(g, g.width, g.height, 100'000);
    std::vector<Feature> strongest = all.points;
    std::sort(strongest.begin(), strongest.end(),
              [](const Feature& a, const Feature& b) { return a.response > b.response; });
    strongest.resize(most);
    const auto in_corner = std::count_if(strongest.begin(), strongest.end(),
                                         [](const Feature& f) { return f.x < 500 && f.y < 350; });
    CHECK(static_cast<size_t>(in_corner) > most / 2);
}

TEST_CASE("a clear sky gives next to nothing, weak texture gives points", "[features]") {
    CHECK(find_features(sky(1200, 800, 0), 1200, 800, 2500).points.empty());
    // Grain of one level, as left after shrinking.
    CHECK(find_features(sky(1200, 800, 1), 1200, 800, 2500).points.size() < 20);
    // Hazy distance: a sixth of the contrast.
    GreyImage hazy = textured(1200, 800);
    for (uint8_t& p : hazy.pixels) p = static_cast<uint8_t>(170 + (p - 128) / 6);
    CHECK(find_features(hazy, 1200, 800, 2500).points.size() > 300);
}

TEST_CASE("empty and tiny frames have no features and do no harm", "[features]") {
    CHECK(find_features(GreyImage{}, 0, 0, 100).points.empty());
    CHECK(find_features(flat(1, 1), 1, 1, 100).points.empty());
    CHECK(find_features(flat(9, 700), 9, 700, 100).points.empty());
    CHECK(find_features(textured(300, 300), 300, 300, 0).points.empty());
    CHECK(find_features(textured(300, 300), 300, 300, 7).points.size() == 7);
}

TEST_CASE("the same frame gives the same bytes; descriptors have one length", "[features]") {
    const GreyImage g = textured(1300, 900);
    const FeatureSet one = find_features(g, g.width, g.height, 1500);
    const FeatureSet two = find_features(g, g.width, g.height, 1500);
    CHECK(one.descriptors == two.descriptors);
    REQUIRE(one.points.size() == two.points.size());
    for (size_t i = 0; i < one.points.size(); ++i) {
        CHECK(one.points[i].x == two.points[i].x);
        CHECK(one.points[i].response == two.points[i].response);
    }
    // Square roots of a histogram that sums to 1, times 512: only rounding and the cut at 255
    // change the length.
    for (size_t i = 0; i < one.points.size(); ++i) {
        double sum = 0;
        for (size_t k = 0; k < kDescriptorBytes; ++k) {
            sum += std::pow(one.descriptors[i * kDescriptorBytes + k], 2);
        }
        REQUIRE_THAT(std::sqrt(sum), WithinAbs(512, 12));
    }
}
