/// Samples of overlapping frames rendered from a smooth world whose light is a formula of the
/// direction: the corrected values of both frames must be the same light.
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <vector>

#include "align/photometric_solve.hpp"
#include "broadloom/photometry.hpp"

namespace broadloom {
namespace {

using Three = std::array<double, 3>;

/// Light of the made-up world, 0.1..0.4 but for a bright sky above 14 degrees; `fine` adds texture.
Three light_of(Vec3 d, double fine) {
    const Vec3 n = normalized(d);
    const double longitude = std::atan2(n.x, n.z);
    const double latitude = -std::asin(n.y);
    Three light{};
    for (size_t c = 0; c < 3; ++c) {
        const auto phase = static_cast<double>(c);
        light[c] = 0.22 + 0.06 * std::sin(9 * longitude + phase) +
                   0.04 * std::cos(14 * latitude - 5 * longitude + 2 * phase);
        if (latitude * kDegPerRad > 14) light[c] *= 12;
        // Stripes of less than a reduced pixel to several, in one half of the world.
        if (longitude > 0) light[c] *= 1 + fine * std::sin(900 * longitude * (1 + longitude));
    }
    return light;
}

struct Frame {
    Rotation rotation;
    Three gain{1, 1, 1};  ///< that corrects it
    /// Something that stood here for this frame alone: full-size pixels, left top right bottom.
    std::array<double, 4> passer_by{};
};

Camera camera() {
    Camera camera;
    camera.width = 2400;
    camera.height = 1600;
    camera.focal_px = 3000;
    camera.principal_point_px = Vec2{1216, 790};
    camera.radial = {-0.08, 0.02, 0};
    camera.vignetting = {-0.22, -0.11, -0.02};
    return camera;
}

/// The frame as a reduced JPEG gives it: means of encoded values, clipped, rounded to 8 bits. Where
/// there is texture, means of four places a pixel.
ColourImage shoot(const Camera& camera, const Frame& frame, int denominator, double fine = 0) {
    const Lens lens(camera);
    ColourImage image;
    image.denominator = denominator;
    image.width = camera.width / denominator;
    image.height = camera.height / denominator;
    image.pixels.resize(static_cast<size_t>(3 * image.width * image.height));
    const int sub = fine > 0 ? 2 : 1;
    for (int64_t y = 0; y < image.height; ++y) {
        for (int64_t x = 0; x < image.width; ++x) {
            Three sum{};
            for (int k = 0; k < sub * sub; ++k) {
                const int row = k / sub;
                const int column = k % sub;
                const Vec2 pixel{(static_cast<double>(x) + (column + 0.5) / sub) * denominator,
                                 (static_cast<double>(y) + (row + 0.5) / sub) * denominator};
                const Vec2 ab = lens.undistort(pixel).value();
                Three light = light_of(frame.rotation.to_world({ab.x, ab.y, 1}), fine);
                const auto& p = frame.passer_by;
                if (pixel.x > p[0] && pixel.y > p[1] && pixel.x < p[2] && pixel.y < p[3])
                    light = {0.1, 0.1, 0.1};
                for (size_t c = 0; c < 3; ++c) {
                    const double recorded = light[c] * lens.vignetting(pixel) / frame.gain[c];
                    sum[c] += srgb_encode(std::clamp(recorded, 0.0, 1.0));
                }
            }
            for (size_t c = 0; c < 3; ++c)
                image.pixels[static_cast<size_t>(3 * (y * image.width + x)) + c] =
                    static_cast<uint16_t>(257 * std::lround(255 * sum[c] / (sub * sub)));
        }
    }
    return image;
}

double curve(const Three& v, double r) {
    const double r2 = r * r;
    return 1 + r2 * (v[0] + r2 * (v[1] + r2 * v[2]));
}

/// Corrected a over corrected b, of the channel where they differ most.
double mismatch(const PhotometricSample& s, const Three& gain_a, const Three& gain_b,
                const Three& vignetting) {
    double worst = 0;
    for (size_t c = 0; c < 3; ++c) {
        const double a = s.value_a[c] * gain_a[c] / curve(vignetting, s.radius_a);
        const double b = s.value_b[c] * gain_b[c] / curve(vignetting, s.radius_b);
        worst = std::max(worst, std::abs(std::log(a / b)));
    }
    return worst;
}

Frame left_frame() {
    return {Rotation::from_yaw_pitch_roll_deg(-13, 0.5, 2), {1.1, 1.1, 1.05}, {}};
}
Frame right_frame() {
    return {Rotation::from_yaw_pitch_roll_deg(12, -0.5, -1), {0.85, 0.9, 0.9}, {}};
}

std::vector<PhotometricSample> sample_pair(const Frame& a, const Frame& b, int denominator_a,
                                           int denominator_b, size_t most, double fine = 0) {
    return sample_overlap(4, 7, shoot(camera(), a, denominator_a, fine),
                          shoot(camera(), b, denominator_b, fine), camera(), camera(), a.rotation,
                          b.rotation, most);
}

}  // namespace

TEST_CASE("both values of a sample are the same light", "[photometry]") {
    const Frame left = left_frame();
    const Frame right = right_frame();
    const int denominator_b = GENERATE(8, 4);
    const std::vector<PhotometricSample> samples = sample_pair(left, right, 8, denominator_b, 100);
    CHECK(samples.size() <= 100);
    CHECK(samples.size() > 70);
    double worst = 0, farthest = 0, nearest = 1;
    for (const PhotometricSample& s : samples) {
        CHECK((s.a == 4 && s.b == 7));
        CHECK((s.weight > 0.01F && s.weight <= 1.0F));
        worst = std::max(worst, mismatch(s, left.gain, right.gain, camera().vignetting));
        farthest = std::max({farthest, double{s.radius_a}, double{s.radius_b}});
        nearest = std::min({nearest, double{s.radius_a}, double{s.radius_b}});
    }
    if (std::getenv("BROADLOOM_FIGURES") != nullptr)
        std::printf("%zu samples, worst mismatch %.4f, radii %.2f..%.2f\n", samples.size(), worst,
                    nearest, farthest);
    // A third of a level of 255 at the darkest, encoded 0.3: 2.4 * 0.0013 / 0.355.
    CHECK(worst < 0.009);
    CHECK(farthest > 0.85);
    CHECK(nearest < 0.35);

    // Negative controls: without vignetting; and with the frames the other way round.
    double without = 0;
    for (const PhotometricSample& s : samples)
        without = std::max(without, mismatch(s, left.gain, right.gain, {0, 0, 0}));
    CHECK(without > 0.05);
    double swapped = 1;
    for (const PhotometricSample& s : samples)
        swapped = std::min(swapped, mismatch(s, right.gain, left.gain, camera().vignetting));
    CHECK(swapped > 0.2);
}

TEST_CASE("a frame turned upside down or on its side is sampled just as well", "[photometry]") {
    const Frame left = left_frame();
    Frame turned = right_frame();
    turned.rotation = Rotation::from_yaw_pitch_roll_deg(5, -0.5, GENERATE(90.0, 180.0, 37.0));
    const std::vector<PhotometricSample> samples = sample_pair(left, turned, 8, 8, 60);
    REQUIRE(samples.size() > 30);
    for (const PhotometricSample& s : samples)
        CHECK(mismatch(s, left.gain, turned.gain, camera().vignetting) < 0.009);
}

TEST_CASE("clipped sky is left out", "[photometry]") {
    Frame up = left_frame();
    Frame beside = right_frame();
    up.rotation = Rotation::from_yaw_pitch_roll_deg(-6, 13, 0);
    beside.rotation = Rotation::from_yaw_pitch_roll_deg(6, 13, 0);
    const std::vector<PhotometricSample> samples = sample_pair(up, beside, 8, 8, 100);
    REQUIRE(samples.size() > 30);
    // Half of the overlap is sky.
    CHECK(samples.size() < 75);
    for (const PhotometricSample& s : samples) {
        for (size_t c = 0; c < 3; ++c) {
            CHECK(srgb_encode(s.value_a[c]) < 0.97);
            CHECK(srgb_encode(s.value_b[c]) < 0.97);
        }
        CHECK(mismatch(s, up.gain, beside.gain, camera().vignetting) < 0.009);
    }
    // Nothing but sky: no samples.
    up.rotation = Rotation::from_yaw_pitch_roll_deg(-6, 35, 0);
    beside.rotation = Rotation::from_yaw_pitch_roll_deg(6, 35, 0);
    CHECK(sample_pair(up, beside, 8, 8, 100).empty());
}

TEST_CASE("frames that do not overlap give no samples", "[photometry]") {
    const Frame left = left_frame();
    const Frame right = right_frame();
    Frame behind = right;
    behind.rotation = Rotation::from_yaw_pitch_roll_deg(170, 0, 0);
    CHECK(sample_pair(left, behind, 8, 8, 100).empty());
    CHECK(sample_pair(left, right, 8, 8, 0).empty());
    CHECK(sample_pair(left, right, 8, 8, 1).size() == 1);
}

TEST_CASE("texture weighs less, strong texture is left out", "[photometry]") {
    const Frame left = left_frame();
    const Frame right = right_frame();
    // In reduced frames of 1/4 the stripes are 5 pixels wide; half of the overlap has them.
    const auto sampled = [&](double fine) { return sample_pair(left, right, 4, 4, 100, fine); };
    const auto mean_weight = [](const std::vector<PhotometricSample>& samples) {
        double sum = 0;
        for (const PhotometricSample& s : samples) sum += double{s.weight};
        return sum / static_cast<double>(std::max<size_t>(1, samples.size()));
    };
    const std::vector<PhotometricSample> smooth = sampled(0);
    const std::vector<PhotometricSample> textured = sampled(0.25);
    CHECK(textured.size() > 90);
    CHECK(mean_weight(textured) < 0.9 * mean_weight(smooth));
    // Frames of different exposure agree in spite of means taken of encoded values.
    std::vector<double> mismatches;
    mismatches.reserve(textured.size());
    for (const PhotometricSample& s : textured)
        mismatches.push_back(mismatch(s, left.gain, right.gain, camera().vignetting));
    std::sort(mismatches.begin(), mismatches.end());
    if (std::getenv("BROADLOOM_FIGURES") != nullptr)
        std::printf(
            "weights %.3f smooth, %.3f textured; mismatch median %.4f, worst %.4f; "
            "strong: %zu samples\n",
            mean_weight(smooth), mean_weight(textured), mismatches[mismatches.size() / 2],
            mismatches.back(), sampled(0.8).size());
    CHECK(mismatches[mismatches.size() / 2] < 0.005);
    CHECK(mismatches.back() < 0.03);
    CHECK(sampled(0.8).size() < 80);
}

TEST_CASE("rendered frames to gains and vignetting", "[photometry]") {
    // Three rows of three, 35 % overlap, a third of a stop between them, things that moved.
    std::vector<Frame> frames;
    const std::array<double, 9> stops{0.3, -0.2, 0.35, -0.3, 0.1, -0.35, 0.2, 0.25, -0.35};
    for (size_t i = 0; i < 9; ++i) {
        const size_t row = i / 3;
        Frame frame;
        frame.rotation = Rotation::from_yaw_pitch_roll_deg(
            -28.0 + 28.0 * static_cast<double>(i % 3), 4.0 - 19.0 * static_cast<double>(row),
            0.4 * static_cast<double>(i % 2));
        for (size_t c = 0; c < 3; ++c)
            frame.gain[c] = std::exp2(stops[i] + 0.02 * static_cast<double>(c) - 0.02);
        if (i % 2 == 0) frame.passer_by = {1800, 600, 2300, 1100};
        frames.push_back(frame);
    }
    std::vector<ColourImage> images;
    images.reserve(frames.size());
    for (const Frame& frame : frames) images.push_back(shoot(camera(), frame, 8));
    std::vector<PhotometricSample> samples;
    const auto start = std::chrono::steady_clock::now();
    for (size_t a = 0; a < 9; ++a) {
        for (size_t b = a + 1; b < 9; ++b) {
            const std::vector<PhotometricSample> some =
                sample_overlap(a, b, images[a], images[b], camera(), camera(), frames[a].rotation,
                               frames[b].rotation, 100);
            samples.insert(samples.end(), some.begin(), some.end());
        }
    }
    const std::chrono::duration<double> seconds = std::chrono::steady_clock::now() - start;
    PhotometricInput input;
    input.frames = 9;
    input.camera_of_frame.assign(9, 0);
    input.samples = samples;
    const PhotometricResult result = solve_photometry(input);
    Three common{};
    for (const Frame& frame : frames)
        for (size_t c = 0; c < 3; ++c) common[c] += std::log(frame.gain[c]) / 9;
    double worst = 0;
    for (size_t i = 0; i < 9; ++i)
        for (size_t c = 0; c < 3; ++c)
            worst = std::max(
                worst, std::abs(result.gains[i][c] * std::exp(common[c]) / frames[i].gain[c] - 1));
    const Three truth = camera().vignetting;
    const double corner = curve(result.vignetting[0], 1) / curve(truth, 1) - 1;
    if (std::getenv("BROADLOOM_FIGURES") != nullptr)
        std::printf(
            "%zu samples in %.3f s: gains %.4f, corner %+.4f, v %.3f %.3f %.3f, spread %.3f -> "
            "%.4f\n",
            samples.size(), seconds.count(), worst, corner, result.vignetting[0][0],
            result.vignetting[0][1], result.vignetting[0][2], result.spread_before_stops,
            result.spread_after_stops);
    CHECK(worst < 0.02);
    CHECK(std::abs(corner) < 0.02);
    CHECK(result.spread_after_stops < 0.01);
    CHECK(result.spread_before_stops > 0.2);
    // Negative control: a solve that knows no vignetting misses the corner.
    input.vignetting = false;
    CHECK(curve(solve_photometry(input).vignetting[0], 1) / curve(truth, 1) - 1 > 0.05);
}

}  // namespace broadloom
