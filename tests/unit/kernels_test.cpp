#include "image/kernels.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <vector>

#include "broadloom/photometry.hpp"
#include "support/same_coords.hpp"
#include "support/vector_kernels.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

std::vector<int16_t> noise(size_t n, int limit, std::mt19937& random) {
    std::uniform_int_distribution<int> d(-limit, limit);
    std::vector<int16_t> v(n);
    for (auto& x : v) x = static_cast<int16_t>(d(random));
    return v;
}

std::vector<float> float_noise(size_t n, std::mt19937& random) {
    std::uniform_real_distribution<float> d(-300, 300);
    std::vector<float> v(n);
    for (auto& x : v) x = d(random);
    return v;
}

/// Compares the rows of one vector kernel with the plain ones; noise(n, limited) makes n values,
/// within kWorkLimit when limited.
template <typename T, typename Noise>
void compare_rows(const BlendRows<T>& plain, const BlendRows<T>& other, int64_t n,
                  const std::vector<T>& weights, const Noise& noise) {
    const auto size = static_cast<size_t>(n);
    std::vector<std::vector<T>> rows;
    rows.reserve(5);
    for (int i = 0; i < 5; ++i) rows.push_back(noise(2 * size + 3, false));
    const T* five[5] = {rows[0].data(), rows[1].data(), rows[2].data(), rows[3].data(),
                        rows[4].data()};
    std::vector<typename BlendRows<T>::Scratch> scratch(2 * size + 3);
    std::vector<T> expected(2 * size);
    std::vector<T> got(2 * size);
    plain.reduce_row(five, scratch.data(), expected.data(), n);
    other.reduce_row(five, scratch.data(), got.data(), n);
    REQUIRE(expected == got);
    for (const bool odd : {false, true}) {
        plain.expand_row(five, odd, scratch.data(), expected.data(), n);
        other.expand_row(five, odd, scratch.data(), got.data(), n);
        REQUIRE(expected == got);
    }
    const auto fine = noise(size, true);
    const auto coarse = noise(size, true);
    for (const T* expanded : {static_cast<const T*>(nullptr), coarse.data()}) {
        auto acc_a = rows[3];
        auto acc_b = rows[3];
        plain.accumulate_row(acc_a.data(), fine.data(), expanded, weights.data(), n);
        other.accumulate_row(acc_b.data(), fine.data(), expanded, weights.data(), n);
        REQUIRE(acc_a == acc_b);
        acc_b[0] = static_cast<T>(acc_b[0] + 1);  // negative control
        REQUIRE(acc_a != acc_b);
    }
    auto sum_a = rows[0];
    auto sum_b = rows[0];
    plain.add_row(sum_a.data(), five[1], n);
    other.add_row(sum_b.data(), five[1], n);
    REQUIRE(sum_a == sum_b);
    plain.subtract_row(expected.data(), five[0], five[1], n);
    other.subtract_row(got.data(), five[0], five[1], n);
    REQUIRE(expected == got);
}

}  // namespace

