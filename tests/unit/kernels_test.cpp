#include "image/kernels.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <cstring>
#include <random>
#include <vector>

#include "broadloom/error.hpp"
#include "broadloom/photometry.hpp"

using namespace broadloom;

namespace {

std::vector<const Kernels*> vector_kernels() {
    std::vector<const Kernels*> found;
    for (const auto set : {InstructionSet::sse4, InstructionSet::avx2, InstructionSet::avx512,
                           InstructionSet::neon}) {
        try {
            found.push_back(&kernels_for(set));
        } catch (const Error& e) {
            CHECK(e.code() == ErrorCode::usage);
        }
    }
    return found;
}

struct Picture {
    int64_t width, height;
    std::ptrdiff_t stride;
    std::vector<uint8_t> bytes;
    const uint8_t* origin;

    Picture(int64_t w, int64_t h, int bytes_each, std::mt19937& random)
        : width(w), height(h), stride((w + 8) * bytes_each) {
        bytes.resize(static_cast<size_t>(stride * (h + 8)));
        for (auto& b : bytes) b = static_cast<uint8_t>(random());
        origin = bytes.data() + 4 * stride + 4 * bytes_each;
    }
};

std::vector<int16_t> noise(size_t n, int limit, std::mt19937& random) {
    std::uniform_int_distribution<int> d(-limit, limit);
    std::vector<int16_t> v(n);
    for (auto& x : v) x = static_cast<int16_t>(d(random));
    return v;
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
            for (int i = 0; i < 4; ++i) {
                if (turn < 1) {
                    corners.u[i] = (i % 2 != 0 ? 21.0F : 4.3F) + turn * unit(random);
                    corners.v[i] = (i / 2 != 0 ? 22.0F : 5.6F) + turn * unit(random);
                    if (reversed) corners.u[i] = 36.0F - corners.u[i];
                    corners.h[i] = 0.7F + 0.8F * unit(random);
                    corners.g[i] = std::pow(corners.h[i], 2.4F);
                    continue;
                }
                corners.u[i] = (i % 2 != 0 ? 30.0F : 3.0F) + 9 * unit(random) - 2;
                corners.v[i] = (i / 2 != 0 ? 30.0F : 3.0F) + 9 * unit(random) - 2;
                corners.h[i] = 0.7F + 0.8F * unit(random);
                corners.g[i] = std::pow(corners.h[i], 2.4F);
            }
            CellSampler s;
            s.planes = round % 5 == 0 ? 1 : 3;
            s.ycc = s.planes == 3 && round % 3 != 0;
            s.chroma_linear = s.ycc && round % 4 < 2;
            s.sixteen_bits = sixteen;
            s.photometric = round % 7 != 0;
            s.u_low = s.v_low = 0.5F;
            s.u_high = s.v_high = 39.5F;
            for (int c = 0; c < 3; ++c) {
                s.gain_h[c] = 0.8F + 0.4F * unit(random);
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
            REQUIRE(std::memcmp(&a, &b, sizeof a) == 0);
            std::vector<int16_t> expected(3 * 16 * 20);
            std::vector<int16_t> got(3 * 16 * 20);
            plain.sample_cell(s, a, expected.data(), expected.data() + 320, expected.data() + 640,
                              20);
            k->sample_cell(s, a, got.data(), got.data() + 320, got.data() + 640, 20);
            REQUIRE(expected == got);
            got[5] = static_cast<int16_t>(got[5] ^ 1);  // negative control
            REQUIRE(expected != got);
        }
        for (const int64_t n : {1, 2, 3, 7, 8, 15, 16, 17, 31, 33, 64, 97, 256}) {
            const auto size = static_cast<size_t>(n);
            std::vector<std::vector<int16_t>> rows;
            for (int i = 0; i < 5; ++i) rows.push_back(noise(2 * size + 3, 32767, random));
            const int16_t* five[5] = {rows[0].data(), rows[1].data(), rows[2].data(),
                                      rows[3].data(), rows[4].data()};
            std::vector<int32_t> scratch(2 * size + 3);
            std::vector<int16_t> expected(2 * size);
            std::vector<int16_t> got(2 * size);
            plain.reduce_row(five, scratch.data(), expected.data(), n);
            k->reduce_row(five, scratch.data(), got.data(), n);
            REQUIRE(expected == got);
            for (const bool odd : {false, true}) {
                plain.expand_row(five, odd, scratch.data(), expected.data(), n);
                k->expand_row(five, odd, scratch.data(), got.data(), n);
                REQUIRE(expected == got);
            }
            auto weights = noise(size, 32767, random);
            for (auto& w : weights) w = static_cast<int16_t>(w > 0 ? -w : w);
            weights[0] = kWeightOne;
            const auto fine = noise(size, kWorkLimit, random);
            const auto coarse = noise(size, kWorkLimit, random);
            for (const int16_t* expanded : {static_cast<const int16_t*>(nullptr), coarse.data()}) {
                auto acc_a = rows[3];
                auto acc_b = rows[3];
                plain.accumulate_row(acc_a.data(), fine.data(), expanded, weights.data(), n);
                k->accumulate_row(acc_b.data(), fine.data(), expanded, weights.data(), n);
                REQUIRE(acc_a == acc_b);
            }
            auto sum_a = rows[0];
            auto sum_b = rows[0];
            plain.add_row(sum_a.data(), five[1], n);
            k->add_row(sum_b.data(), five[1], n);
            REQUIRE(sum_a == sum_b);
            plain.subtract_row(expected.data(), five[0], five[1], n);
            k->subtract_row(got.data(), five[0], five[1], n);
            REQUIRE(expected == got);
            std::vector<uint8_t> bytes_a(4 * size);
            std::vector<uint8_t> bytes_b(4 * size);
            plain.pack_row(five[0], five[1], five[2], bytes_a.data(), n);
            k->pack_row(five[0], five[1], five[2], bytes_b.data(), n);
            REQUIRE(bytes_a == bytes_b);
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
    k.reduce_row(rows, scratch.data(), out.data(), 4);
    for (int i = 0; i < 4; ++i) CHECK(out[static_cast<size_t>(i)] == 777);
    std::vector<int16_t> zero(11, 0);
    std::vector<int16_t> impulse(11, 0);
    impulse[4] = 2560;
    const int16_t* mid[5] = {zero.data(), zero.data(), impulse.data(), zero.data(), zero.data()};
    k.reduce_row(mid, scratch.data(), out.data(), 4);
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
    k.accumulate_row(acc.data(), band.data(), nullptr, one.data(), 500);
    CHECK(acc == band);
    const std::vector<int16_t> none(500, 0);
    k.accumulate_row(acc.data(), band.data(), nullptr, none.data(), 500);
    CHECK(acc == band);
}
