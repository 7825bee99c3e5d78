// Which instruction sets are compared with the plain twins, and cells and values at the limits of
// what the vector code tells apart.
#include <algorithm>
#include <catch2/catch.hpp>
#include <limits>
#include <random>
#include <string>
#include <vector>

#include "image/kernels.hpp"
#include "support/processor_sets.hpp"
#include "support/vector_kernels.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// Values of a cell by both pairs of functions of a twin.
struct CellValues {
    std::vector<int16_t> work = std::vector<int16_t>(3 * kCellArea);
    std::vector<float> deep = std::vector<float>(3 * kCellArea);
    bool operator==(const CellValues&) const = default;
};

CellValues sampled(const Kernels& k, const CellSampler& s, const CellCoords& coords) {
    CellValues values;
    int16_t* work = values.work.data();
    float* deep = values.deep.data();
    k.sample_cell(s, coords, work, work + kCellArea, work + 2 * kCellArea, kCell);
    k.sample_cell_float(s, coords, deep, deep + kCellArea, deep + 2 * kCellArea, kCell);
    return values;
}

}  // namespace

TEST_CASE("every instruction set of this processor is compared", "[kernels][sets]") {
    std::vector<std::string> names;
    for (const Kernels* k : vector_kernels()) names.emplace_back(k->name);
    CHECK(names == processor_sets());
    // The best of them runs when nobody chooses.
    const std::string best = kernels_for(InstructionSet::automatic).name;
    CHECK(best == (names.empty() ? "plain" : names.back()));
    CHECK(std::string(kernels_for(InstructionSet::plain).name) == "plain");
}

TEST_CASE("cells that step over many samples give the bits of the plain twin", "[kernels]") {
    // From four lanes to sixteen: runs of samples of one register, of two, and longer ones.
    std::mt19937 random(11);
    for (const int bytes_each : {1, 2}) {
        const Picture p0(200, 40, bytes_each, random);
        const Picture p1(200, 40, bytes_each, random);
        const Picture p2(200, 40, bytes_each, random);
        for (int round = 0; round < 96; ++round) {
            const float step = 0.25F + 0.125F * static_cast<float>(round);  // to 12 samples a pixel
            CellCorners corners{};
            for (int i = 0; i < 4; ++i) {
                corners.u[i] = i % 2 != 0 ? 2.3F + 16.0F * step : 2.3F;
                corners.v[i] = (i / 2 != 0 ? 22.0F : 5.6F) + (i % 2 != 0 ? 0.7F : 0.0F);
                if (round % 3 == 2) corners.u[i] = 196.0F - corners.u[i];
            }
            CellSampler s;
            s.sixteen_bits = bytes_each == 2;
            s.chroma_linear = round % 2 == 1;
            s.keep_range = true;
            s.u_low = s.v_low = 0.5F;
            s.u_high = 199.5F;
            s.v_high = 39.5F;
            s.plane[0] = {p0.origin, p0.stride, 1, 1, -0.5F, -0.5F};
            s.plane[1] = {p1.origin, p1.stride, 1, 1, -0.5F, -0.5F};
            s.plane[2] = {p2.origin, p2.stride, 1, 1, -0.5F, -0.5F};
            CellCoords coords;
            plain_kernels().interpolate_cell(corners, coords);
            const CellValues expected = sampled(plain_kernels(), s, coords);
            for (const Kernels* k : vector_kernels()) {
                INFO(k->name << ", " << step << " samples a pixel, " << bytes_each << " bytes");
                CHECK((sampled(*k, s, coords) == expected));
            }
            // Negative control: another cell has other values.
            corners.u[0] += 1.0F;
            plain_kernels().interpolate_cell(corners, coords);
            CHECK_FALSE((sampled(plain_kernels(), s, coords) == expected));
        }
    }
}

