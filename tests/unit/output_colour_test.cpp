#include "image/output_colour.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <cstring>
#include <random>
#include <vector>

#include "broadloom/photometry.hpp"

using namespace broadloom;

namespace {

using Deep = std::vector<uint16_t>;

const uint8_t* bytes_of(const Deep& pixels) {
    return reinterpret_cast<const uint8_t*>(pixels.data());
}

std::vector<uint8_t> tile_row(const TileColour& colour, const Deep& pixels, int64_t x, int64_t y) {
    std::vector<uint8_t> out(pixels.size());
    colour.convert_row(bytes_of(pixels), x, y, static_cast<int64_t>(pixels.size() / 4), out.data());
    return out;
}

std::vector<uint8_t> tiff_row(const TiffColour& colour, const Deep& pixels, int64_t x = 0,
                              int64_t y = 0) {
    const size_t n = pixels.size() / 4;
    std::vector<uint8_t> out(n * static_cast<size_t>(colour.bytes_per_pixel()));
    colour.convert_row(bytes_of(pixels), x, y, static_cast<int64_t>(n), out.data());
    return out;
}

std::vector<uint16_t> wide(const std::vector<uint8_t>& bytes) {
    std::vector<uint16_t> samples(bytes.size() / 2);
    std::memcpy(samples.data(), bytes.data(), bytes.size());
    return samples;
}

constexpr std::array<uint8_t, 3> kGround{46, 90, 200};

/// Decoded, turned by the matrix, clipped and encoded again, in double precision; 0..1.
std::array<double, 3> converted(const std::array<double, 3>& code, const ColourMatrix& m) {
    std::array<double, 3> out{};
    for (size_t i = 0; i < 3; ++i) {
        double sum = 0;
        for (size_t j = 0; j < 3; ++j) sum += m[3 * i + j] * srgb_decode(code[j]);
        out[i] = srgb_encode(std::min(1.0, std::max(0.0, sum)));
    }
    return out;
}

}  // namespace

TEST_CASE("levels of 8 bits come back unchanged wherever they lie", "[output_colour]") {
    const TileColour colour(ColourSpace::srgb, kGround);
    for (const int64_t y : {0, 1, 513}) {
        Deep pixels;
        std::vector<uint8_t> expected;
        for (int v = 0; v < 256; ++v) {
            for (const int c : {v, 255 - v, 77}) {
                pixels.push_back(static_cast<uint16_t>(c * 257));
                expected.push_back(static_cast<uint8_t>(c));
            }
            pixels.push_back(65535);
            expected.push_back(255);
        }
        CHECK(tile_row(colour, pixels, 100000 + y, y) == expected);
    }
}

TEST_CASE("dither keeps the mean of a value between two levels and shows no step",
          "[output_colour][dither]") {
    const TileColour colour(ColourSpace::srgb, kGround);
    constexpr int64_t kSide = 64;
    for (const int value : {1000, 12850 + 64, 30000, 65400}) {
        Deep pixels;
        for (int64_t i = 0; i < kSide; ++i) {
            for (int c = 0; c < 3; ++c) pixels.push_back(static_cast<uint16_t>(value));
            pixels.push_back(65535);
        }
        double sum = 0;
        int least = 255;
        int most = 0;
        for (int64_t y = 0; y < kSide; ++y) {
            const auto row = tile_row(colour, pixels, 4096, y);
            for (int64_t i = 0; i < kSide; ++i) {
                const int level = row[static_cast<size_t>(4 * i)];
                sum += level;
                least = std::min(least, level);
                most = std::max(most, level);
            }
        }
        // 4096 places of a low-discrepancy sequence: the mean to a hundredth of a level.
        CHECK(std::abs(sum / (kSide * kSide) - value / 257.0) < 0.01);
        CHECK(least == value / 257);
        CHECK(most == value / 257 + 1);  // control: without dither all were alike
    }
}

TEST_CASE("pieces of a row are the row", "[output_colour]") {
    std::mt19937 random(7);
    Deep pixels(4 * 100);
    for (auto& v : pixels) v = static_cast<uint16_t>(random());
    for (size_t i = 3; i < pixels.size(); i += 12) pixels[i] = 65535;
    for (size_t i = 7; i < pixels.size(); i += 12) pixels[i] = 0;
    const TileColour colour(ColourSpace::adobe_rgb, kGround);
    const auto whole = tile_row(colour, pixels, 1000, 77);
    const Deep part(pixels.begin() + 4 * 37, pixels.end());
    const auto piece = tile_row(colour, part, 1037, 77);
    CHECK(std::equal(piece.begin(), piece.end(), whole.begin() + 4 * 37));
    // Control: at another place the dither is another.
    CHECK(tile_row(colour, part, 1000, 77) != piece);
}

TEST_CASE("uncovered pixels are the background and partly covered ones mix in linear light",
          "[output_colour]") {
    for (const ColourSpace space :
         {ColourSpace::srgb, ColourSpace::display_p3, ColourSpace::adobe_rgb}) {
        const TileColour tile(space, kGround);
        const auto bare = tile_row(tile, {0, 0, 0, 0}, 5, 6);
        CHECK(bare == std::vector<uint8_t>{46, 90, 200, 255});

        const auto half = tile_row(tile, {65535, 65535, 65535, 32768}, 5, 6);
        for (size_t c = 0; c < 3; ++c) {
            const double expected = 255 * srgb_encode(0.5 + 0.5 * srgb_decode(kGround[c] / 255.0));
            CHECK(std::abs(half[c] - expected) <= 1);  // dither
        }
        // Control: the mean of the encoded values is another.
        CHECK(std::abs(half[0] - (255 + 46) / 2.0) > 20);
    }
}