TEST_CASE("every vector kernel gives the bits of its plain twin", "[kernels][property]") {
    const Kernels& plain = plain_kernels();
    const auto others = vector_kernels();
#if defined(__x86_64__)
    REQUIRE_FALSE(others.empty());
#endif
    for (const Kernels* k : others) {
        INFO(k->name);
        std::mt19937 random(7);
        std::uniform_real_distribution<float> unit(0, 1);
        for (int round = 0; round < 60; ++round) {
            const bool sixteen = round % 2 == 1;
            Picture p0(40, 40, sixteen ? 2 : 1, random);
            Picture p1(40, 40, sixteen ? 2 : 1, random);
            Picture p2(40, 40, sixteen ? 2 : 1, random);
            CellCorners corners{};
            // Half of the cells lie almost straight in the frame, like most in practice, the others
            // are turned and stretched; a few are turned by 180 degrees.
            const float turn = round % 4 < 2 ? 0.4F : 9.0F;
            const bool reversed = round % 8 == 1 || round % 8 == 4;
            corners.by_channel = round % 3 == 0;
            for (int c = 0; c < 3; ++c) {
                for (int i = 0; i < 4; ++i) {
                    corners.h[c][i] = 0.7F + 0.8F * unit(random);
                    corners.g[c][i] = std::pow(corners.h[c][i], 2.4F);
                }
            }
            for (int i = 0; i < 4; ++i) {
                if (turn < 1) {
                    corners.u[i] = (i % 2 != 0 ? 21.0F : 4.3F) + turn * unit(random);
                    corners.v[i] = (i / 2 != 0 ? 22.0F : 5.6F) + turn * unit(random);
                    if (reversed) corners.u[i] = 36.0F - corners.u[i];
                    continue;
                }
                corners.u[i] = (i % 2 != 0 ? 30.0F : 3.0F) + 9 * unit(random) - 2;
                corners.v[i] = (i / 2 != 0 ? 30.0F : 3.0F) + 9 * unit(random) - 2;
            }
            CellSampler s;
            s.planes = round % 5 == 0 ? 1 : 3;
            s.ycc = s.planes == 3 && round % 3 != 0;
            s.chroma_linear = s.ycc && round % 4 < 2;
            s.sixteen_bits = sixteen;
            s.photometric = round % 7 != 0;
            s.keep_range = round % 11 == 0;
            const Taps stretched = make_taps(1.07 + 0.07 * (round % 14));
            if (round % 3 == 2) s.taps = &stretched;
            s.u_low = s.v_low = 0.5F;
            s.u_high = s.v_high = 39.5F;
            for (int c = 0; c < 3; ++c) {
                s.gain_h[c] = (round % 13 == 0 ? 0.1F : 0.8F) + 0.4F * unit(random);
                s.gain_g[c] = std::pow(s.gain_h[c], 2.4F);
                const Picture& p = c == 0 ? p0 : (c == 1 ? p1 : p2);
                s.plane[c] = {p.origin, p.stride, 1, 1, -0.5F, -0.5F};
                if (c > 0 && s.chroma_linear) {
                    s.plane[c].scale_x = s.plane[c].scale_y = 0.5F;
                }
            }
            CellCoords a;
            CellCoords b;
            plain.interpolate_cell(corners, a);
            k->interpolate_cell(corners, b);
            REQUIRE(test::same_coords(a, b));
            std::vector<int16_t> expected(3 * 16 * 20);
            std::vector<int16_t> got(3 * 16 * 20);
            plain.sample_cell(s, a, expected.data(), expected.data() + 320, expected.data() + 640,
                              20);
            k->sample_cell(s, a, got.data(), got.data() + 320, got.data() + 640, 20);
            REQUIRE(expected == got);
            got[5] = static_cast<int16_t>(got[5] ^ 1);  // negative control
            REQUIRE(expected != got);
            std::vector<float> floats(3 * 16 * 20);
            std::vector<float> other_floats(3 * 16 * 20);
            plain.sample_cell_float(s, a, floats.data(), floats.data() + 320, floats.data() + 640,
                                    20);
            k->sample_cell_float(s, a, other_floats.data(), other_floats.data() + 320,
                                 other_floats.data() + 640, 20);
            REQUIRE(floats == other_floats);
            // The 16-bit values are the floats, limited and rounded.
            for (size_t i = 0; i < floats.size(); ++i) {
                const float low = s.keep_range ? -16383.0F : 0.0F;
                const float high = s.keep_range ? 16383.0F : 8160.0F;
                REQUIRE(expected[i] == static_cast<int16_t>(std::lrint(
                                           std::min(std::max(floats[i] * 32, low), high))));
            }
        }
        for (const int64_t n : {1, 2, 3, 7, 8, 15, 16, 17, 31, 33, 64, 97, 256}) {
            const auto size = static_cast<size_t>(n);
            auto weights = noise(size, 32767, random);
            for (auto& w : weights) w = static_cast<int16_t>(w > 0 ? -w : w);
            weights[0] = kWeightOne;
            compare_rows<int16_t>(plain.work, k->work, n, weights, [&](size_t m, bool limited) {
                return noise(m, limited ? kWorkLimit : 32767, random);
            });
            std::vector<float> shares(size);
            for (float& w : shares) w = unit(random);
            compare_rows<float>(plain.deep, k->deep, n, shares,
                                [&](size_t m, bool) { return float_noise(m, random); });
            std::vector<std::vector<int16_t>> rows;
            std::vector<std::vector<float>> deep;
            for (int i = 0; i < 3; ++i) {
                rows.push_back(noise(size, 32767, random));
                deep.push_back(float_noise(size, random));
            }
            std::vector<uint8_t> bytes_a(4 * size);
            std::vector<uint8_t> bytes_b(4 * size);
            for (const Rounding rounding : {Rounding{}, Rounding::dithered(12345, -678)}) {
                plain.pack_row(rows[0].data(), rows[1].data(), rows[2].data(), bytes_a.data(), n,
                               rounding);
                k->pack_row(rows[0].data(), rows[1].data(), rows[2].data(), bytes_b.data(), n,
                            rounding);
                REQUIRE(bytes_a == bytes_b);
            }
            std::vector<uint16_t> deep_a(4 * size);
            std::vector<uint16_t> deep_b(4 * size);
            plain.pack_deep_row(deep[0].data(), deep[1].data(), deep[2].data(), deep_a.data(), n);
            k->pack_deep_row(deep[0].data(), deep[1].data(), deep[2].data(), deep_b.data(), n);
            REQUIRE(deep_a == deep_b);
        }
    }
}