TEST_CASE("values beyond the range are limited alike", "[kernels]") {
    std::mt19937 random(13);
    const Picture p(40, 40, 1, random);
    constexpr int64_t kCount = 67;
    const auto of = [&](auto choices) {
        std::vector<typename decltype(choices)::value_type> values(2 * kCount + 3);
        for (auto& v : values) v = choices[random() % choices.size()];
        return values;
    };
    for (const Kernels* k : vector_kernels()) {
        INFO(k->name);
        const Kernels& plain = plain_kernels();
        const std::vector<int16_t> ends{INT16_MIN, INT16_MIN + 1, -kWorkLimit, -1,       0, 1,
                                        8159,      kWorkWhite,    kWorkLimit,  INT16_MAX};
        std::vector<std::vector<int16_t>> rows;
        for (int i = 0; i < 5; ++i) rows.push_back(of(ends));
        const int16_t* five[5] = {rows[0].data(), rows[1].data(), rows[2].data(), rows[3].data(),
                                  rows[4].data()};
        const auto both = [&](const auto& call, auto like) {
            using Values = std::vector<decltype(like)>;
            Values a(4 * kCount, like);
            Values b(4 * kCount, like);
            call(plain, a.data());
            call(*k, b.data());
            CHECK(a != Values(4 * kCount, like));  // something was written
            return a == b;
        };
        std::vector<int32_t> scratch(2 * kCount + 3);
        CHECK(both([&](const Kernels& w,
                       int16_t* out) { w.work.reduce_row(five, scratch.data(), out, kCount); },
                   int16_t{3}));
        for (const bool odd : {false, true}) {
            CHECK(both(
                [&](const Kernels& w, int16_t* out) {
                    w.work.expand_row(five, odd, scratch.data(), out, kCount);
                },
                int16_t{3}));
        }
        CHECK(both(
            [&](const Kernels& w, int16_t* out) {
                std::copy_n(five[0], kCount, out);
                w.work.add_row(out, five[1], kCount);
            },
            int16_t{3}));
        CHECK(both([&](const Kernels& w,
                       int16_t* out) { w.work.subtract_row(out, five[0], five[1], kCount); },
                   int16_t{3}));
        CHECK(both(
            [&](const Kernels& w, uint8_t* out) {
                w.pack_row(five[0], five[1], five[2], out, kCount, Rounding::dithered(5, 7));
            },
            uint8_t{3}));
        // Floats far outside of what an integer holds, and halves, which go to the even level.
        constexpr float kInfinity = std::numeric_limits<float>::infinity();
        const std::vector<float> far{-kInfinity,    -1e30F,        -1.0F,         -0.0F,    0.0F,
                                     0.5F / 257.0F, 1.5F / 257.0F, 2.5F / 257.0F, 254.99F,  255.0F,
                                     255.01F,       3e9F,          1e30F,         kInfinity};
        const std::vector<float> deep[3] = {of(far), of(far), of(far)};
        CHECK(both(
            [&](const Kernels& w, uint16_t* out) {
                w.pack_deep_row(deep[0].data(), deep[1].data(), deep[2].data(), out, kCount);
            },
            uint16_t{3}));
        // Light by far too strong, of both signs, takes the cells' values out of any range.
        CellCorners corners{};
        for (int i = 0; i < 4; ++i) {
            corners.u[i] = i % 2 != 0 ? 24.5F : 8.5F;
            corners.v[i] = i / 2 != 0 ? 24.5F : 8.5F;
            for (int c = 0; c < 3; ++c)
                corners.h[c][i] = corners.g[c][i] = i % 2 != 0 ? 1e30F : -1e30F;
        }
        CellSampler s;
        s.photometric = true;
        s.u_low = s.v_low = 0.5F;
        s.u_high = s.v_high = 39.5F;
        for (auto& plane : s.plane) plane = {p.origin, p.stride, 1, 1, -0.5F, -0.5F};
        CellCoords coords;
        plain.interpolate_cell(corners, coords);
        for (const bool keep : {false, true}) {
            s.keep_range = keep;
            const CellValues expected = sampled(plain, s, coords);
            CHECK((sampled(*k, s, coords) == expected));
            CHECK(*std::max_element(expected.work.begin(), expected.work.end()) ==
                  (keep ? kWorkLimit : kWorkWhite));
        }
    }
}