TEST_CASE("tiles of wide working spaces are converted and clipped as double precision says",
          "[output_colour]") {
    std::mt19937 random(11);
    for (const ColourSpace space : {ColourSpace::display_p3, ColourSpace::adobe_rgb}) {
        const TileColour tile(space, kGround);
        const ColourMatrix m = colour_matrix(space, ColourSpace::srgb);
        int clipped = 0;
        double most = 0;
        for (int i = 0; i < 5000; ++i) {
            Deep pixel(4, 65535);
            for (int c = 0; c < 3; ++c)
                pixel[static_cast<size_t>(c)] = static_cast<uint16_t>(random());
            const auto got = tile_row(tile, pixel, i, 3);
            const auto expected =
                converted({pixel[0] / 65535.0, pixel[1] / 65535.0, pixel[2] / 65535.0}, m);
            for (size_t c = 0; c < 3; ++c) {
                most = std::max(most, std::abs(got[c] - 255 * expected[c]));
                clipped += expected[c] == 0;
            }
        }
        CHECK(most < 1.01);  // dither moves by less than a level
        CHECK(clipped > 100);
        const auto grey = tile_row(tile, {30069, 30069, 30069, 65535}, 9, 9);  // 117 * 257
        CHECK(grey == std::vector<uint8_t>{117, 117, 117, 255});
    }
}

TEST_CASE("sRGB and Display P3 go into the TIFF unchanged in 16 bits", "[output_colour][tiff]") {
    Deep pixels;
    Deep expected;
    for (int v = 0; v < 65536; v += 3) {
        for (const int c : {v, 65535 - v, 1234}) {
            pixels.push_back(static_cast<uint16_t>(c));
            expected.push_back(static_cast<uint16_t>(c));
        }
        pixels.push_back(65535);
    }
    for (const ColourSpace space : {ColourSpace::srgb, ColourSpace::display_p3}) {
        const TiffColour colour(space, 16, false, kGround);
        CHECK(colour.bytes_per_pixel() == 6);
        CHECK(wide(tiff_row(colour, pixels)) == expected);
        const TiffColour with_alpha(space, 16, true, kGround);
        CHECK(with_alpha.bytes_per_pixel() == 8);
        CHECK(wide(tiff_row(with_alpha, pixels)) == pixels);
    }
    // Control: Adobe RGB (1998) has another curve.
    CHECK(wide(tiff_row(TiffColour(ColourSpace::adobe_rgb, 16, false, kGround), pixels)) !=
          expected);
}

TEST_CASE("Adobe RGB (1998) in the TIFF has its own curve, alpha and background",
          "[output_colour][tiff]") {
    const auto encode = [](double code) {  // Adobe RGB (1998) Color Image Encoding, 4.3.4.2
        return std::pow(srgb_decode(code), 256.0 / 563.0);
    };
    const TiffColour rgb(ColourSpace::adobe_rgb, 16, false, kGround);
    const TiffColour rgba(ColourSpace::adobe_rgb, 16, true, kGround);
    for (const int v : {0, 1, 300, 4000, 20000, 65534, 65535}) {
        const auto code = static_cast<uint16_t>(v);
        const auto expected = static_cast<uint16_t>(std::lround(65535 * encode(v / 65535.0)));
        CHECK(wide(tiff_row(rgb, {code, code, code, 65535})) == Deep(3, expected));
        CHECK(wide(tiff_row(rgba, {code, code, code, 9000})) ==
              Deep{expected, expected, expected, 9000});
    }
    // The background's colour, in Adobe RGB: by the matrices, in double precision.
    const ColourMatrix m = colour_matrix(ColourSpace::srgb, ColourSpace::adobe_rgb);
    const auto bare = wide(tiff_row(rgb, {0, 0, 0, 0}));
    for (size_t i = 0; i < 3; ++i) {
        double linear = 0;
        for (size_t j = 0; j < 3; ++j) linear += m[3 * i + j] * srgb_decode(kGround[j] / 255.0);
        CHECK(std::abs(bare[i] - 65535 * std::pow(linear, 256.0 / 563.0)) < 1);
    }
    CHECK(wide(tiff_row(rgba, {0, 0, 0, 0})) == Deep(4, 0));
}

TEST_CASE("the TIFF's 8 bits are dithered as the tiles are, its alpha is rounded",
          "[output_colour][tiff]") {
    std::mt19937 random(3);
    Deep pixels(4 * 200, 65535);
    for (size_t i = 0; i < pixels.size(); ++i) {
        if (i % 4 != 3) pixels[i] = static_cast<uint16_t>(random());
    }
    const auto tile = tile_row(TileColour(ColourSpace::srgb, kGround), pixels, 40, 50);
    const auto rgb = tiff_row(TiffColour(ColourSpace::srgb, 8, false, kGround), pixels, 40, 50);
    const auto rgba = tiff_row(TiffColour(ColourSpace::srgb, 8, true, kGround), pixels, 40, 50);
    CHECK(rgba == tile);
    REQUIRE(rgb.size() == 600);
    for (size_t i = 0; i < 600; ++i) REQUIRE(rgb[i] == tile[i / 3 * 4 + i % 3]);
    const TiffColour alpha(ColourSpace::srgb, 8, true, kGround);
    for (const int a : {0, 128, 129, 32768, 65535}) {
        CHECK(tiff_row(alpha, {0, 0, 0, static_cast<uint16_t>(a)})[3] ==
              std::lround(a / 257.0 - 1e-9));
    }
}
