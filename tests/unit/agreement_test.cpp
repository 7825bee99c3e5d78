#include "render/agreement.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "image/shrink.hpp"

using namespace broadloom;

namespace {

constexpr int64_t kSide = 256;

PictureView view_of(const std::vector<uint8_t>& pixels, int64_t side) {
    return {pixels.data(), side, side, side * 4};
}

/// Waves of bright colours under noise: what JPEG likes least.
std::vector<uint8_t> busy_picture(int64_t side, double phase, double noise) {
    std::mt19937 random(7);
    std::normal_distribution<double> grain(0, noise);
    std::vector<uint8_t> pixels(static_cast<size_t>(side * side * 4));
    for (int64_t y = 0; y < side; ++y) {
        for (int64_t x = 0; x < side; ++x) {
            for (int c = 0; c < 3; ++c) {
                const double wave =
                    128 + 70 * std::sin(0.11 * static_cast<double>(x) + 2.1 * c + phase) +
                    50 * std::cos(0.07 * static_cast<double>(y) * (c + 1)) + grain(random);
                pixels[static_cast<size_t>((y * side + x) * 4 + c)] =
                    static_cast<uint8_t>(std::clamp(wave, 0.0, 255.0));
            }
        }
    }
    return pixels;
}

struct Coded {
    std::vector<uint8_t> pixels;
    JpegSteps steps;
};

Coded through_jpeg(const std::vector<uint8_t>& pixels, int64_t side, int quality,
                   JpegChroma chroma) {
    JpegEncoder encoder(quality, chroma);
    JpegTileDecoder decoder;
    const auto jpeg = encoder.encode(pixels.data(), side, side, side * 4);
    Coded coded;
    coded.steps = jpeg_mean_steps(jpeg);
    CHECK(decoder.decode(jpeg, side, side, coded.pixels).empty());
    return coded;
}

std::vector<uint8_t> half(const std::vector<uint8_t>& pixels, int64_t side) {
    std::vector<uint8_t> small(pixels.size() / 4);
    shrink_half(pixels.data(), side, side, side * 4, small.data(), side * 2);
    return small;
}

}  // namespace

TEST_CASE("how far pictures are apart is the difference of their means", "[agreement]") {
    std::vector<uint8_t> a(16 * 16 * 4, 100);
    std::vector<uint8_t> b = a;
    CHECK(how_far_apart(view_of(a, 16), view_of(b, 16)).mean == 0);
    // One block of four, 12 levels in green.
    for (size_t y = 0; y < 8; ++y) {
        for (size_t x = 0; x < 8; ++x) b[(y * 16 + x) * 4 + 1] = 112;
    }
    const Apart apart = how_far_apart(view_of(a, 16), view_of(b, 16));
    CHECK(apart.block == 12);
    CHECK(apart.blocks == 3);
    CHECK(apart.mean == 12 * 150.0 / 256 / 4);
    // The unused byte says nothing.
    for (size_t i = 3; i < a.size(); i += 4) a[i] = 0;
    CHECK(how_far_apart(view_of(a, 16), view_of(b, 16)).block == 12);
}

TEST_CASE("a level agrees with the one below at every quality, another picture does not",
          "[agreement]") {
    for (const double noise : {0.0, 12.0}) {
        const auto fine = busy_picture(kSide, 0, noise);
        const auto coarse = half(fine, kSide);
        const auto other = half(busy_picture(kSide, 0.5, noise), kSide);
        for (const int quality : {30, 50, 75, 90, 95, 100}) {
            for (const JpegChroma chroma : {JpegChroma::c420, JpegChroma::c444}) {
                INFO(quality << " " << noise << " " << (chroma == JpegChroma::c420 ? 420 : 444));
                const Coded below = through_jpeg(fine, kSide, quality, chroma);
                const Coded above = through_jpeg(coarse, kSide / 2, quality, chroma);
                const auto small = half(below.pixels, kSide);
                CHECK(agree(
                    how_far_apart(view_of(small, kSide / 2), view_of(above.pixels, kSide / 2)),
                    below.steps, above.steps));
                const Coded wrong = through_jpeg(other, kSide / 2, quality, chroma);
                CHECK_FALSE(agree(
                    how_far_apart(view_of(small, kSide / 2), view_of(wrong.pixels, kSide / 2)),
                    below.steps, above.steps));
            }
        }
    }
}

TEST_CASE("the steps of means are those of the tables", "[agreement]") {
    // ITU-T T.81, tables K.1 and K.2, have 16 and 17 first; quality 50 takes them as they are,
    // quality 100 makes ones of all (the IJG's scaling, from memory).
    const auto picture = busy_picture(64, 0, 0);
    CHECK(through_jpeg(picture, 64, 50, JpegChroma::c420).steps.luma == 16);
    CHECK(through_jpeg(picture, 64, 50, JpegChroma::c420).steps.chroma == 17);
    CHECK(through_jpeg(picture, 64, 100, JpegChroma::c420).steps.luma == 1);
    CHECK(through_jpeg(picture, 64, 100, JpegChroma::c420).steps.chroma == 1);
}

TEST_CASE("a tile of another size or cut short does not decode", "[agreement]") {
    const auto picture = busy_picture(64, 0, 0);
    JpegEncoder encoder(90, JpegChroma::c420);
    JpegTileDecoder decoder;
    const auto jpeg = encoder.encode(picture.data(), 64, 64, 64 * 4);
    std::vector<uint8_t> pixels;
    CHECK(decoder.decode(jpeg, 64, 64, pixels).empty());
    CHECK(decoder.decode(jpeg, 64, 63, pixels) == "is 64 x 64 pixels, not 64 x 63");
    CHECK_FALSE(decoder.decode(jpeg.first(jpeg.size() / 2), 64, 64, pixels).empty());
    CHECK_FALSE(decoder.decode(jpeg.first(1), 64, 64, pixels).empty());
    CHECK(jpeg_size(jpeg) == std::pair<int64_t, int64_t>{64, 64});
    for (size_t n = 0; n < 150; ++n) CHECK_FALSE(jpeg_size(jpeg.first(n)));
}