TEST_CASE("the fast correction equals decode, multiply, encode", "[photometry][property]") {
    // IEC 61966-2-1 in double precision is the reference; 0.002 levels is float's rounding at 255.
    double worst = 0;
    for (float g = 0.25F; g <= 4.0F; g *= 1.07F) {
        for (float v = -8; v <= 300; v += 0.37F) {
            const double expected =
                255.0 *
                srgb_encode(srgb_decode(static_cast<double>(v) / 255.0) * static_cast<double>(g));
            const double got = static_cast<double>(corrected_value(v, std::pow(g, 1.0F / 2.4F), g));
            worst = std::max(worst, std::abs(got - expected));
        }
    }
    CHECK(worst < 0.002);
    // Negative control: multiplying the encoded value is something else.
    CHECK(std::abs(255.0 * srgb_encode(srgb_decode(0.5) * 1.26) - 0.5 * 255 * 1.26) > 5);
}

TEST_CASE("REDUCE keeps constants and spreads an impulse by 1 4 6 4 1", "[multiband]") {
    // P. J. Burt, E. H. Adelson, ACM TOG 2(4), 1983, with a = 0.375.
    const Kernels& k = plain_kernels();
    std::vector<int16_t> seven(2 * 4 + 3, 777);
    const int16_t* rows[5] = {seven.data(), seven.data(), seven.data(), seven.data(), seven.data()};
    std::vector<int32_t> scratch(32);
    std::vector<int16_t> out(8);
    k.work.reduce_row(rows, scratch.data(), out.data(), 4);
    for (int i = 0; i < 4; ++i) CHECK(out[static_cast<size_t>(i)] == 777);
    std::vector<int16_t> zero(11, 0);
    std::vector<int16_t> impulse(11, 0);
    impulse[4] = 2560;
    const int16_t* mid[5] = {zero.data(), zero.data(), impulse.data(), zero.data(), zero.data()};
    k.work.reduce_row(mid, scratch.data(), out.data(), 4);
    CHECK(out[0] == 2560 * 6 * 1 / 256);
    CHECK(out[1] == 2560 * 6 * 6 / 256);
    CHECK(out[2] == 2560 * 6 * 1 / 256);
    CHECK(out[3] == 0);
}

TEST_CASE("a weight of one keeps a band exactly, a weight of zero drops it", "[multiband]") {
    const Kernels& k = plain_kernels();
    std::mt19937 random(3);
    const auto band = noise(500, 32766, random);
    std::vector<int16_t> acc(500, 0);
    const std::vector<int16_t> one(500, kWeightOne);
    k.work.accumulate_row(acc.data(), band.data(), nullptr, one.data(), 500);
    CHECK(acc == band);
    const std::vector<int16_t> none(500, 0);
    k.work.accumulate_row(acc.data(), band.data(), nullptr, none.data(), 500);
    CHECK(acc == band);
}

TEST_CASE("floats reduce, expand and blend by the same rules", "[multiband]") {
    // The taps of P. J. Burt, E. H. Adelson, ACM TOG 2(4), 1983, with a = 0.375, as above.
    const BlendRows<float>& k = plain_kernels().deep;
    std::vector<float> zero(11, 0.0F);
    std::vector<float> impulse(11, 0.0F);
    impulse[4] = 256;
    const float* mid[5] = {zero.data(), zero.data(), impulse.data(), zero.data(), zero.data()};
    std::vector<float> scratch(32);
    std::vector<float> out(8);
    k.reduce_row(mid, scratch.data(), out.data(), 4);
    CHECK(out[0] == 6);
    CHECK(out[1] == 36);
    CHECK(out[2] == 6);
    CHECK(out[3] == 0);
    // EXPAND of an impulse of 64: even 1 6 1 and odd 4 4 of 8 in either direction.
    std::vector<float> point{0, 64, 0, 0, 0};
    const float* rows[3] = {zero.data(), point.data(), zero.data()};
    k.expand_row(rows, false, scratch.data(), out.data(), 3);
    CHECK(std::vector<float>(out.begin(), out.begin() + 6) ==
          std::vector<float>{36, 24, 6, 0, 0, 0});
    k.expand_row(rows, true, scratch.data(), out.data(), 3);
    CHECK(std::vector<float>(out.begin(), out.begin() + 6) ==
          std::vector<float>{24, 16, 4, 0, 0, 0});
    std::vector<float> acc{1, 1};
    const std::vector<float> fine{10, 10};
    const std::vector<float> coarse{4, 4};
    const std::vector<float> weight{1, 0.25F};
    k.accumulate_row(acc.data(), fine.data(), coarse.data(), weight.data(), 2);
    CHECK(acc == std::vector<float>{7, 2.5F});
}

TEST_CASE("channels may be corrected differently", "[photometry]") {
    std::mt19937 random(5);
    const Picture p(40, 40, 1, random);
    CellSampler s;
    s.photometric = true;
    s.clip_start = 1000;  // no value counts as clipped
    s.u_low = s.v_low = 0.5F;
    s.u_high = s.v_high = 39.5F;
    for (auto& plane : s.plane) plane = {p.origin, p.stride, 1, 1, -0.5F, -0.5F};
    CellCorners corners{};
    const float light[3] = {0.8F, 1.0F, 1.3F};
    for (int i = 0; i < 4; ++i) {
        corners.u[i] = i % 2 != 0 ? 24.5F : 8.5F;
        corners.v[i] = i / 2 != 0 ? 24.5F : 8.5F;
        for (int c = 0; c < 3; ++c) {
            corners.g[c][i] = light[c];
            corners.h[c][i] = std::pow(light[c], 1 / 2.4F);
        }
    }
    const auto sampled = [&](bool by_channel) {
        corners.by_channel = by_channel;
        CellCoords coords;
        plain_kernels().interpolate_cell(corners, coords);
        std::vector<float> out(3 * kCellArea);
        plain_kernels().sample_cell_float(s, coords, out.data(), out.data() + kCellArea,
                                          out.data() + 2 * kCellArea, kCell);
        return out;
    };
    const std::vector<float> apart = sampled(true);
    const std::vector<float> alike = sampled(false);
    double worst = 0;
    double worst_alike = 0;
    for (size_t c = 0; c < 3; ++c) {
        for (size_t i = 0; i < kCellArea; ++i) {
            // The frame's grey value is the middle channel, whose light is 1.
            const double grey = static_cast<double>(apart[kCellArea + i]);
            const double expected =
                255 * srgb_encode(srgb_decode(grey / 255) * static_cast<double>(light[c]));
            worst =
                std::max(worst, std::abs(static_cast<double>(apart[c * kCellArea + i]) - expected));
            worst_alike = std::max(
                worst_alike, std::abs(static_cast<double>(alike[c * kCellArea + i]) - expected));
        }
    }
    CHECK(worst < 0.002);     // float's rounding at 255
    CHECK(worst_alike > 10);  // negative control: the first channel's correction for all
}
